"""`tarnlight load` from file to store, with a collector running and without."""

from __future__ import annotations

import json
import re
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from ingest.store import Store
from ingest.wire.senml_lines import read_senml_lines
from tests.conftest import Running, count, tarnlight, tarnlight_here

UNITS = (("heron-point", "main"), ("otter-cove", "main"), ("otter-cove", "annex"))


def sensor_log(path: Path, rows: int) -> None:
    """A CSV log of `rows` rows, a reading a minute of three units, up to now."""
    rng = np.random.default_rng(1)
    now = pd.Timestamp.now("UTC").floor("min")
    parts = []
    for number, (cabin, unit) in enumerate(UNITS):
        n = rows // 3 + (number < rows % 3)
        flow = np.where(rng.random(n) < 0.1, rng.uniform(1, 15, n), 0).round(3)
        at = pd.date_range(end=now, periods=n, freq="60s")
        parts.append(
            pd.DataFrame(
                {
                    "at": at.strftime("%Y-%m-%dT%H:%M:%SZ"),
                    "cabin": cabin,
                    "unit": unit,
                    "intensity_w_m2": rng.normal(60, 1, n).round(2),
                    "flow_l_min": flow,
                    "total_l": flow.cumsum().round(2),
                    "lamp_on": 1,
                    "power_on": 1,
                    "water_temp_c": 8.0,
                }
            )
        )
    pd.concat(parts).to_csv(path, index=False)


def summary(text: str) -> tuple[int, ...]:
    found = re.search(r"(\d+) rows read, (\d+) kept, (\d+) already there, (\d+) refused", text)
    assert found, text
    return tuple(int(number) for number in found.groups())


def load_twice(store: Path, rows: int) -> tuple[float, float]:
    """Load a log of that many rows two times; how long each took. [s]"""
    log = store.parent / "log.csv"
    sensor_log(log, rows)
    took = []
    for told in ((rows, rows, 0, 0), (rows, 0, rows, 0)):
        begun = time.monotonic()
        done = tarnlight(store, "load", str(log), within_s=300)
        took.append(time.monotonic() - begun)
        assert done.returncode == 0, done.stderr
        assert summary(done.stdout) == told
    return took[0], took[1]


def test_fifty_thousand_rows_are_kept_once_and_worked_out(enrolled):
    load_twice(enrolled, 50_000)
    store = Store(enrolled)
    assert count(store, "reading") == 50_000
    assert count(store, "pending") == 0
    assert count(store, "present") == 3
    span = store.ask("SELECT sum(seconds) AS s, count(DISTINCT cabin || unit) AS units FROM segment").iloc[0]
    assert span["s"] == pytest.approx((50_000 - 3) * 60)
    store.close()
    assert list(enrolled.with_name(enrolled.name + ".spool").iterdir()) == []


@pytest.mark.parametrize("running", [False, True], ids=["alone", "beside a collector"])
def test_refused_lines_are_told_with_their_numbers_and_lie_in_quarantine(running, enrolled, request):
    if running:
        collector: Running = request.getfixturevalue("collector")
    at = datetime.now(UTC).replace(microsecond=0) - timedelta(days=1)
    lines = ["at,cabin,unit,intensity_w_m2,flow_l_min"]
    lines += [f"{(at + timedelta(minutes=n)).isoformat()},heron-point,main,60.0,5" for n in range(40)]
    lines[5] = lines[5].replace("60.0", "bright")
    lines[10] = lines[10].replace("+00:00", "")
    lines[15] = lines[15].replace("heron-point", "no-such")
    lines[20] = lines[20] + ",7"
    lines[25] = lines[25].replace("60.0", "-60")
    log = enrolled.parent / "it's a log.csv"
    log.write_text("\n".join(lines))
    done = tarnlight_here(enrolled, "load", str(log))
    assert done.returncode == 0, done.stderr
    assert summary(done.stdout) == (40, 37, 0, 5)  # a bad cell is refused, the rest of its row kept
    told = dict(re.findall(r"line (\d+): (.*)", done.stdout))
    assert set(told) == {"6", "11", "16", "21", "26"}
    assert "intensity_w_m2 = 'bright': must be a finite number" in told["6"]
    assert "must be ISO 8601 with Z or an offset" in told["11"]
    assert "unit 'main' of cabin 'no-such' is not enrolled" in told["16"]
    assert "6 cells where the header has 5" in told["21"]
    assert "intensity_w_m2 = -60.0 is out of range" in told["26"]
    store = collector.client() if running else Store(enrolled)
    kept = store.ask("SELECT source, payload::VARCHAR AS payload FROM quarantine ORDER BY source")
    assert kept["source"].tolist() == sorted(f"it's a log.csv:{line}" for line in told)
    assert any("no-such" in payload for payload in kept["payload"])
    assert count(store, "reading") == 37
    store.close()


