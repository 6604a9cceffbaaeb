"""What a file is taken for: what is found on evidence, what is asked, and what is refused whatever is told."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest

from ingest.settings import BadInput
from ingest.store import Store
from ingest.wire.csv_headers import meant_by
from ingest.wire.csv_log import read_csv
from ingest.wire.csv_look import Look, look, rows_of
from ingest.wire.csv_shape import Shape, Source, column_told
from ingest.wire.csv_told import Told, told_from
from tests.conftest import Running, count, tarnlight_here

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
UTC_OF_HERON = Told(zone="UTC", cabin="heron-point", unit="main")


def seen(tmp_path: Path, text: str | bytes, told: Told = UTC_OF_HERON) -> Look:
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return look(path, told, NOW)


def rows(tmp_path: Path, text: str | bytes, told: Told = UTC_OF_HERON) -> pd.DataFrame:
    found = seen(tmp_path, text, told)
    assert found.needs == []
    return pd.concat([chunk.rows for chunk in rows_of(tmp_path / "log.csv", found.settled, found.shape, NOW)])


def log(head: str, *cells: str) -> str:
    return head + "\n" + "".join(f"2025-11-05 07:{n:02}:00{one}\n" for n, one in enumerate(cells))


@pytest.mark.parametrize(("header", "column", "unit"), [
    ("flow_l_min", "flow_l_min", ""),
    ("Flow (gpm)", "flow_l_min", "gal/min"),
    ("Flow rate [L/min]", "flow_l_min", "l/min"),
    ("FLOW_GPM", "flow_l_min", "gal/min"),
    ("Water temp °F", "water_temp_c", "degF"),
    ("Water Temperature, degF", "water_temp_c", "degF"),
    ("UV-intensity (mW/cm²)", "intensity_w_m2", "mW/cm2"),
    ("UVT %", "uvt_pct", "%"),
    ("Lamp hours", "lamp_hours", "h"),
    ("Lamp (on/off)", "lamp_on", ""),
    ("Total (gal)", "total_l", "gal"),
])
def test_a_header_that_means_one_thing_is_taken_in_its_own_unit(header, column, unit):
    source = meant_by(header, [header]).source
    assert source is not None
    assert (source.column, source.unit) == (column, unit)


@pytest.mark.parametrize("header", [
    "Flow", "Flow (cfm)", "Temp (°C)", "Air temperature (°C)", "Power (W)", "Power", "Total", "UV intensity (%)",
    "UVT", "Battery", "Lamp (W)", "Water temp (gpm)", "Flow (l/min) setpoint", "Channel 1", ""])
def test_a_header_that_may_mean_something_else_or_has_no_unit_is_never_taken(header):
    assert meant_by(header, [header]).source is None


def test_a_unit_is_asked_for_and_never_guessed_from_values(tmp_path):
    found = seen(tmp_path, log("Timestamp,Flow,UVT", ",8.5,0.85", ",9.5,0.86"))
    assert [one.split(":")[0] for one in found.needs] == ["the unit of 'Flow'", "the unit of 'UVT'"]
    assert "l/min, l/s, m3/h, m3/s, gal/min" in found.needs[0]
    told = Told(zone="UTC", cabin="heron-point", unit="main", columns=dict([
        column_told("Flow=flow_l_min:GPM"), column_told("UVT=uvt_pct:/")]))
    taken = rows(tmp_path, log("Timestamp,Flow,UVT", ",10,0.85"), told)
    assert taken["flow_l_min"].tolist() == [37.854]  # 10 US gallons of 3.785411784 L (NIST SP 811, from memory)
    assert taken["uvt_pct"].tolist() == [85.0]


@pytest.mark.parametrize(("cells", "asked"), [
    ((";1.234", ";2.500"), "'1.234' may be a fraction or thousands"),
    ((";1,234", ";2,500"), "'1,234' may be a fraction or thousands"),
    ((";1.5", ";2,5"), "it has '1.5' and '2,5'"),
])
def test_a_decimal_mark_that_nothing_tells_is_asked(tmp_path, cells, asked):
    (need,) = seen(tmp_path, log("Timestamp;Flow (l/min)", *cells)).needs
    assert asked in need


def test_a_number_with_the_other_mark_is_refused_alone_and_never_misread(tmp_path):
    found = seen(tmp_path, log("Timestamp;Flow (l/min)", ";1,5", ";1.234,5", ";2,25"), Told(
        zone="UTC", cabin="heron-point", unit="main", decimal=","))
    (chunk,) = rows_of(tmp_path / "log.csv", found.settled, found.shape, NOW)
    assert chunk.rows["flow_l_min"].tolist() == [1.5, 2.25]
    assert chunk.refused["line"].tolist() == [3]
    assert "with ',' as its decimal mark" in chunk.refused["reason"].iloc[0]


def long_log() -> str:
    """20,000 lines of January's first twelve days, and one of the 13th past all that is looked at first."""
    lines = [f"{1 + n * 12 // 20_000:02}/01/2025 {n % 24:02}:00,3.5" for n in range(20_000)]
    return "\n".join(("Timestamp,Flow (l/min)", *lines, "13/01/2025 00:00,3.5")) + "\n"


