"""A battery that will not last the night: told once before the light goes, where somebody may be."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.db.engine import Local
from ingest.evaluation.battery import FRESH, look, outlooks
from ingest.evaluation.evaluate import evaluate
from ingest.notification.battery import tell_battery
from ingest.queries import status
from ingest.registry.tables import load_fleet
from ingest.store import Store
from tests.conftest import FLEET_TOML, utc
from tests.ingest.ingest_streams import commit, minutes, steady
from tests.ingest.notification.test_power import CONTACTS

DUSK = utc("2026-12-10T22:00:00")  # at Heron Point the sun has set
HOURS = 8
KEY = ("heron-point", "main")


@pytest.fixture
def store(held: Store) -> Store:
    """Eight hours of a battery of 24 V that fell by 0.1 V an hour, and stands at 23.6 V."""
    held.act("enroll", {"text": FLEET_TOML + CONTACTS})
    rows = steady(DUSK, HOURS * 60 + 1, flow_l_min=0.0, uvt_pct=85.0, power_on=True)
    ago_h = np.arange(len(rows))[::-1] / 60
    rows["battery_v"] = (23.55 + 0.1 * ago_h).round(2)
    commit(held, rows)
    evaluate(held.con, DUSK + minutes(HOURS * 60))
    return held


NOW = DUSK + minutes(HOURS * 60 + 0.2)


def told(store: Store) -> list[tuple[str, str, str]]:
    return store.con.execute("SELECT kind, contact, body FROM notification ORDER BY contact").fetchall()


def test_the_first_manager_and_the_owner_are_told_once_in_a_night_with_when_and_what_to_do(store):
    assert tell_battery(store.con, load_fleet(store), NOW) == 2
    found = told(store)
    assert [(kind, contact) for kind, contact, _ in found] == [
        ("battery-low", "Maren Osk"), ("battery-low", "Owner of Heron Point")]
    # 23.6 V (the middle of the last hour) to 23.2 V (twice 11.6) at 0.1 V an hour: four hours after 01:00 there
    for _, _, body in found:
        assert "The battery is at 23.6 V and will likely last only until" in body and "05:00 EST" in body
        assert "falls by 0.10 V an hour in the dark" in body and "near 23.2 V" in body
        assert "draw drinking water" in body and "local health authority" in body
    assert store.con.execute("SELECT DISTINCT urgent FROM notification").fetchall() == [(True,)]
    assert tell_battery(store.con, load_fleet(store), NOW + minutes(60)) == 0 and len(told(store)) == 2


def test_the_verdict_is_watch_while_the_outlook_is_fresh(store):
    def verdict(now):
        return next(one.verdict for one in status(Local(store.con), now) if one.cabin.slug == "heron-point")

    assert verdict(NOW).verdict == "clear"
    look(store.con, load_fleet(store), NOW)
    found = verdict(NOW)
    assert found.verdict == "watch" and "will likely last only until 2026-12-11 10:00 UTC" in found.reasons[0]
    assert "Draw drinking water now" in found.next_action
    one = outlooks(store, NOW)[KEY]
    assert one.earliest < one.likely and (one.latest is None or one.likely < one.latest)
    assert outlooks(store, NOW + FRESH) == {}


def test_one_that_recovers_is_forgotten_at_the_next_look(store):
    look(store.con, load_fleet(store), NOW)
    rows = steady(NOW, 61, flow_l_min=0.0, uvt_pct=85.0, power_on=True).assign(battery_v=26.5)
    commit(store, rows)
    assert look(store.con, load_fleet(store), NOW + minutes(60)) == {}
    assert outlooks(store, NOW + minutes(60)) == {}


def test_a_fleet_without_batteries_costs_a_look_and_nothing_else(held):
    commit(held, steady(DUSK, 30, power_on=True))
    assert tell_battery(held.con, load_fleet(held), DUSK + minutes(30)) == 0
