"""A shut-off valve from enrolment to what people are told, and that it makes nothing milder."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pandas as pd
import pytest

from ingest import private_files
from ingest.evaluation.evaluate import evaluate
from ingest.outlook.lamps import lamp_outlook
from ingest.outlook.visit_tasks import stops_of
from ingest.queries import status
from ingest.registry.edits import enroll
from ingest.registry.tables import load_fleet, read_fleet, write_fleet
from ingest.settings import BadInput
from ingest.store import Store
from tests.conftest import FLEET_TOML, tarnlight_here, utc
from tests.ingest.evaluation.test_any_log import KEY, OVERDUE, random_log, valid
from tests.ingest.ingest_streams import commit, minutes, steady
from tests.work_mentions import bare

VALVED = FLEET_TOML.replace("drawdown_l = 25.0", 'drawdown_l = 25.0\nshutoff = "normally-closed"', 1)
RANK = {"clear": 0, "watch": 1, "silent": 2, "boil": 3}
SAID = "At least 12 L passed while the lamp was dark, though the shut-off valve should have been closed."


def log(start: pd.Timestamp) -> pd.DataFrame:
    """Half an hour with a cut of ten minutes, in which 2 L/min are read seven times: 12 L for certain between them.

    The supply of these units gives 19 L/min, 4.75 L of which can pass while a valve closes in 15 s.
    """
    rows = steady(start.to_pydatetime(), 31, flow_l_min=0.0)
    dark = (rows["at"] >= start + pd.Timedelta(minutes=10)) & (rows["at"] < start + pd.Timedelta(minutes=20))
    rows.loc[dark, ["lamp_on", "power_on"]] = False
    rows.loc[dark, "intensity_w_m2"] = 0.0
    drawn = (rows["at"] >= start + pd.Timedelta(minutes=11)) & (rows["at"] < start + pd.Timedelta(minutes=18))
    rows.loc[drawn, "flow_l_min"] = 2.0
    return rows


def run(path: Path, *words: str) -> str:
    found = tarnlight_here(path, *words)
    assert found.returncode == 0, found.stderr
    return found.stdout


def test_from_enrolment_to_status_and_until_somebody_looked_at_it(store_path, tmp_path):
    private_files.make_folder(store_path.parent)
    (tmp_path / "fleet.toml").write_text(VALVED)
    run(store_path, "enroll", str(tmp_path / "fleet.toml"))
    assert 'shutoff = "normally-closed"' in run(store_path, "enroll", "--export")
    log(pd.Timestamp.now("UTC").floor("min") - pd.Timedelta(minutes=30)).to_csv(tmp_path / "log.csv", index=False)
    run(store_path, "load", str(tmp_path / "log.csv"))
    (found,) = json.loads(run(store_path, "status", "--cabin", "heron-point", "--json"))
    assert SAID in found["reasons"] and found["verdict"] == "boil"  # the water itself counts as without a valve
    assert bare(" ".join([*found["reasons"], found["next_action"], *found["cautions"]])) == []
    (dark,) = [one for one in json.loads(run(
        store_path, "outages", "--cabin", "heron-point", "--json")) if one["kind"] == "dark"]
    assert "shut-off valve should be closed" in dark["rests_on"] and dark["underdosed_l"] == 12.0
    store = Store(store_path)
    now = store.now()
    (stop,) = [one for one in stops_of(lamp_outlook(store, now), now.date()) if one.cabin == "heron-point"]
    assert "look at the valve" in stop.tasks
    store.close()
    told = run(store_path, "service", "record", "valve-checked", "--cabin", "heron-point", "--unit", "main", "--at",
               now.isoformat(), "--who", "Ann Lund")
    assert "dosed again" in told  # what still holds after the work
    (after,) = json.loads(run(store_path, "status", "--cabin", "heron-point", "--json"))
    assert SAID not in after["reasons"] and after["verdict"] == "boil"


def test_readings_of_before_the_valve_was_enrolled_accuse_nobody_unless_it_is_said_to_have_been_there(held):
    start = pd.Timestamp("2026-06-15T10:00", tz="UTC")
    now = start.to_pydatetime() + minutes(30.5)
    enroll(held.con, {"text": VALVED}, start.to_pydatetime() + timedelta(days=1), held.path)
    commit(held, log(start), now)
    evaluate(held.con, now)
    assert SAID not in status(held, now, cabin="heron-point")[0].verdict.reasons
    enroll(held.con, {"text": VALVED, "since": "2026-06-01T00:00:00Z"}, start.to_pydatetime() + timedelta(days=2),
           held.path)
    evaluate(held.con, now)
    assert SAID in status(held, now, cabin="heron-point")[0].verdict.reasons
    # and one that is taken out is accused no longer
    enroll(held.con, {"text": FLEET_TOML}, start.to_pydatetime() + timedelta(days=3), held.path)
    assert SAID not in status(held, now, cabin="heron-point")[0].verdict.reasons


def test_the_file_is_written_back_as_it_was_read_and_another_word_is_refused_with_its_line():
    fleet = read_fleet(VALVED)
    assert read_fleet(write_fleet(fleet)) == fleet and fleet.unit(*KEY).shutoff == "normally-closed"
    wrong = VALVED.replace("normally-closed", "open")
    line = wrong.splitlines().index('shutoff = "open"') + 1
    with pytest.raises(BadInput, match=rf"fleet.toml:{line}: .*shutoff must be normally-closed.*'open'"):
        read_fleet(wrong)


@pytest.mark.parametrize("seed", [0, *(pytest.param(one, marks=pytest.mark.slow) for one in range(3, 24))])
def test_enrolling_a_valve_makes_no_verdict_milder(tmp_path, seed):
    logged = random_log(seed)
    now = logged.rows["at"].max().to_pydatetime() + minutes(0.5)
    stores = []
    for name, text in (("plain", FLEET_TOML), ("valved", VALVED)):
        store = Store(tmp_path / f"{name}.duckdb")
        enroll(store.con, {"text": text}, utc("2026-01-01T00:00:00"), store.path)
        commit(store, valid(logged.rows, now), now)
        evaluate(store.con, now)
        stores.append(store)
    kept = [store.ask("SELECT * EXCLUDE (rests_on) FROM segment ORDER BY cabin, unit, start") for store in stores]
    pd.testing.assert_frame_equal(*kept, check_exact=True)
    moments = [now, now + OVERDUE, *(now - minutes(one) for one in range(15, 240, 45))]
    for moment in moments:
        plain, valved = (
            status(store, moment, cabin=KEY[0], as_of=moment < now)[0].verdict for store in stores)
        assert RANK[valved.verdict] >= RANK[plain.verdict]
        assert set(plain.reasons) - {one for one in plain.reasons if one.startswith("Heard, lamp lit")} <= set(
            valved.reasons)
    assert load_fleet(stores[1]).unit(*KEY).shutoff
    for store in stores:
        store.close()