def test_a_single_day_anywhere_in_a_long_file_tells_the_order_and_refuses_the_other(tmp_path):
    found = seen(tmp_path, long_log())
    assert found.shape.date_order == "dmy"
    with pytest.raises(BadInput, match="its dates are not as mdy: 13/01/2025 is none"):
        seen(tmp_path, long_log(), Told(zone="UTC", cabin="heron-point", unit="main", date_order="mdy"))


def test_days_that_fit_no_one_order_are_refused_and_a_day_that_is_none_says_nothing(tmp_path):
    head = "Timestamp,Flow (l/min)\n"
    with pytest.raises(BadInput, match="its dates are in no one order"):
        seen(tmp_path, head + "13/01/2025 07:00,1\n01/13/2025 07:00,1\n")
    found = seen(tmp_path, head + "00/00/2000 00:00,1\n13/01/2025 07:00,1\n")
    assert found.shape.date_order == "dmy"
    assert found.notes[0].startswith("line 2: Timestamp = '00/00/2000 00:00'")
    with pytest.raises(BadInput, match="no date could be read"):
        seen(tmp_path, head + "1762240000,1\n1762240060,1\n")


def test_twelve_hours_offsets_and_short_times_become_the_right_instants(tmp_path):
    told = Told(zone="America/Toronto", cabin="heron-point", unit="main")
    taken = rows(tmp_path, "Timestamp,Flow (l/min)\n" + "".join(f"{one},1\n" for one in (
        "1/13/2025 12:00:00 AM", "1/13/2025 12:30 pm", "01/13/2025 7:05:09 p.m.", "1/13/2025 07:00 -0700")), told)
    # Eastern time in January is UTC-5 (common knowledge of the IANA database)
    assert [at.isoformat() for at in taken["at"]] == [
        "2025-01-13T05:00:00+00:00", "2025-01-13T17:30:00+00:00", "2025-01-14T00:05:09+00:00",
        "2025-01-13T14:00:00+00:00"]
    found = seen(tmp_path, "Timestamp,Flow (l/min)\n1/13/2025 13:00 PM,1\n1/13/2025 1:00 PM,1\n")
    assert [note.split(":")[0] for note in found.notes] == ["line 2"]


def test_the_hour_that_a_clock_change_repeats_is_refused_in_other_orders_too(tmp_path):
    told = Told(zone="America/Toronto", cabin="heron-point", unit="main", date_order="mdy")
    found = seen(tmp_path, "Timestamp,Flow (l/min)\n11/2/2025 0:30,1\n11/2/2025 1:30,1\n11/2/2025 2:30,1\n", told)
    assert found.rows["at"].dt.hour.tolist() == [4, 7]
    assert found.notes[0].startswith("line 3: ")


def test_torn_lines_hide_neither_the_table_nor_the_rest(tmp_path):
    cells = [";3,5" for _ in range(30)]
    cells[4] = ""
    found = seen(tmp_path, log("Timestamp;Flow (l/min)", *cells))
    assert found.needs == []
    assert found.shape == Shape(delimiter=";", decimal=",")
    assert found.notes == ["line 6: 1 cells where the header has 2"]


