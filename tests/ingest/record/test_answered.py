"""A lift answers the water that its advisory named, as it was known then; what turns up later raises again."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from ingest import queries
from ingest.db.intake import heard_live
from ingest.evaluation.evaluate import evaluate, owe_all
from ingest.evaluation.watch import watch
from ingest.record import advisories
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput
from ingest.store import Store
from models.advisory.pieces import AGAIN_L, GRACE, Intervals, Piece, answered, more_beyond, only_to_note, pieces_of
from tests.conftest import count, utc
from tests.ingest.ingest_streams import commit, minutes, steady

START = utc("2026-11-20T06:00:00")
KEY = ("heron-point", "main")
DARK = {"lamp_on": False, "power_on": False, "intensity_w_m2": 0.0}


def take(store: Store, *parts: pd.DataFrame, after_min: float = 0.5):
    """Commit rows and work them out half a minute after the last; that instant."""
    rows = pd.concat(parts, ignore_index=True)
    now = rows["at"].max().to_pydatetime() + minutes(after_min)
    commit(store, rows, now)
    evaluate(store.con, now)
    return now


def at(minute: float):
    return START + minutes(minute)


def metered(start_min: float, n: int, l_min: float = 0.0, *, total_l: float = 0.0, **values):
    """Lit readings with flow and a running total that begins at `total_l`."""
    return steady(at(start_min), n, flow_l_min=l_min, total_l=total_l + np.arange(n) * l_min, **values)


def lift(store: Store, now, number: str = "a1", reason: str = "tested by hand"):
    return advisories.lift(store.con, {"advisory": number, "by": "Kim", "reason": reason}, now, store.path)


def word(store: Store, now) -> str:
    return str(queries.status(store, now, cabin="heron-point")[0].verdict.verdict)


def kinds(store: Store, number: str) -> list[str]:
    return [json.loads(body)["kind"] for body in queries.advisory_events(store, number)["body"]]


def test_a_manual_advisory_of_the_wrong_cabin_answers_nothing_but_itself(held):
    heard_live(held.con, [KEY], at(-60))
    now = take(held, metered(0, 60))
    number = advisories.raise_by_hand(
        held.con, {"cabin": KEY[0], "unit": KEY[1], "by": "Kim"}, now, held.path)["advisory"]
    lift(held, now + minutes(1), number, reason="it was the other cabin")
    # the backlog of the hour before: 100 L past a dark lamp
    rows = steady(at(-60), 59, flow_l_min=100 / 58, total_l=-100 + np.arange(59) * 100 / 58, **DARK)
    commit(held, rows, now + minutes(2))
    evaluate(held.con, now + minutes(2))
    assert word(held, now + minutes(2)) == "boil"
    (again, first) = queries.advisories(held)
    assert first.id == number and again.advisory.after_lift == number
    assert again.advisory.exposure.underdosed_l_upper >= 99
    reasons = queries.status(held, now + minutes(2), cabin="heron-point")[0].verdict.reasons
    assert reasons[0].startswith(f"After the lift of {number} it became known that more water had passed")


def test_what_was_lifted_with_steps_undone_stays_lifted_and_what_is_found_later_raises(held):
    now = take(held, metered(0, 30), steady(at(30), 10, flow_l_min=6.0, **DARK), metered(40, 30))
    assert kinds(held, "a1")[0] == "raised"
    lift(held, now)
    owe_all(held.con, [KEY])
    evaluate(held.con, now + minutes(1))
    assert count(held, "advisory") == 1  # worked out anew, it is the same water
    assert word(held, now) != "boil"
    # what a late pack tells of the day before was named by nobody
    commit(held, steady(at(-1000), 10, flow_l_min=6.0, **DARK), now + minutes(2))
    evaluate(held.con, now + minutes(2))
    assert count(held, "advisory") == 2
    assert word(held, now + minutes(2)) == "boil"
    lift(held, now + minutes(3), "a2")
    evaluate(held.con, now + minutes(4))
    watch(held.con, load_fleet(held), now + minutes(60), [KEY])
    assert count(held, "advisory") == 2


def test_a_silence_that_turns_out_to_have_been_dark_raises_again(held):
    heard_live(held.con, [KEY], at(-60))
    before, after = metered(0, 60, 0.0), metered(120, 60, 0.0, total_l=40.0)
    now = take(held, before, after)
    watch(held.con, load_fleet(held), now + GRACE, [KEY])
    (one,) = queries.advisories(held)
    assert str(one.advisory.cause) == "unheard"
    lift(held, now + GRACE + minutes(1))
    assert word(held, now + GRACE + minutes(1)) == "silent"  # since then nothing was heard
    commit(held, steady(at(60), 60, flow_l_min=40 / 59, total_l=np.arange(60) * 40 / 59, **DARK), now + GRACE)
    evaluate(held.con, now + GRACE + minutes(2))
    assert [str(one.advisory.cause) for one in queries.advisories(held)] == ["power-cut", "unheard"]


def test_a_silence_that_turns_out_to_have_been_lit_raises_nothing(held):
    now = take(held, metered(0, 60), metered(120, 60, total_l=40.0))
    watch(held.con, load_fleet(held), now + GRACE, [KEY])
    lift(held, now + GRACE + minutes(1))
    commit(held, metered(60, 60, 40 / 59), now + GRACE)
    evaluate(held.con, now + GRACE + minutes(2))
    assert count(held, "advisory") == 1


def test_a_lift_while_water_still_passes_answers_what_had_passed_and_no_more(held):
    now = take(held, metered(0, 30), steady(at(30), 20, flow_l_min=6.0, total_l=np.arange(20) * 6.0, **DARK))
    lift(held, now)
    assert count(held, "answered") >= 1
    take(held, steady(at(50), 5, flow_l_min=6.0, total_l=120 + np.arange(5) * 6.0, **DARK))
    assert count(held, "advisory") == 2


def test_the_lift_itself_brings_the_record_up_to_what_is_known(held):
    take(held, metered(0, 30), steady(at(30), 20, flow_l_min=6.0, total_l=np.arange(20) * 6.0, **DARK))
    # 3 L more are less than the record is lengthened for
    now = take(held, steady(at(50), 1, flow_l_min=3.0, total_l=117.0, **DARK))
    recorded = json.loads(queries.advisory_events(held, "a1")["body"].iloc[-1])
    lift(held, now)
    bodies = [json.loads(body) for body in queries.advisory_events(held, "a1")["body"]]
    assert bodies[-1]["kind"] == "lifted"
    last = next(body for body in reversed(bodies) if "exposure" in body)["exposure"]["underdosed_l_upper"]
    assert last > recorded["exposure"]["underdosed_l_upper"]
    total = held.ask("SELECT sum(underdosed_l_upper) AS l FROM answered")["l"].iloc[0]
    assert total == pytest.approx(last)


@pytest.mark.parametrize("readings", [10, pytest.param(37, marks=pytest.mark.slow)])
def test_a_dark_lamp_and_a_still_meter_append_nothing_however_long(held, readings):
    take(held, metered(0, 10), steady(at(10), 5, flow_l_min=6.0, total_l=np.arange(5) * 6.0, **DARK))
    take(held, steady(at(15), 3, flow_l_min=0.0, total_l=24.0, **DARK))
    before = kinds(held, "a1")
    for minute in range(18, 18 + readings):
        take(held, steady(at(minute), 1, flow_l_min=0.0, total_l=24.0, **DARK))
    assert "exposed" not in kinds(held, "a1")
    assert len(kinds(held, "a1")) - len(before) <= 2  # that it ended, and what its sensors say


@pytest.mark.parametrize("packs", [10, pytest.param(30, marks=pytest.mark.slow)])
def test_a_logger_that_sends_in_packs_makes_no_events_of_its_silences(held, packs):
    take(held, metered(0, 30), steady(at(30), 5, flow_l_min=6.0, **DARK), metered(35, 60))
    before = kinds(held, "a1")
    fleet = load_fleet(held)
    for pack in range(packs):  # ten minutes each, and silence until the next
        now = take(held, metered(95 + 10 * pack, 10))
        watch(held.con, fleet, now + minutes(9), [KEY])
    fresh = kinds(held, "a1")[len(before):]
    assert len(fresh) <= 4, fresh  # each proof at most once more
    assert "exposed" not in fresh


def test_an_open_advisory_is_looked_at_again_only_when_a_proof_can_ripen(held):
    now = take(held, metered(0, 30), steady(at(30), 5, flow_l_min=6.0, **DARK), metered(35, 5))
    due = held.ask("SELECT due FROM to_watch")["due"]
    assert now < due.iloc[0] <= now + minutes(30)  # power steady, lamp lit
    assert watch(held.con, load_fleet(held), due.iloc[0].to_pydatetime() - minutes(0.1), []) == []
    now = take(held, metered(40, 60))
    assert held.ask("SELECT due FROM to_watch")["due"].iloc[0].year == 2200  # nothing more ripens by time alone
    assert watch(held.con, load_fleet(held), now + minutes(60), []) == []


def test_a_store_of_before_keeps_what_was_lifted_lifted(held):
    now = take(held, metered(0, 30), steady(at(30), 10, flow_l_min=6.0, **DARK), metered(40, 30))
    lift(held, now)
    # as the version before left it: no pieces in the record, no tables of them
    from ingest.db.migrations import _PIECES
    for table in ("answered", "underdosed", "to_watch", "first_live"):
        held.con.execute(f"DROP TABLE {table}")
    held.con.execute("""
        UPDATE advisory_event SET body = json_merge_patch(body, '{"exposure": {"pieces": null}}')
        WHERE json_exists(body, '$.exposure')""")
    held.con.execute(_PIECES)
    held.con.execute("ALTER TABLE underdosed ADD COLUMN severity VARCHAR")
    owe_all(held.con, [KEY])
    evaluate(held.con, now + minutes(1))
    watch(held.con, load_fleet(held), now + minutes(1), [KEY])
    assert count(held, "advisory") == 1
    assert word(held, now) != "boil"
    commit(held, steady(at(-1000), 10, flow_l_min=6.0, **DARK), now + minutes(2))
    evaluate(held.con, now + minutes(2))
    assert count(held, "advisory") == 2


# The contract's figures (30 dosed days, 10 plumbing volumes); common practice, no published source.
@pytest.mark.parametrize(("before_live", "days", "litres", "expected"), [
    (True, 30, 1680.0, True), (True, 29, 9000.0, False), (True, 40, 1679.0, False), (False, 99, 9000.0, False)])
def test_water_of_before_a_unit_was_heard_live_is_only_noted_once_so_much_has_followed(
    before_live, days, litres, expected
):
    found = only_to_note(
        before_live=np.array([before_live]), dosed_days=np.array([days]), dosed_l=np.array([litres]),
        plumbing_l=np.array([168.0]))
    assert found.tolist() == [expected]
    unknown = only_to_note(
        before_live=np.array([True]), dosed_days=np.array([999]), dosed_l=np.array([1e6]),
        plumbing_l=np.array([np.nan]))
    assert unknown.tolist() == [False]  # of plumbing that nobody enrolled, nobody knows that


def test_an_old_log_is_watch_until_a_named_person_has_seen_it(held):
    rows = [metered(0, 30), steady(at(30), 10, flow_l_min=5.0, **DARK)]
    n = 32 * 1440
    # a sensor that works: one value for a month would be a stuck one's
    light = 60.0 + 0.1 * (np.arange(n) % 7)
    rows.append(steady(at(40), n, flow_l_min=np.where(np.arange(n) % 60 < 10, 6.0, 0.0), intensity_w_m2=light))
    now = take(held, *rows)
    assert count(held, "advisory") == 0
    assert word(held, now) == "watch"
    (one,) = (each for each in queries.status(held, now, cabin="heron-point") if each.unit.slug == "main")
    assert "Before this unit was first heard live" in " ".join(one.verdict.reasons)
    with pytest.raises(BadInput, match="must name the person"):
        advisories.note_seen(held.con, {"cabin": KEY[0], "unit": KEY[1], "by": " "}, now, held.path)
    told = advisories.note_seen(held.con, {"cabin": KEY[0], "unit": KEY[1], "by": "Kim"}, now, held.path)
    assert "seen: up to" in told["noted"]
    assert word(held, now) == "clear"
    with pytest.raises(BadInput, match="nothing to be noted"):
        advisories.note_seen(held.con, {"cabin": KEY[0], "unit": KEY[1], "by": "Kim"}, now, held.path)


def test_water_after_the_unit_was_first_heard_live_is_boil_however_long_ago(held):
    heard_live(held.con, [KEY], at(20))
    n = 32 * 1440
    now = take(held, metered(0, 30), steady(at(30), 10, flow_l_min=5.0, **DARK), steady(
        at(40), n, flow_l_min=np.where(np.arange(n) % 60 < 10, 6.0, 0.0)))
    assert count(held, "advisory") == 1
    assert word(held, now) == "boil"


# The rule itself, by hand ------------------------------------------------------------------------------------


def rows_of(*litres_and_badness):
    return pd.DataFrame(litres_and_badness, columns=["underdosed_l_upper", "badness"])


def pair(row, piece, most, badness, *, lift="a1", overlap_s=60.0, beyond=False):
    return {"row": row, "piece": piece, "lift": lift, "overlap_s": overlap_s, "piece_l_upper": most,
            "piece_badness": badness, "beyond": beyond}


@pytest.mark.parametrize(("rows", "pairs", "expected"), [
    ([(10.0, 3)], [pair(0, 0, 10.0, 3)], [True]),
    ([(10.0 + AGAIN_L, 3)], [pair(0, 0, 10.0, 3)], [True]),
    ([(10.6, 3)], [pair(0, 0, 10.0, 3)], [False]),  # grew
    ([(10.0, 3)], [pair(0, 0, 10.0, 2)], [False]),  # unheard that became dark
    ([(10.0, 2)], [pair(0, 0, 10.0, 3)], [True]),
    ([(6.0, 3), (6.0, 3)], [pair(0, 0, 10.0, 3), pair(1, 0, 10.0, 3)], [False, False]),  # together more
    ([(6.0, 3), (4.0, 3)], [pair(0, 0, 10.0, 3), pair(1, 0, 10.0, 3)], [True, True]),
    # the piece that it overlaps most
    ([(6.0, 3)], [pair(0, 0, 5.0, 3, overlap_s=10.0), pair(0, 1, 6.0, 3, overlap_s=50.0)], [True]),
    # of two lifts one named it all
    ([(9.0, 3)], [pair(0, 0, 5.0, 3), pair(0, 1, 9.0, 3, lift="a2")], [True]),
    ([(5.0, 3), (7.0, 3)], [pair(0, 0, 5.0, 3)], [True, False]),  # nobody named the second
    ([(6.0, 3)], [pair(0, 0, 10.0, 3)], [True]),  # it turned out to be less
    ([(6.0, 3)], [pair(0, 0, 10.0, 3, beyond=True)], [False]),  # some of the 6 L may have passed after the lift
    ([(10.0, 3)], [pair(0, 0, 10.0, 3, beyond=True)], [True]),
])
def test_a_piece_answers_its_intervals_while_they_hold_no_more_and_none_is_worse(rows, pairs, expected):
    assert answered(rows_of(*rows), pd.DataFrame(pairs)).tolist() == expected


def piece(start_min, end_min, litres):
    return Piece(
        start=at(start_min), end=at(end_min), kind="dark", cause="no-power", underdosed_l=litres,
        underdosed_l_upper=litres)


@pytest.mark.parametrize(("new", "old", "end_min", "litres"), [
    ([piece(0, 45, 12.0)], [piece(0, 30, 12.0)], 30, 0.0),  # the interval grew, the water did not
    ([piece(0, 45, 20.0)], [piece(0, 30, 12.0)], 30, 8.0),
    ([piece(0, 30, 12.0), piece(60, 70, 8.0)], [piece(0, 30, 12.0)], 30, 8.0),
    ([piece(-60, -50, 40.0), piece(0, 30, 12.0)], [piece(0, 30, 12.0)], 30, 0.0),  # earlier, so not beyond
])
def test_more_water_beyond_an_end_is_counted_in_litres_and_not_in_minutes(new, old, end_min, litres):
    assert more_beyond(new, old, at(end_min)) == pytest.approx(litres)


def test_intervals_that_touch_and_are_of_one_kind_are_one_piece():
    rows = pd.DataFrame({
        "start": [at(0), at(30), at(60), at(100)], "end": [at(30), at(60), at(90), at(110)],
        "kind": ["dark", "dark", "unheard", "dark"], "cause": ["no-power"] * 4,
        "underdosed_l": [1.0, 2.0, 0.0, 4.0], "underdosed_l_upper": [1.5, 2.5, 9.0, 4.0],
        "dose_low_mj_cm2": [0.0, 0.0, np.nan, 0.0]})
    found = pieces_of(Intervals.by_unit(rows.assign(cabin="heron-point", unit="main"))[KEY])
    assert [(one.kind, one.underdosed_l, one.underdosed_l_upper, one.dose_low_mj_cm2) for one in found] == [
        ("dark", 3.0, 4.0, 0.0), ("unheard", 0.0, 9.0, None), ("dark", 4.0, 4.0, 0.0)]
    assert found[0].start == at(0) and found[0].end == at(60)