def test_many_refused_lines_are_counted_and_only_the_first_shown(enrolled):
    log = enrolled.parent / "log.csv"
    log.write_text("at,cabin,unit,flow_l_min\n" + "2026-11-25T07:00:00,heron-point,main,5\n" * 20_000)
    done = tarnlight_here(enrolled, "load", str(log))
    assert done.returncode == 2  # every row was refused
    assert "every row was refused" in done.stderr
    assert summary(done.stdout) == (20_000, 0, 0, 20_000)
    assert "... and 19990 more; all lie in quarantine" in done.stdout
    store = Store(enrolled)
    assert count(store, "quarantine") == 20_000
    store.close()


def test_a_load_beside_a_running_collector_goes_through_it(collector: Running):
    load_twice(collector.settings.store, 5_000)
    store = collector.client()
    assert count(store, "reading") == 5_000
    assert count(store, "pending") == 0


def test_several_files_are_loaded_and_one_that_is_missing_stops_before_the_first(enrolled):
    for name in ("a", "b"):
        (enrolled.parent / f"{name}.csv").write_text(
            f"at,flow_l_min\n2026-01-0{1 + 'ab'.index(name)}T07:00:00Z,5\n"
        )
    words = ("--cabin", "heron-point", "--unit", "main")
    files = [str(enrolled.parent / f"{name}.csv") for name in ("a", "b", "c")]
    assert tarnlight_here(enrolled, "load", *files, *words).returncode == 2
    store = Store(enrolled)
    assert count(store, "reading") == 0
    store.close()
    done = tarnlight_here(enrolled, "load", *files[:2], *words)
    assert [summary(line) for line in done.stdout.splitlines()] == [(1, 1, 0, 0)] * 2


def test_a_file_of_another_kind_is_refused(enrolled):
    (enrolled.parent / "log.xlsx").write_bytes(b"PK")
    done = tarnlight_here(enrolled, "load", str(enrolled.parent / "log.xlsx"))
    assert done.returncode == 2
    assert "the name must end in one of .csv, .txt, .tsv, .jsonl, .ndjson, .senml" in done.stderr


def test_senml_lines_are_loaded_and_refused_lines_told(enrolled):
    log = enrolled.parent / "log.jsonl"
    lines = [
        json.dumps(
            [{"bn": "heron-point/main/", "bt": 1.76e9 + n, "n": "intensity", "v": 60}, {"n": "flow", "v": 1e-4}]
        )
        for n in range(5)
    ]
    lines += [
        "no json",
        "",
        '[{"bn":"heron-point/main/","bt":1.76e9,"n":"uvt","v":7}]',
        '[{"bn":"no-such/main/","bt":1.76e9,"n":"uvt","v":0.8}]',
        '[{"bt":1.76e9,"n":"flow","v":1}]',
    ]
    log.write_text("\ufeff" + "\n".join(lines))
    done = tarnlight_here(enrolled, "load", str(log))
    assert done.returncode == 0, done.stderr
    told = dict(re.findall(r"line (\d+): (.*)", done.stdout))
    assert set(told) == {"6", "8", "9", "10"}
    assert "not JSON" in told["6"]
    assert "uvt_pct = 700.0 is out of range" in told["8"]
    assert "is not enrolled" in told["9"]
    assert "must be <cabin>/<unit>/<quantity>" in told["10"]
    store = Store(enrolled)
    assert count(store, "reading") == 5
    store.close()


def test_senml_lines_give_the_same_however_they_are_cut(tmp_path):
    log = tmp_path / "log.jsonl"
    log.write_text(
        "\n".join(
            json.dumps([{"bn": "heron-point/main/", "bt": 1.76e9 + n, "n": "flow", "v": 1e-4 if n % 3 else -1}])
            for n in range(50)
        )
    )
    now = datetime(2026, 1, 1, tzinfo=UTC)
    found = [list(read_senml_lines(log, now=now, chunk_rows=rows)) for rows in (1, 7, 1000)]
    lines = [[line for chunk in chunks for line in chunk.refused["line"]] for chunks in found]
    assert lines[0] == lines[1] == lines[2] == list(range(1, 51, 3))
    for chunks in found:
        assert pd.concat([chunk.rows for chunk in chunks]).index.tolist() == [n for n in range(1, 51) if n % 3 != 1]
