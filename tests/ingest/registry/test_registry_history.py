"""Values of the registry hold from their date: kept as edits, read back as a history, and fast for many units."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from dashboard.commands.backup import make_copy
from ingest import queries
from ingest.db import engine
from ingest.db.migrations import migrate
from ingest.evaluation.evaluate import evaluate
from ingest.registry.edits import enroll
from ingest.registry.tables import load_fleet, load_history, read_fleet, save_fleet, to_json
from ingest.settings import BadInput
from ingest.store import Store
from models.fleet_history import BEGINNING
from tests.conftest import FLEET_TOML, REACTOR, cabin_toml, count, utc
from tests.ingest.ingest_streams import commit, minutes, steady

KEY = ("heron-point", "main")
START = utc("2026-09-10T06:00:00")


def edited(**values: object) -> str:
    """The fleet's text with other values in its first unit or its reactor."""
    text = FLEET_TOML
    for name, value in values.items():
        (old,) = {line for line in text.splitlines() if line.startswith(f"{name} = ")}
        text = text.replace(old, f"{name} = {value}", 1)
    return text


def uvts(store: Store) -> list[tuple[datetime, float]]:
    return [(since, unit.uvt_pct) for since, unit, _ in load_history(store).versions(*KEY)]


def test_the_first_enrolment_holds_from_the_beginning_and_an_edit_from_now(held):
    assert uvts(held) == [(BEGINNING, 82.0)]
    before = held.now()
    held.act("enroll", {"text": edited(uvt_pct=70.0)})
    (_, first), (since, second) = uvts(held)
    assert (first, second) == (82.0, 70.0)
    assert before <= since <= held.now()
    assert load_history(held).at(before - timedelta(seconds=1)).unit(*KEY).uvt_pct == 82.0
    assert load_history(held).at(held.now()) == load_fleet(held)


def test_enrolling_the_same_again_adds_no_version(held):
    held.act("enroll", {"text": FLEET_TOML})
    held.act("enroll", {"text": edited(lamp_installed="2026-09-01")})  # what nothing is judged by
    assert count(held, "unit_version") == 3  # the three units, once each
    assert count(held, "reactor_version") == 1
    assert load_fleet(held).unit(*KEY).lamp_installed.isoformat() == "2026-09-01"


def test_an_edit_may_reach_back_and_replaces_what_was_said_since(held):
    enroll(held.con, {"text": edited(uvt_pct=70.0)}, utc("2026-06-01T00:00:00"), held.path)
    enroll(held.con, {"text": edited(uvt_pct=75.0)}, utc("2026-07-01T00:00:00"), held.path)
    body = {"text": edited(uvt_pct=90.0), "since": "2026-06-15T02:00:00+02:00"}
    enroll(held.con, body, utc("2026-08-01T00:00:00"), held.path)
    assert uvts(held) == [
        (BEGINNING, 82.0), (utc("2026-06-01T00:00:00"), 70.0), (utc("2026-06-15T00:00:00"), 90.0)]
    assert count(held, "unit_version") == 6  # nothing that was said is gone


def test_the_present_value_may_be_said_to_have_held_from_earlier_on(held):
    enroll(held.con, {"text": edited(uvt_pct=70.0)}, utc("2026-07-01T00:00:00"), held.path)
    body = {"text": edited(uvt_pct=70.0), "since": "2026-06-01T00:00:00Z"}
    told = enroll(held.con, body, utc("2026-08-01T00:00:00"), held.path)
    assert told["changed"] == ["heron-point/main"]
    assert uvts(held) == [(BEGINNING, 82.0), (utc("2026-06-01T00:00:00"), 70.0)]
    assert enroll(held.con, body, utc("2026-08-02T00:00:00"), held.path)["changed"] == []


def test_a_reactor_and_how_far_a_reading_speaks_have_versions_too(held):
    enroll(held.con, {"text": edited(alarm_intensity_w_m2=33.0) + "\n[judging]\ntwo_ends_s = 60\n"},
           utc("2026-07-01T00:00:00"), held.path)
    found = load_history(held)
    for key in (KEY, ("otter-cove", "annex")):
        assert [(since, reactor.alarm_intensity_w_m2) for since, _, reactor in found.versions(*key)] == [
            (BEGINNING, 29.0), (utc("2026-07-01T00:00:00"), 33.0)]
    assert [(since, policy.two_ends_s) for since, policy in found.judging_versions()] == [
        (BEGINNING, 300.0), (utc("2026-07-01T00:00:00"), 60)]
    assert found.at(utc("2026-06-30T00:00:00")).judging.two_ends_s == 300.0


def test_a_new_unit_holds_from_the_beginning_whenever_it_is_enrolled(held):
    text = REACTOR + cabin_toml("loon-bay", "main")
    enroll(held.con, {"text": text, "since": "2026-07-01T00:00:00Z"}, utc("2026-08-01T00:00:00"), held.path)
    assert [since for since, _, _ in load_history(held).versions("loon-bay", "main")] == [BEGINNING]