@pytest.mark.parametrize("block_bytes", [1, 7, 64, 10_000])
def test_utf_16_gives_the_same_however_it_is_cut(tmp_path, block_bytes):
    path = tmp_path / "log.txt"
    body = "Début;Débit\n" + "".join(f"2025-11-05T07:{n:02}:00Z;{n},5\n" for n in range(40)) + "été;x\n"
    path.write_bytes(body.encode("utf-16"))
    mapping = {"Début": Source("Début", "at"), "Débit": Source("Débit", "flow_l_min")}
    chunks = list(read_csv(
        path, now=NOW, mapping=mapping, cabin="heron-point", unit="main", block_bytes=block_bytes,
        shape=Shape(encoding="utf-16", delimiter=";", decimal=",")))
    taken = pd.concat([chunk.rows for chunk in chunks])
    assert taken["flow_l_min"].tolist() == [n + 0.5 for n in range(40)]
    assert taken.index.tolist() == list(range(2, 42))
    refused = pd.concat([chunk.refused for chunk in chunks])
    assert set(refused["line"]) == {42}
    assert refused["payload"].iloc[0] == "été;x"


def test_what_is_settled_reads_back_from_a_profile_as_it_was():
    told = Told(
        encoding="latin1", delimiter="tab", decimal=",", header_row=4, date_order="dmy", zone="America/Toronto",
        words={"alarm": False, "test": None}, columns=dict([
            column_told("Flow=otter-cove/annex/flow_l_min:GPM"), column_told("Note=-"), column_told("When=at")]))
    back = told_from(json.loads(json.dumps(told.body())))
    assert back.body() == told.body()
    assert back.columns["Flow"] == Source(
        "Flow", "flow_l_min", 3.785411784, 0.0, "gal/min", ("otter-cove", "annex"))
    assert back.encoding == "latin-1"


@pytest.mark.parametrize(("body", "match"), [
    ({}, "must hold columns"),
    ({"columns": {"a": {"column": "no"}}}, "'a' must name one of at, cabin"),
    ({"columns": {"a": {"column": "flow_l_min", "unit": "lux"}}}, "cannot be in 'lux'"),
    ({"columns": {"a": None}, "words": {"b": "on"}}, "must say true, false or null"),
    ({"columns": {"a": None}, "header_row": "4"}, "header_row must be a line"),
    ({"columns": {"a": None}, "zone": "Ontario"}, "--zone must be an IANA name"),
    ({"columns": {"a": {"column": "at", "owner": ["b", "c"]}}}, "owner must be a cabin and a unit"),
])
def test_a_profile_that_could_not_be_used_is_not_kept(held, body, match):
    with pytest.raises(BadInput, match=match):
        held.act("save-profile", {"name": "theirs", "profile": body})
    assert count(held, "load_profile") == 0


@pytest.mark.parametrize("running", [False, True], ids=["alone", "beside a collector"])
def test_a_profile_is_kept_used_replaced_and_refused_for_another_loggers_file(running, enrolled, request):
    if running:
        collector: Running = request.getfixturevalue("collector")
    file, other = enrolled.parent / "first.csv", enrolled.parent / "other.csv"
    file.write_text(log("When;How much", ";3,5", ";4,5"))
    other.write_text(log("When;Flow", ";3,5"))
    where = ("--cabin", "heron-point", "--unit", "main")
    done = tarnlight_here(
        enrolled, "load", str(file), *where, "--zone", "UTC", "--column", "When=at", "--column",
        "How much=flow_l_min:l/min", "--save-profile", "hill-logger")
    assert done.returncode == 0, done.stderr
    assert "profile hill-logger: saved\n" in done.stdout
    assert "2 rows read, 2 kept" in done.stdout
    file.write_text(log("When;How much", ";3,5", ";4,5", ";5,5"))
    done = tarnlight_here(enrolled, "load", str(file), *where, "--profile", "hill-logger")
    assert "3 rows read, 1 kept, 2 already there" in done.stdout, done.stderr
    done = tarnlight_here(enrolled, "load", str(other), *where, "--profile", "hill-logger")
    assert done.returncode == 2
    assert "no column 'How much', which was told; its columns are: When, Flow" in done.stderr
    done = tarnlight_here(enrolled, "load", str(file), *where, "--profile", "valley-logger")
    assert "no profile 'valley-logger' was saved; saved are: hill-logger" in done.stderr
    done = tarnlight_here(
        enrolled, "load", str(file), "--look", *where, "--profile", "hill-logger", "--zone", "America/Toronto",
        "--save-profile", "hill-logger")
    assert "in the place of an earlier one" in done.stdout
    store = collector.client() if running else Store(enrolled)
    assert count(store, "load_profile") == 2  # the earlier word stays to be read
    assert count(store, "reading") == 3
    store.close()
    file.write_text(log("When;How much", ";7,5"))
    done = tarnlight_here(enrolled, "load", str(file), *where, "--profile", "hill-logger")
    store = collector.client() if running else Store(enrolled)
    assert store.ask("SELECT flow_l_min FROM reading WHERE \"at\" = TIMESTAMPTZ '2025-11-05 12:00:00+00'")[
        "flow_l_min"].tolist() == [7.5]  # by the later word, in Toronto's winter
    store.close()


