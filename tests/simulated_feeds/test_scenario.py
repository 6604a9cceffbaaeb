"""The scenario: what is enrolled, and that it is taken by the registry."""

import ast
import sys
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest

import simulated_feeds
from ingest.registry.tables import read_fleet
from simulated_feeds.scenario import Fault, fleet_toml, nature_of, sites


@pytest.mark.parametrize("cabins", [1, 2, 12, 60])
def test_the_registry_takes_the_scenario_of_any_size(cabins):
    fleet = read_fleet(fleet_toml(cabins, 5))
    assert len(fleet.cabins) == cabins
    assert len({cabin.slug for cabin in fleet.cabins}) == cabins


def test_the_twelve_cabins_cover_what_the_demo_must_show():
    found = list(sites(tomllib.loads(fleet_toml()), 1))
    assert len({site.cabin for site in found}) == 12
    assert sum(site.gravity_fed for site in found) == 1
    assert sum(site.nature.empty for site in found) == 1
    assert any(site.nature.power == "solar" for site in found)
    assert any(site.nature.clock != "kept" for site in found)
    assert any("uvt" in site.nature.sensors for site in found)


def test_lamps_are_as_old_in_another_year():
    then, later = (tomllib.loads(fleet_toml(12, 1, now=datetime(year, 11, 25, 12, tzinfo=UTC)))
                   for year in (2026, 2027))
    for one, other in zip(then["cabin"], later["cabin"], strict=True):
        assert (other["unit"][0]["lamp_installed"] - one["unit"][0]["lamp_installed"]).days == 365


def test_cabins_beyond_twelve_are_drawn_by_seed():
    assert fleet_toml(20, 1) == fleet_toml(20, 1)
    assert fleet_toml(20, 1) != fleet_toml(20, 2)
    assert nature_of("oak-reach-88", 1) == nature_of("oak-reach-88", 1) != nature_of("oak-reach-88", 2)


def test_no_cabin_at_all_is_refused():
    with pytest.raises(ValueError, match="cabins must be at least 1; got 0"):
        fleet_toml(0)


def test_a_unit_of_an_unknown_reactor_is_refused_by_name():
    fleet = tomllib.loads(fleet_toml())
    fleet["cabin"][0]["unit"][0]["reactor"] = "annular-99"
    with pytest.raises(ValueError, match="'main' of cabin 'heron-point' names the reactor 'annular-99'"):
        list(sites(fleet, 1))


def test_an_unknown_fault_is_refused():
    with pytest.raises(ValueError, match=r"fault kind must be one of power-cut, .*; got 'frost'"):
        Fault(kind="frost", from_h=-2, until_h=-1)


def test_the_simulator_imports_nothing_of_the_estimator():
    allowed = {"numpy", "pandas", "paho", "icalendar", "simulated_feeds", *sys.stdlib_module_names}
    for path in Path(simulated_feeds.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module] if isinstance(node, ast.ImportFrom) else []
            assert {name.split(".")[0] for name in names} <= allowed, path
