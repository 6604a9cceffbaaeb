"""History that is loaded is played in its own time: the same advisories however it comes, dated as it happened."""

from __future__ import annotations

import json
import re
import shutil
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from ingest import private_files, queries
from ingest.db.intake import heard_live, keep
from ingest.db.schema import QUANTITY_COLUMNS, rounded
from ingest.evaluation.evaluate import evaluate, owe
from ingest.store import Store
from models.advisory import Advisory
from models.shortfall import Severity
from tests.conftest import count, publisher, senml, tarnlight_here, wait_for
from tests.seeds import generator

NOW = datetime.now(UTC).replace(second=0, microsecond=0)
FLOW_L_MIN = 6.0


def log(start: datetime, minutes: int, dark: list[tuple[int, int]], *, cabin: str = "heron-point") -> pd.DataFrame:
    """A reading a minute with water at every third minute, and a lamp that is dark from minute to minute."""
    minute = np.arange(minutes)
    out = np.zeros(minutes, bool)
    for first, last in dark:
        out[first:last] = True
    flow = np.where(minute % 3 == 0, FLOW_L_MIN, 0.0)
    return pd.DataFrame(dict.fromkeys(QUANTITY_COLUMNS), index=minute).assign(
        at=pd.Timestamp(start) + pd.to_timedelta(minute, "min"), cabin=cabin, unit="main", lamp_on=~out,
        power_on=~out, intensity_w_m2=np.where(out, 0.0, 62.0 + 0.5 * np.sin(minute / 37.0)), flow_l_min=flow,
        total_l=np.cumsum(flow))


def loaded(tmp_path: Path, store: Path, *parts: pd.DataFrame, apart: bool, at: str = "") -> dict[str, Any]:
    """What `status --json` says (of an instant) after these parts were loaded, by one command or by one each."""
    files = []
    for number, part in enumerate(parts):
        files.append(tmp_path / f"part{number}.csv")
        part.drop(columns=["lamp_hours", "battery_v", "uvt_pct", "water_temp_c"]).assign(
            at=part["at"].map(lambda at: at.isoformat())).to_csv(files[-1], index=False)
    for words in ([[one] for one in files] if apart else [files]):
        done = tarnlight_here(store, "load", *(str(one) for one in words))
        assert done.returncode == 0, done.stderr
    told = tarnlight_here(store, "status", "--json", *(["--at", at] if at else []))
    assert told.returncode == 0, told.stderr
    return next(one for one in json.loads(told.stdout) if one["cabin"] == "heron-point")


def stood_then(store: Path, instants: list[datetime]) -> list[dict[str, Any]]:
    """What `status --json --at` says of the cabin at these instants, but for when the advisory became known."""
    out = []
    for at in instants:
        told = tarnlight_here(store, "status", "--json", "--cabin", "heron-point", "--at", at.isoformat())
        assert told.returncode == 0, told.stderr
        (found,) = json.loads(told.stdout)
        if found["advisory"] is not None:
            # when it became known is when it was loaded
            found["advisory"] = {**found["advisory"], "id": None, "known_at": None}
            found["reasons"] = [re.sub("known since [^;,]* UTC", "known then", one) for one in found["reasons"]]
        out.append(found)
    return out


def core(found: dict[str, Any]) -> dict[str, Any]:
    """What has to be the same however a history came."""
    advisory = found["advisory"]
    return {
        "verdict": found["verdict"], "cause": advisory["cause"], "severity": advisory["severity"],
        "from": advisory["happened_from"], "to": advisory["happened_to"], "state": advisory["state"],
        "litres": advisory["underdosed_l_upper"],
        "steps": [(step["code"], step["done"]) for step in advisory["steps"]]}


@pytest.fixture
def stores(tmp_path: Path, enrolled_once: Path) -> Callable[[], Path]:
    """Makes fresh stores with the small fleet."""
    made: list[Path] = []

    def make() -> Path:
        made.append(tmp_path / f"store{len(made)}" / "tarnlight.duckdb")
        private_files.make_folder(made[-1].parent)
        shutil.copy(enrolled_once, made[-1])
        return made[-1]

    return make