@pytest.mark.parametrize(("since", "match"), [
    ("2026-07-01", "since must have Z or an offset; got '2026-07-01'"),
    ("yesterday", "since must be ISO 8601 with Z or an offset; got 'yesterday'"),
    ("2199-01-01T00:00:00Z", "since must not lie in the future"),
])
def test_a_since_that_cannot_be_is_refused(held, since, match):
    with pytest.raises(BadInput, match=match):
        held.act("enroll", {"text": edited(uvt_pct=70.0), "since": since})
    assert uvts(held) == [(BEGINNING, 82.0)]


def test_an_edit_from_now_leaves_the_past_as_it_was_judged(held):
    rows = steady(START, 300)
    commit(held, rows)
    evaluate(held.con, START + minutes(300))
    past = "SELECT * FROM {} ORDER BY ALL"
    before = [held.ask(past.format(table)) for table in ("segment", "hourly", "resume_state")]
    held.act("enroll", {"text": edited(uvt_pct=60.0, dose_target_mj_cm2=200.0, warm_up_s=600)})
    for was, table in zip(before, ("segment", "hourly", "resume_state"), strict=True):
        assert held.ask(past.format(table)).equals(was)
    held.act("enroll", {"text": edited(uvt_pct=60.0, dose_target_mj_cm2=200.0, warm_up_s=600),
                        "since": START.isoformat()})
    assert not held.ask(past.format("hourly")).equals(before[1])


def test_a_store_of_before_has_its_present_values_from_the_beginning_and_unstated_volumes_as_unknown(tmp_path):
    old = engine.connect(tmp_path / "old.duckdb")
    migrate(old, until=5)
    fleet = read_fleet(FLEET_TOML)
    old.execute("INSERT INTO reactor VALUES ($name, $profile)", {
        "name": "annular-40", "profile": to_json(fleet.reactors[0])})
    old.execute("INSERT INTO cabin VALUES ('heron-point', 'Heron', 'America/Toronto', 45.4, -79.2, 320, '', '')")
    profile = ('{"slug": "main", "reactor": "annular-40", "uvt_pct": 82.0, "peak_flow_l_min": 19.0, '
               '"cold_plumbing_l": 0.0, "hot_tank_l": 0.0, "cadence_s": 60.0, "gravity_fed": false}')
    old.execute("INSERT INTO unit VALUES ('heron-point', 'main', 'annular-40', $profile)", {"profile": profile})
    old.execute("INSERT INTO unit VALUES ('heron-point', 'annex', 'annular-40', $profile)", {
        "profile": profile.replace('"main"', '"annex"').replace('"hot_tank_l": 0.0', '"hot_tank_l": 150.0')})
    old.close()
    store = Store(tmp_path / "old.duckdb")
    main, annex = (load_fleet(store).unit("heron-point", unit) for unit in ("main", "annex"))
    place = load_fleet(store).cabin("heron-point")
    assert (place.septic_l_day, place.well_l_min, place.vulnerable, place.supply_line) == (None, None, False, "")
    assert (annex.hot_max_c, annex.hot_tank_heel_l) == (None, None)
    assert (main.cold_plumbing_l, main.hot_tank_l, annex.hot_tank_l) == (None, None, 150.0)
    assert load_history(store).versions(*KEY) == [(BEGINNING, main, fleet.reactors[0])]
    told = store.act("enroll", {"text": edited(peak_flow_l_min=12.0)})
    assert "heron-point/main" in told["changed"]
    assert [unit.peak_flow_l_min for _, unit, _ in load_history(store).versions(*KEY)] == [19.0, 12.0]
    store.close()


def test_who_asks_again_is_answered_from_memory_until_somebody_edits(held):
    assert load_fleet(held) is load_fleet(held)
    assert load_history(held) is load_history(held)
    kept = load_fleet(held)
    held.act("enroll", {"text": FLEET_TOML})
    assert load_fleet(held) is kept
    held.act("enroll", {"text": edited(uvt_pct=70.0)})
    assert load_fleet(held).unit(*KEY).uvt_pct == 70.0
    assert kept.unit(*KEY).uvt_pct == 82.0


def test_two_stores_do_not_answer_for_each_other(held, tmp_path):
    other = Store(tmp_path / "other.duckdb")
    other.act("enroll", {"text": edited(uvt_pct=70.0)})
    assert (load_fleet(held).unit(*KEY).uvt_pct, load_fleet(other).unit(*KEY).uvt_pct) == (82.0, 70.0)
    make_copy(held, tmp_path / "copy.duckdb")
    copy = Store(tmp_path / "copy.duckdb")
    copy.act("enroll", {"text": edited(uvt_pct=60.0)})
    assert (load_fleet(held).unit(*KEY).uvt_pct, load_fleet(copy).unit(*KEY).uvt_pct) == (82.0, 60.0)
    for one in (other, copy):
        one.close()


