"""CSV sensor logs: what is taken, what is refused, and on which line."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest

from ingest.settings import BadInput
from ingest.wire.csv_log import Chunk, column_map, read_csv, zone

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
HEAD = "at,cabin,unit,intensity_w_m2,flow_l_min,lamp_on\n"


def read(tmp_path: Path, text: str | bytes, **options: object) -> list[Chunk]:
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return list(read_csv(path, now=NOW, **options))  # type: ignore[arg-type]


def one(tmp_path: Path, text: str | bytes, **options: object) -> Chunk:
    found = read(tmp_path, text, **options)
    assert len(found) == 1
    return found[0]


def told(chunk: Chunk) -> list[tuple[int, str]]:
    return list(zip(chunk.refused["line"], chunk.refused["reason"], strict=True))


def test_offsets_and_z_give_the_same_instants_and_an_empty_cell_is_no_value(tmp_path):
    chunk = one(
        tmp_path,
        HEAD
        + (
            "2026-11-25T07:00:00Z,heron-point,main,41.0,,true\n"
            "2026-11-25T02:01:00-05:00,heron-point,main,,0,\n"
            "2026-11-25 02:02:00-0500,heron-point,main,40.5,3.25,off\n"
            "20261125T020300-05,heron-point,main,40.5,3.25,No\n"
        ),
    )
    assert list(chunk.rows["at"]) == [pd.Timestamp(f"2026-11-25T07:0{n}:00Z") for n in range(4)]
    assert chunk.rows["intensity_w_m2"].isna().tolist() == [False, True, False, False]
    assert chunk.rows["flow_l_min"].isna().tolist() == [True, False, False, False]
    assert chunk.rows["flow_l_min"].tolist()[1:] == [0.0, 3.25, 3.25]  # 0 is a value
    assert chunk.rows["lamp_on"].tolist() == [True, pd.NA, False, False]
    assert told(chunk) == []
    assert chunk.read == 4


@pytest.mark.parametrize(
    "at",
    [
        "2026-11-25T07:00:00",
        "2026-11-25",
        "now",
        "today",
        "2026",
        "1764054000",
        "",
        "25.11.2026 07:00Z",
        "2026-13-01T00:00:00Z",
        "2026-02-30T00:00:00Z",
        "2026-11-25T24:30:00Z",
        "NaT",
        "Z",
    ],
)
def test_a_time_without_offset_or_that_is_no_time_is_refused_with_its_line(tmp_path, at):
    chunk = one(tmp_path, HEAD + f"2026-11-25T07:00:00Z,heron-point,main,41,,\n{at},heron-point,main,41,,\n")
    assert len(chunk.rows) == 1
    ((line, reason),) = told(chunk)
    assert line == 3
    assert reason.startswith(f"at = {at!r}: must be ISO 8601 with Z or an offset")


def test_a_zone_stands_in_for_the_offset_and_never_overrides_one(tmp_path):
    chunk = one(
        tmp_path,
        HEAD
        + (
            "2026-07-01T08:00:00,heron-point,main,41,,\n2026-11-25T02:00:00,heron-point,main,41,,\n"
            "2026-11-25T07:05:00Z,heron-point,main,41,,\n2026-11-25T02:06:00-05,heron-point,main,41,,\n"
        ),
        tz=zone("America/Toronto"),
    )
    # Eastern time: UTC-4 in summer, UTC-5 in winter (common knowledge of the IANA database)
    assert list(chunk.rows["at"]) == [
        pd.Timestamp(text)
        for text in ("2026-07-01T12:00:00Z", "2026-11-25T07:00:00Z", "2026-11-25T07:05:00Z", "2026-11-25T07:06:00Z")
    ]


@pytest.mark.parametrize("junk", ["now", "today", "2026", "2026-11-25"])
def test_a_zone_does_not_make_a_time_of_what_is_none(tmp_path, junk):
    chunk = one(tmp_path, HEAD + f"{junk},heron-point,main,41,,\n", tz=zone("UTC"))
    assert chunk.rows.empty
    assert [line for line, _ in told(chunk)] == [2]


def test_the_hour_that_a_clock_change_repeats_or_skips_is_refused_and_an_offset_saves_it(tmp_path):
    # Ontario 2026: clocks go back on 1 November at 2:00, forward on 8 March at 2:00.
    chunk = one(
        tmp_path,
        HEAD
        + (
            "2026-11-01T00:59:00,heron-point,main,41,,\n"
            "2026-11-01T01:30:00,heron-point,main,42,,\n"
            "2026-11-01T02:00:00,heron-point,main,43,,\n"
            "2026-03-08T02:30:00,heron-point,main,44,,\n"
            "2026-11-01T01:30:00-05:00,heron-point,main,45,,\n"
        ),
        tz=zone("America/Toronto"),
    )
    assert chunk.rows["intensity_w_m2"].tolist() == [41, 43, 45]
    assert [line for line, _ in told(chunk)] == [3, 5]
    assert "outside a clock change's hour" in told(chunk)[0][1]


def test_a_zone_that_is_none_is_refused():
    with pytest.raises(BadInput, match="--tz must be an IANA name like America/Toronto; got 'Ontario'"):
        zone("Ontario")


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        ("abc", "intensity_w_m2 = 'abc': must be a finite number"),
        ("nan", "must be a finite number"),
        ("inf", "must be a finite number"),
        ("1e999", "must be a finite number"),
        ('"12,5"', "must be a finite number"),
        ("0x10", "must be a finite number"),
        ("-1", "intensity_w_m2 = -1.0 is out of range: it must be at least 0"),
        ("9999", "is out of range: it must be at most 5,000"),
    ],
)
def test_a_bad_cell_is_refused_alone_and_the_rest_of_its_row_kept(tmp_path, cell, reason):
    chunk = one(tmp_path, HEAD + f"2026-11-25T07:00:00Z,heron-point,main,{cell},5,maybe\n")
    assert chunk.rows["flow_l_min"].tolist() == [5.0]
    assert chunk.rows["intensity_w_m2"].isna().all()
    reasons = [reason for _, reason in told(chunk)]
    assert len(reasons) == 2
    assert any(reason in one for one in reasons)
    assert any("lamp_on = 'maybe': must be one of 1, true, on, yes" in one for one in reasons)


def test_a_decimal_comma_is_refused_and_never_shifts_the_columns(tmp_path):
    # unquoted, "41,5" and "3,2" make seven cells: without a count, 5 would be taken as the flow
    chunk = one(
        tmp_path,
        HEAD + ("2026-11-25T07:00:00Z,heron-point,main,41,5,3,2\n2026-11-25T07:01:00Z,heron-point,main,41,3,1\n"),
    )
    assert chunk.rows["intensity_w_m2"].tolist() == [41.0]
    assert told(chunk) == [(2, "7 cells where the header has 6")]
    assert chunk.refused["payload"].tolist() == ["2026-11-25T07:00:00Z,heron-point,main,41,5,3,2"]


def test_a_torn_last_line_is_refused(tmp_path):
    chunk = one(tmp_path, HEAD + "2026-11-25T07:00:00Z,heron-point,main,41,3,1\n2026-11-25T07:01:00Z,heron-poi")
    assert len(chunk.rows) == 1
    assert told(chunk) == [(3, "2 cells where the header has 6")]


def test_a_last_line_without_its_end_is_taken(tmp_path):
    assert len(one(tmp_path, HEAD + "2026-11-25T07:00:00Z,heron-point,main,41,3,1").rows) == 1


def test_quoted_cells_byte_order_mark_and_windows_line_ends_are_taken(tmp_path):
    text = (
        '"at","cabin","unit","intensity_w_m2","note"\r\n"2026-11-25T07:00:00Z","heron-point","main","41","a, b"\r\n'
    )
    path = tmp_path / "map.toml"
    path.write_text('[columns]\nat = "at"\n')
    chunk = one(tmp_path, b"\xef\xbb\xbf" + text.encode(), mapping=column_map(path))
    assert chunk.rows["intensity_w_m2"].tolist() == [41.0]
    assert told(chunk) == []


def test_one_quote_too_many_spoils_its_line_and_no_other(tmp_path):
    lines = [f"2026-11-25T07:0{n}:00Z,heron-point,main,4{n},3,1\n" for n in range(5)]
    lines[1] = lines[1].replace("heron-point", '"heron-point')
    lines[3] = lines[3].replace("heron-point,main", 'heron"-point,"main')
    chunk = one(tmp_path, HEAD + "".join(lines))
    assert chunk.rows["intensity_w_m2"].tolist() == [40, 42, 44]
    assert [line for line, _ in told(chunk)] == [3, 5]
    assert all("quotes cannot be read" in reason for _, reason in told(chunk))


def test_empty_lines_are_passed_over_and_lines_are_still_counted_right(tmp_path):
    chunk = one(
        tmp_path, HEAD + "\n \r\n2026-11-25T07:00:00Z,heron-point,main,41,3,1\n\nbad,heron-point,main,1,,\n\n"
    )
    assert chunk.read == 2
    assert chunk.rows.index.tolist() == [4]
    assert [line for line, _ in told(chunk)] == [6]


def test_bytes_that_are_no_text_spoil_their_line_alone(tmp_path):
    good = b"2026-11-25T07:00:00Z,heron-point,main,41,3,1\n"
    chunk = one(
        tmp_path,
        HEAD.encode()
        + good
        + b"\xff\xfe,heron-point,main,\x00,3,1\n"
        + b"x\r"
        + good
        + good.replace(b"07:00", b"07:09"),
    )
    assert chunk.rows["at"].dt.minute.tolist() == [0, 9]
    assert [line for line, _ in told(chunk)] == [3, 4]


@pytest.mark.parametrize("block_bytes", [1, 300, 1000, 10_000_000])
def test_however_the_file_is_cut_the_rows_and_the_lines_told_are_the_same(tmp_path, block_bytes):
    body = "".join(
        f"2026-11-24T{n // 60:02}:{n % 60:02}:00Z,heron-point,main,{'x' if n % 50 == 7 else 41},3,1\n"
        for n in range(120)
    )
    chunks = read(tmp_path, HEAD + body, block_bytes=block_bytes)
    rows = pd.concat([chunk.rows for chunk in chunks])
    assert len(rows) == 120
    assert [line for chunk in chunks for line, _ in told(chunk)] == [n + 2 for n in range(120) if n % 50 == 7]
    assert sum(chunk.read for chunk in chunks) == 120
    assert chunks[-1].bytes_done == len(HEAD + body)


def test_a_row_without_any_value_and_one_from_the_future_are_refused_once_each(tmp_path):
    chunk = one(
        tmp_path,
        HEAD
        + (
            "2026-11-25T07:00:00Z,heron-point,main,,,\n2026-11-25T12:06:00Z,heron-point,main,41,,\n"
            "2026-11-25T12:04:00Z,heron-point,main,41,,\n1970-01-01T00:00:00Z,heron-point,main,41,,\n"
            "2026-11-25T07:00:00Z,,main,41,,\n2026-11-25T07:00:00Z,Heron Point,main,41,,\n"
        ),
    )
    assert chunk.rows["at"].tolist() == [pd.Timestamp("2026-11-25T12:04:00Z")]
    lines = dict(told(chunk))
    assert len(told(chunk)) == len(lines) == 5
    assert lines[2] == "no quantity has a value"
    assert "the logger's clock is wrong" in lines[3]
    assert lines[5].startswith("at = 1970-01-01")
    assert lines[6] == "cabin = '': must not be empty"
    assert lines[7].startswith("cabin = Heron Point is out of range")


@pytest.mark.parametrize(
    ("head", "match"),
    [
        ("", "no header"),
        ("\n", "no header"),
        ("at,cabin,unit,intensity\n", "line 1: unknown column 'intensity'; allowed: at,"),
        ("at;cabin;unit;flow_l_min\n", "unknown column"),
        ("cabin,unit,flow_l_min\n", "no column 'at'"),
        ("at,unit,flow_l_min\n", "no column 'cabin' and no --cabin"),
        ("at,cabin,unit,flow_l_min,flow_l_min\n", "two headers fill flow_l_min"),
        ("at,cabin,unit\n", "no column holds a quantity"),
        (b"\xff\xfea\x00t\x00", "no CSV header in UTF-8"),
    ],
)
def test_a_header_that_cannot_be_used_is_refused_with_what_is_allowed(tmp_path, head, match):
    with pytest.raises(BadInput, match=match):
        read(tmp_path, head)


def test_a_map_takes_other_headers_and_units(tmp_path):
    path = tmp_path / "map.toml"
    path.write_text("""
        [columns]
        "Time" = "at"
        "UV" = { column = "intensity_w_m2", unit = "mW/cm2" }
        "Flow" = { column = "flow_l_min", unit = "gal/min" }
        "Temp" = { column = "water_temp_c", unit = "degF" }
        "T10" = { column = "uvt_pct", unit = "/" }
        "Run" = { column = "lamp_hours", unit = "s" }
    """)
    chunk = one(
        tmp_path,
        "Time,UV,Flow,Temp,T10,Run,Comment\n2026-11-25T07:00:00Z,4.1,5,50,0.85,7200,hi\n",
        mapping=column_map(path),
        cabin="heron-point",
        unit="main",
    )
    row = chunk.rows.iloc[0]
    # 1 mW/cm2 = 10 W/m2; US gallon 3.785411784 l (NIST SP 811, app. B, from memory); 50 F = 10 C
    assert row["intensity_w_m2"] == pytest.approx(41.0)
    assert row["flow_l_min"] == pytest.approx(5 * 3.785411784, abs=5e-4)
    assert row["water_temp_c"] == pytest.approx(10.0, abs=1e-9)
    assert row["uvt_pct"] == 85.0
    assert row["lamp_hours"] == 2.0


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ('"UV" = "intensity"', "'UV' must name one of at, cabin"),
        ('"UV" = 5', "must name one of"),
        ('"UV" = { column = "intensity_w_m2", unit = "lux" }', "cannot be in 'lux'; allowed: W/m2, mW/cm2, uW/cm2"),
        ('"UV" = { column = "lamp_on", unit = "W" }', "allowed: no unit"),
        ("UV = ", "map.toml"),
    ],
)
def test_a_map_that_cannot_be_used_says_what_is_allowed(tmp_path, text, match):
    path = tmp_path / "map.toml"
    path.write_text(text)
    with pytest.raises(BadInput, match=match):
        column_map(path)


def test_a_map_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(BadInput, match="no such file"):
        column_map(tmp_path / "none.toml")