@pytest.mark.parametrize("seed", [1, *[pytest.param(n, marks=pytest.mark.slow) for n in range(2, 30)]])
def test_in_one_go_in_parts_and_in_shuffled_rows_the_same_advisory_stands(tmp_path, stores, seed):
    rng = generator(f"play {seed}")
    minutes = 900
    starts = np.sort(rng.choice(np.arange(60, minutes - 200, 50), 3, replace=False))
    rows = log(NOW - timedelta(minutes=minutes + 5), minutes, [(int(at), int(at) + 20) for at in starts])
    instants = [NOW - timedelta(minutes=minutes + 5 - int(at)) for at in (*starts - 9, *starts + 12, *starts + 95)]
    at_once = stores()
    whole = core(loaded(tmp_path, at_once, rows, apart=False))
    then = stood_then(at_once, instants)
    assert [one["advisory"] is not None for one in then] == [False, *[True] * 8]
    assert whole["verdict"] == "boil" and whole["cause"] == "power-cut"
    days = [rows.iloc[at:at + 180] for at in range(0, minutes, 180)]
    shuffled = [days[number] for number in rng.permutation(len(days))]
    by_days = stores()
    assert core(loaded(tmp_path, by_days, *shuffled, apart=True)) == whole
    assert stood_then(by_days, instants) == then
    mixed = [rows.iloc[np.sort(part)] for part in np.array_split(rng.permutation(minutes), 4)]
    by_rows = stores()
    assert core(loaded(tmp_path, by_rows, *mixed, apart=True)) == whole
    assert stood_then(by_rows, instants) == then


def test_a_log_that_ends_with_the_cut_is_boil_dated_in_its_own_time(tmp_path, stores):
    start = NOW - timedelta(days=365)
    rows = log(start, 600, [(580, 600)])
    store = stores()
    found = loaded(tmp_path, store, rows, apart=False)
    assert found["verdict"] == "boil"
    advisory = found["advisory"]
    first = pd.Timestamp(advisory["happened_from"])
    assert first >= pd.Timestamp(start) + pd.Timedelta(minutes=578)
    assert pd.Timedelta(0) <= pd.Timestamp(advisory["raised_at"]) - first <= pd.Timedelta(minutes=15)
    assert pd.Timestamp(advisory["known_at"]) > pd.Timestamp(NOW - timedelta(minutes=5))
    assert "known since" in " ".join(found["reasons"])  # both times are said, as they differ
    listed = tarnlight_here(store, "advisory", "list").stdout
    assert f"{pd.Timestamp(advisory['raised_at']):%Y-%m-%d}" in listed


def test_an_old_cut_with_good_water_since_is_only_to_be_noted(tmp_path, stores):
    days = 41
    rows = log(NOW - timedelta(days=days, minutes=3), days * 1440, [(100, 110)])
    at = (rows["at"].iloc[-1] + pd.Timedelta(seconds=30)).isoformat()
    found = loaded(tmp_path, stores(), rows, apart=False, at=at)
    assert found["verdict"] == "watch", found["reasons"]
    assert found["advisory"] is None
    words = " ".join(found["reasons"])
    assert "Before this unit was first heard live" in words
    assert "advisory seen" in found["next_action"] or "seen" in words, found["next_action"]


def test_what_was_known_then_is_not_what_is_known_now(tmp_path, stores):
    """The first half came in time, the dark quarter of an hour after it only with the second file."""
    start = NOW - timedelta(minutes=300)
    rows = log(start, 295, [(200, 215)])
    store = stores()
    loaded(tmp_path, store, rows.iloc[:150], apart=False)
    with_store = Store(store)
    with_store.con.execute('UPDATE reading SET arrived_at = "at"')  # as it came live
    with_store.close()
    loaded(tmp_path, store, rows.iloc[150:], apart=False)
    at = (start + timedelta(minutes=149, seconds=30)).isoformat()
    late = (start + timedelta(minutes=240, seconds=30)).isoformat()

    def said(*words: str) -> dict[str, Any]:
        told = tarnlight_here(store, "status", "--json", "--cabin", "heron-point", *words)
        assert told.returncode == 0, told.stderr
        return json.loads(told.stdout)[0]

    assert said("--at", at)["verdict"] == said("--at", at, "--as-known")["verdict"] == "clear"
    assert said("--at", late)["verdict"] == "boil"
    then = said("--at", late, "--as-known")
    assert then["verdict"] == "silent"  # nothing had come for an hour and a half
    assert then["advisory"] is None
    assert pd.Timestamp(then["last_heard"]) == pd.Timestamp(start + timedelta(minutes=149))
    refused = tarnlight_here(store, "status", "--as-known")
    assert refused.returncode == 2 and "--at TIME" in refused.stderr