def test_a_file_of_which_every_row_was_refused_ends_with_2_and_holds_up_no_other(enrolled):
    bad, good = enrolled.parent / "bad.csv", enrolled.parent / "good.csv"
    at = datetime.now(UTC) - timedelta(days=1)
    bad.write_text("at,flow_l_min\n" + "2026-11-25T07:00:00Z,-5\n" * 3)
    good.write_text(f"at,flow_l_min\n{at.isoformat()},5\n")
    done = tarnlight_here(enrolled, "load", str(bad), str(good), "--cabin", "heron-point", "--unit", "main")
    assert done.returncode == 2
    assert "bad.csv: every row was refused" in done.stderr
    assert "1 rows read, 1 kept" in done.stdout
    store = Store(enrolled)
    assert count(store, "reading") == 1
    assert count(store, "quarantine") == 3
    store.close()


def test_while_something_must_be_told_of_one_file_none_of_the_others_is_taken(enrolled):
    good, asks = enrolled.parent / "good.csv", enrolled.parent / "asks.csv"
    good.write_text("at,flow_l_min\n2025-11-05T07:00:00Z,5\n")
    asks.write_text(log("Timestamp,Flow", ",5"))
    done = tarnlight_here(enrolled, "load", str(good), str(asks), "--cabin", "heron-point", "--unit", "main")
    assert done.returncode == 2
    assert "the unit of 'Flow'" in done.stderr
    store = Store(enrolled)
    assert count(store, "reading") == 0
    store.close()


def test_a_map_is_held_against_the_units_in_the_headers_and_says_the_columns_own_without_one(enrolled):
    file, named = enrolled.parent / "log.csv", enrolled.parent / "map.toml"
    words = ("load", str(file), "--columns", str(named), "--cabin", "heron-point", "--unit", "main")
    named.write_text('"Flow (gpm)" = "flow_l_min"\n"at" = "at"\n')
    file.write_text("at,Flow (gpm)\n2025-11-05T07:00:00Z,5\n")
    done = tarnlight_here(enrolled, *words)
    assert done.returncode == 2
    assert "'Flow (gpm)' has 'gpm' in its name and was told to be in 'l/min': one of them is wrong" in done.stderr
    named.write_text('"Flow" = "flow_l_min"\n"at" = "at"\n')
    for delimiter, minute in ((",", 1), (";", 2)):
        file.write_text(f"at{delimiter}Flow\n2025-11-05T07:0{minute}:00Z{delimiter}5\n")
        assert tarnlight_here(enrolled, *words).returncode == 0
    store = Store(enrolled)
    assert store.ask("SELECT flow_l_min FROM reading")["flow_l_min"].tolist() == [5.0, 5.0]
    store.close()


def test_what_is_told_of_a_csv_file_is_refused_for_packs_and_a_profile_is_of_one_file(enrolled):
    packs, log_file = enrolled.parent / "log.jsonl", enrolled.parent / "log.csv"
    packs.write_text("")
    log_file.write_text(log("Timestamp,Flow (gpm)", ",5"))
    for words in (("--look",), ("--delimiter", "tab"), ("--profile", "hill-logger"), ("--word", "alarm=off")):
        done = tarnlight_here(enrolled, "load", str(packs), *words)
        assert done.returncode == 2
        assert "are for .csv, .txt, .tsv" in done.stderr
    done = tarnlight_here(enrolled, "load", str(log_file), str(log_file), "--save-profile", "hill-logger")
    assert "give one file" in done.stderr
    done = tarnlight_here(enrolled, "load", str(log_file), "--save-profile", "Hill Logger")
    assert "a profile's name must be like hill-logger" in done.stderr