@pytest.mark.bench
def test_ten_thousand_units_are_enrolled_and_asked_for_within_seconds(tmp_path):
    """A bound for this machine with room to spare, not a wish: printed are the times themselves."""
    slugs = [f"cabin-{n}" for n in range(5000)]
    fleet = read_fleet(REACTOR + "".join(cabin_toml(slug, "main", "annex") for slug in slugs))
    store = Store(tmp_path / "x.duckdb")
    took = {}

    def timed(name: str, work):
        began = time.perf_counter()
        out = work()
        took[name] = time.perf_counter() - began
        return out

    timed("enroll", lambda: engine.transaction(
        store.con, lambda: save_fleet(store.con, fleet, valid_from=datetime.now(UTC))))
    timed("enroll again", lambda: engine.transaction(
        store.con, lambda: save_fleet(store.con, fleet, valid_from=datetime.now(UTC))))
    history = timed("first history", lambda: load_history(store))
    timed("history again", lambda: load_history(store))
    timed("versions of each", lambda: [history.versions(slug, "annex") for slug in slugs])
    print({name: f"{seconds * 1e3:.1f} ms" for name, seconds in took.items()})
    store.close()
    assert took["history again"] < 0.05
    assert took["versions of each"] < 1.0
    assert took["enroll"] < 30


# Each reading is judged by the values of its own time, also where late data make it be judged again: the borders of
# `FleetHistory.versions` cut a unit's readings.
NOW = utc("2026-10-02T12:00:00")
LATE_MIN = 30  # of readings just before the first one: all that follows is judged again


def share_pct(store: Store, month: int) -> float | None:
    since = utc(f"2026-{month:02d}-01T04:00:00")  # of the cabin's own zone
    until = utc(f"2026-{month + 1:02d}-01T04:00:00")
    return queries.in_specification(store, *KEY, f"2026-{month:02d}", since, until, NOW)["share_pct"]


def test_a_water_test_enrolled_and_taken_back_leaves_other_months_as_they_were(held):
    metered = FLEET_TOML.replace("drawdown_l = 25.0", 'drawdown_l = 25.0\ntotal = "meter"', 1)
    enroll(held.con, {"text": metered, "since": "1970-01-01T00:00:00Z"}, held.now(), held.path)
    months = {month: utc(f"2026-{month:02d}-10T06:00:00") for month in (7, 8, 9)}
    for nth, start in enumerate(months.values()):  # the meter stands still between, and to the end
        commit(held, steady(start, 180, total_l=1000 + 1080.0 * nth + 6 * np.arange(1, 181)))
    commit(held, steady(NOW - minutes(5), 5, flow_l_min=0.0, total_l=1000 + 3 * 1080.0))
    evaluate(held.con, utc("2026-10-01T12:00:00"))
    before = {month: share_pct(held, month) for month in months}
    assert all(one is not None and one > 90 for one in before.values()), before
    worse = metered.replace("uvt_pct = 82.0", "uvt_pct = 40.0", 1)
    enroll(held.con, {"text": worse}, utc("2026-08-01T12:00:00"), held.path)
    enroll(held.con, {"text": metered}, utc("2026-09-01T12:00:00"), held.path)
    commit(held, steady(months[7] - minutes(LATE_MIN), LATE_MIN, flow_l_min=0.0, total_l=1000.0))
    evaluate(held.con, NOW)
    assert share_pct(held, 8) == 0
    assert [share_pct(held, month) for month in (7, 9)] == pytest.approx([before[7], before[9]], abs=1)


def test_a_slower_cadence_enrolled_later_leaves_a_gap_of_before_unheard(held):
    commit(held, steady(START, 60))
    commit(held, steady(START + minutes(100), 60))  # 40 min without a reading, 60 s apart else
    now = START + minutes(160)
    evaluate(held.con, now)
    gap = "SELECT count(*) AS n FROM segment WHERE kind = 'unheard'"
    assert held.ask(gap)["n"].iloc[0] > 0
    enroll(held.con, {"text": edited(cadence_s=900)}, now, held.path)
    commit(held, steady(START - minutes(LATE_MIN), LATE_MIN))
    evaluate(held.con, now + minutes(1))
    unheard = held.ask("SELECT start, \"end\" FROM segment WHERE kind = 'unheard' ORDER BY start")
    assert ((unheard["start"] <= START + minutes(65)) & (unheard["end"] >= START + minutes(99))).any()
    (found,) = queries.status(held, now + minutes(1), units={KEY})
    assert str(found.verdict.verdict) not in ("clear", "watch")