def test_what_was_known_of_a_unit_that_had_fallen_silent_is_what_was_shown_then(stores):
    """Power and light that were proven do not count as proven while nothing is heard: nor when asked afterwards."""
    held = Store(stores())
    rows = log(NOW - timedelta(minutes=300), 200, [(60, 75)])
    first = rows["at"].iloc[0].to_pydatetime()
    for begin in range(0, len(rows), 10):
        part = rows.iloc[begin : begin + 10]
        now = part["at"].max().to_pydatetime() + timedelta(seconds=5)
        owe(held.con, keep(held.con, rows=rounded(part.reset_index(drop=True)), arrived=now).touched)
        heard_live(held.con, [("heron-point", "main")], first)
        evaluate(held.con, now)
    at = now + timedelta(minutes=45)
    (shown,) = queries.status(held, at, cabin="heron-point")
    more = log(at + timedelta(minutes=10), 20, [])
    more["total_l"] += rows["total_l"].iloc[-1]
    later = more["at"].max().to_pydatetime() + timedelta(seconds=5)
    owe(held.con, keep(held.con, rows=rounded(more), arrived=later).touched)
    evaluate(held.con, later)
    held.close()
    told = tarnlight_here(
        held.path, "status", "--json", "--cabin", "heron-point", "--at", at.isoformat(), "--as-known")
    assert told.returncode == 0, told.stderr
    known = json.loads(told.stdout)[0]
    assert any("power back and steady" in why for why in known["reasons"]), known["reasons"]
    assert known["reasons"] == list(shown.verdict.reasons)
    assert [(one["code"], one["done"]) for one in known["advisory"]["steps"]] == [
        (str(one.code), one.done) for one in shown.advisory.advisory.statuses]


def test_a_unit_that_is_heard_too_seldom_has_its_water_told_while_it_goes_on(stores):
    """A reading in ten minutes of a unit that should send one a minute: each ends one."""
    held = Store(stores())
    rows = log(NOW - timedelta(minutes=300), 120, [(40, 51)]).iloc[::10].reset_index(drop=True)
    rows["total_l"] = 5000.0 + 40.0 * np.arange(len(rows))
    words = []
    for number in range(len(rows)):
        now = rows["at"].iloc[number].to_pydatetime() + timedelta(seconds=5)
        row = rounded(rows.iloc[[number]].reset_index(drop=True))
        owe(held.con, keep(held.con, rows=row, arrived=now).touched)
        heard_live(held.con, [("heron-point", "main")], now)
        evaluate(held.con, now)
        words.append(str(queries.status(held, now, cabin="heron-point")[0].verdict.verdict))
    found = [one.advisory for one in queries.advisories(held, cabin="heron-point")]
    held.close()
    assert "clear" not in words[1:]
    # the first silence ended with the second reading; a quarter of an hour later nothing has explained it. What is
    # stored of a silence grows until the hour is full, so that it can come an hour later.
    assert len(found) == 1 and found[0].happened_from == rows["at"].iloc[0].to_pydatetime()
    assert found[0].raised_at <= rows["at"].iloc[0].to_pydatetime() + timedelta(minutes=60 + 15 + 10 + 1)
    assert words[-1] == "boil"


