"""The command line, as a person or a script meets it: real processes, a real store."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from argparse import ArgumentParser, _SubParsersAction
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.cli import main, parser
from dashboard.commands.backup import make_copy
from ingest.store import Store
from tests.conftest import FLEET_TOML, Running, count, environment, tarnlight, tarnlight_here, wait_for

# What other programs read: the keys of each row of `--json`
STATUS_KEYS = [
    "cabin",
    "unit",
    "verdict",
    "since",
    "reasons",
    "next_action",
    "dose_mj_cm2",
    "dose_low_mj_cm2",
    "dose_target_mj_cm2",
    "log_credit",
    "intensity_w_m2",
    "flow_l_min",
    "uvt_pct",
    "lamp_on",
    "lamp_hours",
    "last_heard",
    "advisory",
]
ADVISORY_KEYS = ["id", "state", "cause", "raised_at", "underdosed_l", "underdosed_l_upper", "steps"]
OUTAGE_KEYS = ["cabin", "unit", "kind", "start", "end", "drawn_l", "drawn_l_upper", "underdosed_l"]


def commands(of: ArgumentParser, name: str = "") -> list[tuple[str, ArgumentParser]]:
    """Every command that does something, with those below it."""
    out: list[tuple[str, ArgumentParser]] = []
    for action in of._actions:
        if isinstance(action, _SubParsersAction):
            for word, below in action.choices.items():
                out += commands(below, f"{name} {word}".strip())
    return out or [(name, of)]


COMMANDS = dict(commands(parser()))


@pytest.fixture
def troubled(held: Store) -> Path:
    """A store with a unit that is lit and one that went dark while water flowed; held by nobody."""
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    held.con.execute(
        """
        INSERT INTO reading BY NAME
        WITH t AS (SELECT n, $now::TIMESTAMPTZ - n * INTERVAL 1 MINUTE AS "at" FROM range(120) AS r(n))
        SELECT 'heron-point' AS cabin, 'main' AS unit, "at", TRUE AS lamp_on, TRUE AS power_on,
            60.0 AS intensity_w_m2, 5.0 AS flow_l_min, 1000.0 AS lamp_hours FROM t
        UNION ALL BY NAME
        SELECT 'otter-cove' AS cabin, 'main' AS unit, "at", n > 30 AS lamp_on, TRUE AS power_on,
            CASE WHEN n > 30 THEN 60.0 ELSE 0.0 END AS intensity_w_m2, 5.0 AS flow_l_min, 2000.0 AS lamp_hours
        FROM t""",
        {"now": now},
    )
    held.con.execute('INSERT INTO pending SELECT cabin, unit, min("at"), max("at") FROM reading GROUP BY ALL')
    held.act("evaluate", {})
    path = held.path
    held.close()
    return path


def ask(store: Path, *words: str) -> list[dict]:
    done = tarnlight_here(store, *words, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert isinstance(found, list)
    assert done.stderr == ""
    return found


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_that_ends_in_an_example_of_itself(name):
    text = COMMANDS[name].format_help()
    example = re.search(r"example: (tarnlight .*)", text)
    assert example, f"no example in the help of {name}"
    assert example[1].startswith(f"tarnlight {name}")
    assert len(COMMANDS[name].description or "") > 15


@pytest.mark.parametrize("name", COMMANDS)
def test_every_example_is_a_command_that_can_be_read(name):
    import shlex

    example = re.search(r"example: tarnlight (.*)", COMMANDS[name].format_help())
    assert example
    parser().parse_args(shlex.split(example[1].split("|")[0].split(">")[0]))


@pytest.mark.parametrize("name", [name for name, one in COMMANDS.items() if "--json" in one.format_help()])
def test_json_of_every_command_that_reads_is_one_array_or_an_error_on_stderr(name, enrolled, monkeypatch, capsys):
    monkeypatch.setenv("TARNLIGHT_STORE", str(enrolled))
    try:
        code = main([*name.split(), "--json"])
    except SystemExit as stopped:  # it has options that must be given
        assert stopped.code == 2
        assert capsys.readouterr().out == ""
        return
    told = capsys.readouterr()
    if told.out:
        assert isinstance(json.loads(told.out), list)
        assert told.out.startswith("[")
    else:
        assert code == 2
        assert told.err


def test_the_commands_of_the_contract_are_there():
    wanted = {
        "demo", "collect", "show", "feed", "enroll", "load", "status", "outages", "backup", "restore", "doctor"}
    assert wanted <= {name.split()[0] for name in COMMANDS}


@pytest.mark.parametrize(
    ("words", "match"),
    [
        ((), "usage"),
        (("nonsense",), "invalid choice: 'nonsense'"),
        (("status", "--nonsense"), "unrecognized arguments"),
        (("status", "--cabin", "nowhere"), "no cabin 'nowhere' is enrolled; enrolled are: heron-point, otter-cove"),
        (("status", "--at", "yesterday"), "a time must be ISO 8601, like 2026-11-25T07:00:00Z; got 'yesterday'"),
        (("status", "--at", "2026-11-25T07:00:00"), "a time must have Z or an offset"),
        (("status", "--at", "0001-01-01T00:00:00Z"), "a time must lie between 1970 and 2200"),
        (("status", "--at", "9999-12-31T23:59:59Z"), "a time must lie between 1970 and 2200"),
        (("outages", "--cabin", "nowhere"), "no cabin 'nowhere' is enrolled"),
        (("outages", "--since", "x"), "ISO 8601"),
        (("enroll",), "give a fleet.toml to read, or --export"),
        (("enroll", "none.toml"), "none.toml"),
        (("enroll", "none.toml", "--export"), "give a fleet.toml to read, or --export"),
        (("load", "none.csv"), "none.csv: no such file"),
        (("load",), "usage"),
        (("backup", "/no/folder/x"), "is no folder"),
        (("status", "--config", "none.toml"), "none.toml: no such file"),
        (("collect", "--broker", "localhost"), "broker must be mqtt://HOST:PORT"),
        (("collect", "--broker", "mqtt://kim:hunter2@a"), "must not carry a user or password"),
        (("collect", "--mqtt-version", "4"), "invalid choice"),
        (("show", "--port", "70000"), "show_port must be a port"),
        (("show", "--address", "0.0.0.0"), "the page has no login"),
        (("demo", "--cabins", "0"), "--cabins must be 1 to 10000; got 0"),
        (("demo", "--days", "-1"), "--days must be 0 to 10000"),
        (("demo", "--speed", "0"), "--speed must be above 0"),
        (("demo", "--speed", "300"), "at most 60"),
        (("feed", "--speed", "0"), "--speed must be above 0"),
        (("feed", "--speed", "60"), "would send readings of the future"),
        (("feed", "--start", "now"), "ISO 8601"),
        (("feed", "--fleet", "none.toml"), "none.toml"),
    ],
)
def test_bad_input_ends_with_2_and_a_message_on_stderr_alone(words, match, enrolled, monkeypatch, capsys, tmp_path):
    monkeypatch.setenv("TARNLIGHT_STORE", str(enrolled))
    monkeypatch.chdir(tmp_path)
    try:
        code = main(list(words))
    except SystemExit as stopped:
        code = stopped.code
    told = capsys.readouterr()
    assert code == 2
    assert match in told.err
    assert "hunter2" not in told.err
    assert "Traceback" not in told.err
    assert told.out == ""


def test_bad_input_ends_a_real_process_with_2_too(enrolled):
    done = tarnlight(enrolled, "status", "--cabin", "nowhere")
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("tarnlight status: no cabin 'nowhere'")


def test_a_store_that_cannot_be_used_ends_with_1_and_says_why(tmp_path):
    (tmp_path / "x.duckdb").write_bytes(b"no database" * 100)
    done = tarnlight(tmp_path / "x.duckdb", "status")
    assert done.returncode == 1
    assert "cannot be opened" in done.stderr
    assert "Traceback" not in done.stderr


def test_status_has_exactly_the_keys_of_the_contract_and_the_cautions_worst_first(troubled):
    found = ask(troubled, "status")
    assert [list(one) for one in found] == [[*STATUS_KEYS, "cautions"]] * 3
    assert [(one["cabin"], one["verdict"]) for one in found] == [
        ("otter-cove", "boil"),
        ("otter-cove", "silent"),
        ("heron-point", "clear"),
    ]
    assert all(set(one["log_credit"]) == {"cryptosporidium", "giardia", "virus"} for one in found)
    assert all(isinstance(one["reasons"], list) and isinstance(one["next_action"], str) for one in found)
    advisory = found[0]["advisory"]
    assert list(advisory) == [*ADVISORY_KEYS, "severity", "happened_from", "happened_to", "known_at"]
    assert advisory["state"] in ("raised", "clearing")
    assert advisory["cause"] == "lamp-failure"
    assert all(list(step) == ["code", "done", "evidence"] for step in advisory["steps"])
    assert advisory["underdosed_l"] == pytest.approx(
        31 * 5.0, abs=10.0
    )  # 31 minutes at 5 l/min, and what flows now
    assert found[1]["advisory"] is None
    assert found[1]["last_heard"] is None
    for one in found:
        for key in ("since", "last_heard"):
            assert one[key] is None or one[key].endswith("Z")


def test_status_of_a_past_instant_judges_by_what_was_known_of_then(troubled):
    before = datetime.now(UTC) - timedelta(minutes=60)
    found = {f"{one['cabin']}/{one['unit']}": one for one in ask(troubled, "status", "--at", before.isoformat())}
    assert found["otter-cove/main"]["verdict"] == "clear"
    assert found["otter-cove/main"]["lamp_on"] is True
    first_hour = datetime.now(UTC) - timedelta(minutes=117)
    found = {
        f"{one['cabin']}/{one['unit']}": one for one in ask(troubled, "status", "--at", first_hour.isoformat())
    }
    assert found["heron-point/main"]["intensity_w_m2"] == 60.0
    long_ago = ask(troubled, "status", "--at", "2020-01-01T00:00:00-05:00")
    assert {one["verdict"] for one in long_ago} == {"silent"}


def test_status_of_one_cabin_and_of_an_empty_store(troubled, tmp_path):
    assert {one["cabin"] for one in ask(troubled, "status", "--cabin", "heron-point")} == {"heron-point"}
    Store(tmp_path / "empty.duckdb").close()
    assert ask(tmp_path / "empty.duckdb", "status") == []
    told = tarnlight_here(tmp_path / "empty.duckdb", "status")
    assert "No cabin is enrolled yet" in told.stdout


def test_status_in_words_defers_to_the_health_authority(troubled):
    told = tarnlight_here(troubled, "status").stdout
    assert "BOIL" in told
    assert "local health authority" in told


def test_outages_have_the_keys_of_the_contract_and_no_unknown_is_0(troubled):
    found = ask(troubled, "outages")
    assert all(list(one)[: len(OUTAGE_KEYS)] == OUTAGE_KEYS for one in found)
    assert {one["kind"] for one in found} <= {"dark", "warming", "weak", "unheard"}
    dark = [one for one in found if one["kind"] == "dark"]
    assert len(dark) == 1
    assert dark[0]["underdosed_l"] == pytest.approx(31 * 5.0, abs=10.0)
    assert ask(troubled, "outages", "--cabin", "heron-point") == []


def test_doctor_says_what_is_wrong_and_what_to_do(troubled, tmp_path):
    done = tarnlight_here(troubled, "doctor", "--json")
    found = {one["check"]: one for one in json.loads(done.stdout)}
    assert found["store"]["ok"] and found["registry"]["ok"] and found["duckdb"]["ok"]
    assert not found["collector"]["ok"]
    assert "tarnlight collect" in found["collector"]["found"]
    assert not found["health authority"]["ok"]
    assert done.returncode == 1
    none = json.loads(tarnlight_here(tmp_path / "none.duckdb", "doctor", "--json").stdout)
    assert "does not exist yet; tarnlight enroll makes it" in next(
        one["found"] for one in none if one["check"] == "store"
    )
    assert not (tmp_path / "none.duckdb").exists()  # it looks, and makes nothing


def test_doctor_finds_a_running_collector_and_its_broker_well(collector: Running):
    store = collector.client()
    wait_for(lambda: store.ask("SELECT connected FROM process")["connected"][0], 10, "it says that it is connected")
    done = tarnlight_here(collector.settings.store, "doctor", "--json")
    found = {one["check"]: one for one in json.loads(done.stdout)}
    assert found["collector"]["ok"], found
    assert found["collector's broker"]["ok"], found


def test_a_backup_taken_while_the_collector_runs_opens_and_has_the_same_rows(collector: Running, tmp_path):
    from tests.conftest import publish, senml

    port = int(collector.settings.broker.rsplit(":", 1)[1])
    start = datetime.now(UTC) - timedelta(hours=2)
    publish(
        port,
        "tarnlight/heron-point/main/log",
        *(senml(start + timedelta(seconds=n), battery=12.0) for n in range(200)),
    )
    store = collector.client()
    wait_for(lambda: count(store, "reading") == 200, 10, "the rows are kept")
    target = tmp_path / "copy it's.duckdb"
    done = tarnlight(collector.settings.store, "backup", str(target))
    assert done.returncode == 0, done.stderr
    again = tarnlight(collector.settings.store, "backup", str(target))
    assert again.returncode == 2
    assert "exists; name a file that does not" in again.stderr
    copy = Store(target)
    for table in ("reading", "unit", "segment", "resume_state", "schema_version"):
        assert count(copy, table) == count(store, table)
    copy.act(
        "record-service",
        {  # and it is a whole store
            "kind": "note",
            "cabin": "heron-point",
            "unit": "main",
            "at": start.isoformat(),
            "who": "Kim",
        },
    )
    copy.close()
    assert sorted(path.name for path in tmp_path.glob("copy*")) == [target.name]


@pytest.mark.parametrize("name", ["my store.duckdb", 'quote".duckdb', "copy_of_store.duckdb", "it's.duckdb"])
def test_a_store_of_any_name_is_backed_up(tmp_path, name):
    store = Store(tmp_path / name)
    store.act("enroll", {"text": FLEET_TOML})
    store.con.execute("SELECT nextval('advisory_number')")
    make_copy(store, tmp_path / "copy.duckdb")
    store.close()
    copy = Store(tmp_path / "copy.duckdb")
    assert count(copy, "unit") == 3
    # numbers of advisories go on where they were, so that none is given twice
    assert copy.con.execute("SELECT nextval('advisory_number')").fetchone() == (2,)
    copy.close()


def test_what_enroll_exports_enrolls_again_as_the_same(enrolled, tmp_path):
    text = tarnlight_here(enrolled, "enroll", "--export").stdout
    (tmp_path / "again.toml").write_text(text)
    done = tarnlight_here(enrolled, "enroll", str(tmp_path / "again.toml"))
    assert done.stdout.strip() == "0 new, 0 changed, 6 as they were"
    fresh = tmp_path / "fresh.duckdb"
    assert tarnlight_here(fresh, "enroll", str(tmp_path / "again.toml")).returncode == 0
    assert tarnlight_here(fresh, "enroll", "--export").stdout == text


def test_enroll_refuses_bad_input_whole_and_makes_no_store(tmp_path):
    (tmp_path / "fleet.toml").write_text(FLEET_TOML.replace("cadence_s = 60", "cadence_s = -60", 1))
    done = tarnlight_here(tmp_path / "x.duckdb", "enroll", str(tmp_path / "fleet.toml"))
    assert done.returncode == 2
    assert re.search(r"fleet.toml:\d+: unit of heron-point: cadence_s must be above 0; got -60", done.stderr)
    assert not (tmp_path / "x.duckdb").exists()


def test_enroll_reaches_a_running_collector(collector: Running, tmp_path):
    (tmp_path / "fleet.toml").write_text(
        FLEET_TOML.replace('"heron-point"', '"loon-bay"').replace("Heron-Point", "Loon Bay")
    )
    done = tarnlight(collector.settings.store, "enroll", str(tmp_path / "fleet.toml"))
    assert done.returncode == 0, done.stderr
    assert "enrolled: loon-bay" in done.stdout
    assert count(collector.client(), "cabin") == 3


def test_a_reader_that_stops_early_is_no_error(enrolled):
    done = subprocess.run(
        f"{sys.executable} -m dashboard.cli status | head -1",
        shell=True,
        env=environment(enrolled),
        text=True,
        capture_output=True,
        check=False,
    )
    assert "Traceback" not in done.stderr


def test_two_commands_at_once_wait_for_each_other(enrolled):
    running = [
        subprocess.Popen(
            [sys.executable, "-m", "dashboard.cli", "status", "--json"],
            env=environment(enrolled),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    for one in running:
        out, err = one.communicate(timeout=60)
        assert one.returncode == 0, err
        assert len(json.loads(out)) == 3
