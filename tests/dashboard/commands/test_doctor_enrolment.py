"""`doctor` names what is not enrolled, what that costs, and what can pass between two readings unseen."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ingest.store import Store
from tests.conftest import FLEET_TOML, Running, tarnlight_here

STATED = 'total = "meter"\nsends_every_s = 600\nlamp_hours_step_h = 0.01\ndrawdown_l = 25.0'


def notes(path: Path) -> dict[str, dict]:
    """What is not enrolled, by what was looked at."""
    return {one["check"]: one for one in about_units(path) if one["check"].startswith("not enrolled")}


def unseen(path: Path) -> list[dict]:
    """What can be dark between two readings; one finding for each time and what would close it."""
    return [one for one in about_units(path) if one["check"].startswith("up to")]


def about_units(path: Path) -> list[dict]:
    return [one for one in json.loads(tarnlight_here(path, "doctor", "--json").stdout) if one["units"]]


def sends(store: Store, cabin: str, unit: str, **values: float) -> None:
    """Readings of the last hour."""
    columns = "".join(f", {value} AS {name}" for name, value in values.items())
    store.con.execute(f"""INSERT INTO reading BY NAME SELECT '{cabin}' AS cabin, '{unit}' AS unit,
        now() - n * INTERVAL 1 MINUTE AS "at", TRUE AS lamp_on{columns} FROM range(60) AS t(n)""")  # noqa: S608


def enroll(store: Store, text: str) -> None:
    store.act("enroll", {"text": text})
    store.close()


def test_a_shut_off_valve_whose_leak_nobody_would_see_is_named(held):
    enroll(held, FLEET_TOML.replace("drawdown_l = 25.0", 'drawdown_l = 25.0\nshutoff = "normally-closed"'))
    store = Store(held.path)
    sends(store, "heron-point", "main", flow_l_min=0.0)
    sends(store, "otter-cove", "main")
    store.close()
    (found,) = [one for one in about_units(held.path) if one["check"] == "shut-off valve"]
    assert found["ok"] and found["units"] == ["otter-cove/main"]
    assert "neither a total nor a flow is sent" in found["found"]


def test_each_kind_that_is_not_stated_has_one_line_with_its_units_and_its_cost(held):
    text = FLEET_TOML.replace("drawdown_l = 25.0", STATED, 1)  # heron-point has all of it
    for line in ("cold_plumbing_l = 18.0\n", "hot_tank_l = 150.0\n"):
        text = text[::-1].replace(line[::-1], "", 1)[::-1]  # of the last unit, otter-cove/annex
    enroll(held, text.replace("drawdown_l = 25.0\n", "", 3).replace("lamp_hours_step_h = 0.01\n", (
        "lamp_hours_step_h = 0.01\ndrawdown_l = 25.0\n"), 1))
    found = notes(held.path)
    others = ["otter-cove/annex", "otter-cove/main"]
    for name, units in (
        ("cold_plumbing_l", others[:1]), ("hot_tank_l", others[:1]), ("total", others), ("drawdown_l", others),
        ("lamp_hours_step_h", others), ("sends_every_s", others),
    ):
        one = found[f"not enrolled: {name}"]
        assert one["units"] == units
        assert one["ok"]  # a note, not a fault
        assert one["found"].startswith(", ".join(units) + "; ")
    assert "asks for the volume first" in found["not enrolled: cold_plumbing_l"]["found"]
    assert "the logger was off" in found["not enrolled: total"]["found"]
    # nobody said how hot the tanks get or what draining leaves; where no tank is known, its heel says nothing
    assert found["not enrolled: hot_max_c"]["units"] == ["heron-point/main", *others]
    assert "heating cannot be offered" in found["not enrolled: hot_max_c"]["found"]
    assert found["not enrolled: hot_tank_heel_l"]["units"] == ["heron-point/main", "otter-cove/main"]
    told = tarnlight_here(held.path, "doctor").stdout
    assert "\nnote  not enrolled: total: otter-cove/annex, otter-cove/main; " in told


def test_a_unit_without_a_total_or_a_counter_has_nothing_to_state_of_them(held):
    sends(held, "otter-cove", "annex", flow_l_min=1.0)
    sends(held, "otter-cove", "main", total_l=5.0)
    held.close()
    found = notes(held.path)
    assert found["not enrolled: total"]["units"] == ["heron-point/main", "otter-cove/main"]
    assert found["not enrolled: lamp_hours_step_h"]["units"] == ["heron-point/main"]


@pytest.mark.parametrize(("cadence_s", "policy", "span"), [
    (60, "", "up to 90 s"), (200, "", "up to 300 s"), (900, "", "up to 300 s"),
    (900, "[judging]\ntwo_ends_s = 120", "up to 120 s")])
def test_what_can_be_dark_between_two_readings_is_said_with_what_would_show_it(held, cadence_s, policy, span):
    enroll(held, FLEET_TOML.replace("cadence_s = 60", f"cadence_s = {cadence_s}") + policy)
    (one,) = unseen(held.path)
    assert one["check"].startswith(span)
    assert len(one["units"]) == 3
    for words in ("the lamp's hour counter", "a running total", "at the moment that power or lamp change"):
        assert words in one["found"]


@pytest.mark.parametrize(("step_h", "named"), [(0.02, False), (0.025, False), (0.1, True)])
def test_a_counter_that_is_fine_enough_closes_it(held, step_h, named):
    """90 s are 0.025 h: a lamp dark for that long leaves out a step of a counter that counts so finely."""
    sends(held, "heron-point", "main", lamp_hours=100.0)
    enroll(held, FLEET_TOML.replace("drawdown_l = 25.0", f"lamp_hours_step_h = {step_h}", 1))
    units = {unit for one in unseen(held.path) for unit in one["units"]}
    assert ("heron-point/main" in units) == named
    assert {"otter-cove/annex", "otter-cove/main"} <= units


def test_readings_every_half_minute_leave_no_more_than_a_minute(held):
    enroll(held, FLEET_TOML.replace("cadence_s = 60", "cadence_s = 30"))
    assert unseen(held.path) == []


def test_a_running_collector_is_asked_for_the_same(collector: Running):
    assert "not enrolled: total" in notes(collector.settings.store)