def test_an_advisory_that_more_history_explains_is_not_dated_before_what_is_left_of_it(stores):
    """A hole between two parts stands as unheard until most of it is filled; what is left begins later."""
    store = stores()
    rows = log(NOW - timedelta(minutes=400), 395, [])
    taken(store, pd.concat([rows.iloc[:100], rows.iloc[250:]], ignore_index=True), live=False)
    filled = rows.iloc[100:230].reset_index(drop=True)
    (after,) = taken(store, filled, live=False, now=NOW)
    assert after.happened_from >= filled["at"].iloc[-1].to_pydatetime()
    assert after.raised_at >= after.happened_from


def test_of_a_hole_that_a_later_part_filled_with_good_water_nothing_stood_then(tmp_path, stores):
    rows = log(NOW - timedelta(minutes=1500), 1490, [])
    instants = [NOW - timedelta(minutes=1500 - minute) for minute in (100, 300, 450, 700, 1000, 1400)]
    at_once = stores()
    loaded(tmp_path, at_once, rows, apart=False)
    then = stood_then(at_once, instants)
    assert {one["verdict"] for one in then} == {"clear"}
    by_parts = stores()
    parts = (rows.iloc[:200], rows.iloc[900:], rows.iloc[600:900], rows.iloc[200:600])
    assert loaded(tmp_path, by_parts, *parts, apart=True)["verdict"] == "boil"  # until a named person lifts it
    assert stood_then(by_parts, instants) == then


def test_water_of_an_advisory_that_somebody_noted_as_seen_stood_all_the_same(stores):
    store = stores()
    start = NOW - timedelta(days=45)
    first = log(start, 240, [(100, 115)])
    taken(store, first, live=False)
    good = pd.concat([log(start + timedelta(days=day), 90, []) for day in range(1, 42)], ignore_index=True)
    good["total_l"] = first["total_l"].iloc[-1] + good["flow_l_min"].cumsum()
    taken(store, good, live=False)
    instants = [start + timedelta(minutes=200), start + timedelta(days=41, minutes=60)]
    before = stood_then(store, instants)
    done = tarnlight_here(
        store, "advisory", "seen", "--cabin", "heron-point", "--unit", "main", "--by", "Ann Lund")
    assert done.returncode == 0, done.stderr
    more = log(NOW - timedelta(days=46), 60, [])
    more["total_l"] -= more["total_l"].iloc[-1]
    taken(store, more, live=False, now=NOW)
    after = stood_then(store, instants)
    assert {one["verdict"] for one in (*before, *after)} == {"boil"}
    assert [one["advisory"] is not None for one in after] == [True, True]


SPEED = 300.0


@pytest.mark.parametrize("seed", [
    pytest.param(n, marks=pytest.mark.slow) for n in (1, 2)])
def test_live_through_a_broker_and_loaded_the_same_advisory_stands(
    tmp_path, stores, enrolled, mosquitto, make_collector, seed
):
    """The live log is sped up: the store's clock runs 300 times as fast."""
    rng = generator(f"play live {seed}")
    minutes = 120
    dark = [(int(at), int(at) + 12) for at in (rng.integers(20, 40), rng.integers(60, 80))]
    rows = log(NOW - timedelta(minutes=minutes + 4), minutes, dark)
    held = Store(enrolled)
    begun = datetime.now(UTC) + timedelta(seconds=6)  # by when the collector listens
    held.con.execute("INSERT INTO clock VALUES ($wall, $store, $speed)", {
        "wall": begun, "store": rows["at"].iloc[0].to_pydatetime(), "speed": SPEED})
    held.close()
    collector = make_collector(mosquitto.url)
    with publisher(mosquitto.port) as sender:
        for row in rows.itertuples():
            due = begun + (row.at.to_pydatetime() - rows["at"].iloc[0].to_pydatetime()) / SPEED
            time.sleep(max(0.0, (due - datetime.now(UTC)).total_seconds()))
            sender.publish("tarnlight/heron-point/main/log", senml(
                row.at.to_pydatetime(), lamp=bool(row.lamp_on), power=bool(row.power_on),
                intensity=row.intensity_w_m2, flow=row.flow_l_min / 60_000, total=row.total_l / 1000), qos=1)
    wait_for(lambda: count(collector.client(), "reading") == minutes, 20, "all is stored")
    until = rows["at"].iloc[-1] + pd.Timedelta(seconds=40)
    wait_for(lambda: collector.client().now() > until, 20, "its clock is past the log")
    told = tarnlight_here(enrolled, "status", "--json", "--cabin", "heron-point")
    assert told.returncode == 0, told.stderr
    live = core(json.loads(told.stdout)[0])
    assert live["verdict"] == "boil"
    assert core(loaded(tmp_path, stores(), rows, apart=False)) == live


def taken(store: Path, rows: pd.DataFrame, *, live: bool, now: datetime | None = None) -> list[Advisory]:
    """The unit's advisories after these rows, live or as a file, half a minute after the last or `now`."""
    held = Store(store)
    now = now or rows["at"].max().to_pydatetime() + timedelta(seconds=30)
    kept = keep(held.con, rows=rounded(rows), arrived=now)
    owe(held.con, kept.touched)
    if live:
        heard_live(held.con, [("heron-point", "main")], rows["at"].min().to_pydatetime())
    evaluate(held.con, max(now, NOW))
    out = [one.advisory for one in queries.advisories(held, cabin="heron-point")]
    held.close()
    return out


def test_an_older_log_takes_no_live_water_from_an_advisory(stores):
    store = stores()
    rows = log(NOW - timedelta(minutes=400), 395, [(60, 75), (300, 320)])
    rows["total_l"] += 5000.0
    taken(store, rows.iloc[:200], live=False)
    (before,) = taken(store, rows.iloc[200:], live=True)
    assert len(before.exposure.known_pieces) >= 2
    older = log(NOW - timedelta(days=3), 300, [])
    older["total_l"] += 5000.0 - older["total_l"].iloc[-1]  # the meter stood still until the next log begins
    (after,) = taken(store, older, live=False)
    assert after.happened_to == before.happened_to
    # the two days between the logs were not heard, which is more; of what was known nothing is gone
    assert after.exposure.underdosed_l_upper >= before.exposure.underdosed_l_upper
    assert {(one.start, one.end) for one in before.exposure.known_pieces} <= {
        (one.start, one.end) for one in after.exposure.known_pieces}
    assert set(before.steps) <= set(after.steps)


def test_more_bad_water_never_makes_an_advisory_milder(stores):
    """The cut of six weeks ago was told and answered by nobody; since then its litres would only be noted."""
    store = stores()
    start = NOW - timedelta(days=45)
    first = log(start, 240, [(100, 115)])
    (before,) = taken(store, first, live=False)
    good = pd.concat([log(start + timedelta(days=day), 90, []) for day in range(1, 42)], ignore_index=True)
    good["total_l"] = first["total_l"].iloc[-1] + good["flow_l_min"].cumsum()
    taken(store, good, live=False)
    weak = log(NOW - timedelta(minutes=300), 290, [])
    weak["intensity_w_m2"] = 9.0
    weak["total_l"] += good["total_l"].iloc[-1]
    (after,) = taken(store, weak, live=False)
    assert after.exposure.underdosed_l_upper > before.exposure.underdosed_l_upper + 100
    assert after.severity is before.severity is Severity.UNTREATED
    assert set(before.steps) <= set(after.steps)
    assert after.happened_from == before.happened_from and after.raised_at == before.raised_at


def test_no_event_tells_of_water_that_was_yet_to_come(stores):
    store = stores()
    rows = log(NOW - timedelta(minutes=1200), 1195, [(900, 940)])
    rows.loc[100:160, "intensity_w_m2"] = 9.0  # weak long before the cut
    taken(store, rows, live=False)
    held = Store(store)
    (one,) = queries.advisories(held, cabin="heron-point")
    bodies = [json.loads(body) for body in queries.advisory_events(held, one.id)["body"]]
    held.close()
    told = [body for body in bodies if "exposure" in body]
    assert told[0]["exposure"]["cause"] == "low-dose"
    for body in told:
        for piece in body["exposure"]["pieces"]:
            assert pd.Timestamp(piece["start"]) <= pd.Timestamp(body["at"])
