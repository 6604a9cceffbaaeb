"""What a flush of cold pipes and the cleaning of a hot tank ask for, by hand and as properties.

By hand: pipes of 18 L, a tank of 150 L, its heel 15 L, a target of 40 mJ/cm2. What of the water may be left is
a = 1e-4 (10^0.5 - 1) / (b - 1e-4), b being what survives in it of the organism that is worst off: at 0 all of it
(a = 2.162e-4), at 10 and more a tenth of the rotavirus for each 10 mJ/cm2. The pipe lets through what the law of
first passages says (inverse Gaussian, mean 18 L, variance 2 / 20 of its square; Kreft, Zuber 1978, from memory), so
the front is the V at which its survival S(V) - S(V + E) falls to a. Flushing the tank takes front + 150 ln(c / a) +
front, c = min(E, 150) / 150. Draining leaves min(E, 15) / 150 of it, and a tenth of that each further time.
"""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.advisory import (
    Cause,
    Exposure,
    How,
    NotAllowed,
    Piece,
    Step,
    StepRecorded,
    advance,
    exposure_event,
)
from models.advisory.cleaning import (
    UnderDosed,
    cleaning,
    cleaning_of,
    left_at_cold_tap,
    too_little,
    water_of,
    where_it_may_run,
)
from models.advisory.exposures import exposure_of
from models.advisory.pieces import Intervals
from models.advisory.plumbing import FLUSH_PECLET, Plumbing, standing
from models.fleet import Cabin, Unit
from models.shortfall import mixture_shortfall_log

UNIT = Unit(slug="main", reactor="annular-40", uvt_pct=82.0, peak_flow_l_min=28.0, cold_plumbing_l=18.0,
            hot_tank_l=150.0, hot_max_c=75.0)
CABIN = Cabin(slug="heron-point", name="Heron Point", time_zone="America/Toronto", latitude=45.4, longitude=-79.2,
              units=(UNIT,))
AT = datetime(2026, 5, 1, 12, tzinfo=UTC)


def water(*parts, target=40.0):
    return UnderDosed(parts=tuple(sorted((float(dose), float(litres)) for dose, litres in parts)),
                      dose_target_mj_cm2=target)


def litres_of(asked, how):
    way = asked.way(how)
    return 0 if way is None else way.litres


@pytest.mark.parametrize(("parts", "cold_l", "hot_l", "drains", "drained_l", "heated_l"), [
    # a = 2.162e-4 throughout the untreated ones
    # E not known: front S(V) = a at 49.47; 98.94 + 150 ln(1 / a) = 98.94 + 1265.91; 15/150, .01, .001, 1e-4 <= a
    ([(0, math.inf)], 50, 1365, 4, 650, 65),
    # 22 L: front 49.46; 98.92 + 150 ln(.14667 / a) = 98.92 + 977.96; the heel full all the same
    ([(0, 22)], 50, 1077, 4, 650, 65),
    # 10 L: front 49.23; 98.46 + 150 ln(.06667 / a) = 98.46 + 859.69; .0667, .00667, 6.7e-4, 6.7e-5 <= a
    ([(0, 10)], 50, 959, 4, 650, 65),
    # 2 L: front 46.28; 92.56 + 150 ln(.01333 / a) = 92.56 + 618.27; .01333, .00133, 1.33e-4 <= a
    ([(0, 2)], 47, 711, 3, 497, 62),
    # 0.02 L: front 28.97; in the tank 1.33e-4, which is less than a
    ([(0, 0.02)], 29, 0, 0, 0, 0),
    # 10 mJ/cm2: Giardia 2.5 + .5 x 2.3 / 3.3 = 2.85 log, Cryptosporidium 2.71, rotavirus 1: b = .1, a = .0021644
    # 8 L: front 40.48; 80.96 + 150 ln(.05333 / a) = 80.96 + 480.67; .0533, .00533, 5.3e-4
    ([(10, 8)], 41, 562, 3, 491, 56),
    # 20: rotavirus 2, b = .01, a = .021841; 50 L: front 31.98; 63.96 + 150 ln(.3333 / a) = 63.96 + 408.80; .1, .01
    ([(20, 50)], 32, 473, 2, 332, 47),
    # 30: b = .001, a = .24025; 30 L: front 21.37; in the tank .2 < a
    ([(30, 30)], 22, 0, 0, 0, 0),
    # and one litre of it is within a at once if pipes disperse; in plug flow it comes out whole: one pipe volume
    ([(30, 1)], 18, 0, 0, 0, 0),
    # 34: b = 3.981e-4, a = .72534; 100 L: .667 of the tank
    ([(34, 100)], 18, 0, 0, 0, 0),
    # 36: 0.4 log short as it is
    ([(36, 1000)], 0, 0, 0, 0, 0),
    # 1 L untreated, the rest of the tank at 34: b = (1 + 149 x 3.981e-4) / 150, a = .031058, c = 1. In the pipe the
    # worst stands nearest: front 44.16; 88.32 + 150 ln(1 / a) = 88.32 + 520.79; the heel's .1 has a = .003207:
    # 31.2 times over, 3.1, .31
    ([(0, 1), (34, 1000)], 45, 610, 3, 495, 60),
])
def test_twelve_exposures_by_hand(parts, cold_l, hot_l, drains, drained_l, heated_l):
    asked = cleaning(water(*parts), UNIT)
    assert (asked.cold_l, asked.hot_l) == (cold_l, hot_l)
    assert [litres_of(asked, how) for how in (How.FLUSHED, How.DRAINED, How.HEATED)] == [hot_l, drained_l, heated_l]
    assert (asked.way(How.DRAINED).times if drains else 0) == drains
    assert (asked.offered is None) is (hot_l == 0)


def test_rinsing_chlorine_out_counts_with_the_filling():
    # filling 18 + 150, rinse from 100 to 4 mg/L: the pipe until .96 is new (IG quantile, 1.649 volumes, 29.68 L)
    # twice, and 150 ln 25 = 482.83
    way = cleaning(water((25, 100)), UNIT).way(How.CHLORINATED)
    assert way.litres == pytest.approx(168 + 2 * 29.68 + 482.83, abs=1)
    # of untreated water that leaves too much Cryptosporidium, which chlorine does not kill: no less than a flush
    found = cleaning(water((0, 10)), UNIT)
    assert found.way(How.CHLORINATED).litres == found.way(How.FLUSHED).litres == 959
    assert "does not kill Cryptosporidium" in way.words


def test_the_offer_is_the_least_water_that_is_possible_here_and_leaves_no_organism_out():
    found = water((0, 10))
    assert cleaning(found, UNIT).offered.how == How.HEATED
    for hot_max_c in (None, 69.9):
        asked = cleaning(found, replace(UNIT, hot_max_c=hot_max_c))
        assert asked.offered.how == How.DRAINED
        assert asked.way(How.HEATED).why_not
    # .0667 of it, then .9 of that each time: 56 drainings. Chlorine takes no less water than a flush
    stuck = cleaning(found, replace(UNIT, hot_max_c=None, hot_tank_heel_l=135.0))
    assert [one.how for one in stuck.ways if not one.why_not] == [How.FLUSHED, How.CHLORINATED]
    assert stuck.way(How.CHLORINATED).litres == stuck.offered.litres
    assert "135 L stay in the tank" in stuck.way(How.DRAINED).why_not


def test_minutes_go_by_the_lesser_of_well_and_supply():
    found = water((0, 10))
    assert cleaning(found, UNIT, CABIN).way("flushed").minutes == pytest.approx(959 / 28)
    assert cleaning(found, UNIT, replace(CABIN, well_l_min=7.0)).way("flushed").minutes == pytest.approx(959 / 7)
    assert cleaning(found, UNIT, replace(CABIN, well_l_min=70.0)).way("flushed").minutes == pytest.approx(959 / 28)


def test_what_is_not_enrolled_is_asked_for_and_is_never_nothing():
    found = water((0, 10))
    assert cleaning(found, replace(UNIT, cold_plumbing_l=None)) == replace(
        cleaning(found, UNIT), cold_l=None, hot_l=None, ways=())
    tank = cleaning(found, replace(UNIT, hot_tank_l=None))
    assert (tank.cold_l, tank.hot_l, tank.ways) == (50, None, ())
    assert cleaning(found, replace(UNIT, hot_tank_l=0.0)).hot_l == 0


def test_where_it_may_run_is_said_where_it_passes_what_a_septic_bed_takes():
    bed = replace(CABIN, septic_l_day=500.0)
    assert where_it_may_run(500, bed) == where_it_may_run(5000, CABIN) == ""
    assert "959 L is more than the septic bed takes in a day (500 L): spread it over 2 days" in where_it_may_run(
        959, bed)
    chlorine = where_it_may_run(100, bed, chlorinated=True)
    for words in ("Take the chlorine out", "never to a lake or stream", "Local rules go first"):
        assert words in chlorine


def piece(dose, litres, kind="weak"):
    return Piece(start=AT, end=AT, kind=kind, cause="", underdosed_l=0.0, underdosed_l_upper=litres,
                 dose_low_mj_cm2=dose)


def exposure(*pieces, cause=Cause.POWER_CUT, **more):
    return Exposure(cause=cause, start=AT, end=AT, pieces=pieces, dose_target_mj_cm2=40.0, **more)


def test_the_water_is_that_of_the_pieces_at_most_and_unknown_is_untreated():
    found = water_of(
        exposure(piece(30.0, 5.0), piece(None, 2.0, "dark"), piece(30.0, 1.0), underdosed_l_upper=8.0), 16)
    assert found == water((0, 2), (30, 6))
    assert water_of(exposure(piece(39.0, 4.0, "dark"), underdosed_l_upper=4.0), 40) == water((0, 4))
    # out of what the unit was tested at: never marginal whatever its dose, so that a pipe volume at least is drawn
    untested = replace(piece(39.0, 4.0), severity="under-treated")
    asked = cleaning(water_of(exposure(untested, underdosed_l_upper=4.0), 40), UNIT)
    assert (asked.cold_l, asked.hot_l) == (18, 0)
    marginal = replace(untested, severity="marginal")
    assert cleaning(water_of(exposure(marginal, underdosed_l_upper=4.0), 40), UNIT).cold_l == 0
    assert water_of(exposure(), 16).parts == ((0.0, math.inf),)  # how much is not known
    weak = exposure(piece(30.0, 5.0), underdosed_l_upper=5.0)
    assert water_of(weak, 40, unclean=True).parts == ((0.0, math.inf),)  # a sample says so
    by_hand = Exposure(cause=Cause.MANUAL, start=AT, end=AT)
    assert water_of(by_hand, 40) == water((0, math.inf))
    nothing = cleaning(water_of(exposure(underdosed_l_upper=0.0), 40), replace(UNIT, cold_plumbing_l=None))
    assert (nothing.cold_l, nothing.hot_l) == (0, 0)  # late data explained all of it


@pytest.mark.parametrize(("dose_low_mj_cm2", "severity"), [
    (36.0, "marginal"), (26.0, "under-treated"), (0.0, "untreated")])
def test_water_that_sensors_add_to_what_a_person_raised_takes_no_litre_off(dose_low_mj_cm2, severity):
    by_hand = Exposure(cause=Cause.MANUAL, start=AT, end=AT)
    raised = advance(None, exposure_event(None, by_hand, at=AT, hot_tank_l=150.0, by="Ann Lund"))
    asked = cleaning_of(raised, UNIT)
    assert (asked.cold_l, asked.hot_l) == (50, 1365)  # untreated, of no known amount: as by hand above
    for hours in (-2, 2):  # found late, and since
        start = AT + timedelta(hours=hours)
        rows = Intervals(
            [start], [start + timedelta(minutes=1)], ["weak"], [""], np.array([1.0]), np.array([1.0]),
            np.array([dose_low_mj_cm2]), [severity])
        at = AT + timedelta(hours=3)
        found = exposure_of(rows, dose_target_mj_cm2=40.0, known=raised.exposure, now=at)
        more = advance(raised, exposure_event(raised, found, at=at, hot_tank_l=150.0))
        assert more.exposure.pieces
        assert cleaning_of(more, UNIT) == asked


def test_normal_use_is_counted_at_the_cold_tap():
    # 10 L untreated, then 40 L: S(40) - S(50) = .00259, and 1e-4 of all else lives: log10 .00269 = -2.57.
    # Then 30 L: S(30) - S(40) = .0327, -1.48
    assert left_at_cold_tap(water((0, 10)), 18.0, 40.0).words == "0.3 % of it is left at the cold tap, 2.5 log of 4"
    assert left_at_cold_tap(water((0, 10)), 18.0, 30.0).words == "4 % of it is left at the cold tap, 1.4 log of 4"
    assert left_at_cold_tap(water((0, 10)), 18.0, 17.0).share == 1.0  # it still comes
    told = left_at_cold_tap(water((0, 10)), 18.0, 120.0).words
    assert told == "less than 0.0001 % of it is left at the cold tap, less than 0.1 log short of 4"
    assert left_at_cold_tap(water((0, 10)), 18.0, 1e4).words == "0 % of it is left at the cold tap, 4 log of 4"


def record(**more):
    return StepRecorded(at=AT, step=Step.FLUSH_HOT, by="Ann Lund", **more)


def test_a_way_that_is_too_little_says_what_it_takes():
    asked = cleaning(water((0, 10)), UNIT)
    for more, words in (
            ({"how": "drained", "times": 3}, "drained 3 times; this water asks for 4 times"),
            ({"how": "heated", "degrees_c": 69.0, "minutes": 60.0}, "69 C at the hot tap; it takes 70 C"),
            ({"how": "heated", "degrees_c": 70.0, "minutes": 29.0}, "29 min; it takes 30 min at 70 C")):
        assert too_little(record(**more), asked).startswith(words)
    for more in ({"how": "drained", "times": 4}, {"how": "heated", "degrees_c": 70.0, "minutes": 30.0},
                 {"how": "chlorinated"}, {}):
        assert too_little(record(**more), asked) == ""
    assert "first enrol" in too_little(record(how="chlorinated"), cleaning(
        water((0, 10)), replace(UNIT, hot_tank_l=None)))


@pytest.mark.parametrize(("more", "words"), [
    ({"how": "boiled"}, "how must be one of flushed, drained, heated, chlorinated; got 'boiled'"),
    ({"how": "heated", "degrees_c": 71.0}, "minutes is missing"),
    ({"how": "heated", "degrees_c": 160.0, "minutes": 30.0}, r"at most 100 \(degrees Celsius\); got 160"),
    ({"how": "heated", "degrees_c": math.nan, "minutes": 30.0}, "degrees_c must be above 0"),
    ({"how": "drained"}, "times is missing"),
    ({"how": "drained", "times": 1.5}, "times must be a whole number"),
    ({"how": "drained", "times": 2, "degrees_c": 71.0}, "degrees_c says nothing"),
    ({"times": 2}, "times says nothing"),
    ({"how": "drained", "times": 2, "begun_at": AT.replace(hour=11)}, "from is when taps began"),
])
def test_a_record_of_a_way_brings_what_proves_it_and_nothing_else(more, words):
    with pytest.raises(NotAllowed, match=words):
        record(**more)
    with pytest.raises(NotAllowed, match="said of flush_hot alone"):
        StepRecorded(at=AT, step=Step.FLUSH_COLD, by="Ann Lund", how="flushed")


PARTS = st.lists(st.tuples(st.floats(0, 60), st.floats(0.001, 3000)), min_size=1, max_size=5)
UNITS = st.builds(
    lambda cold, tank, heel, hot: replace(
        UNIT, cold_plumbing_l=cold, hot_tank_l=tank, hot_tank_heel_l=None if heel is None else heel * tank,
        hot_max_c=hot),
    st.floats(1, 80), st.floats(5, 500), st.none() | st.floats(0, 0.9), st.none() | st.floats(40, 90))


@settings(max_examples=200, deadline=None)
@given(parts=PARTS, unit=UNITS, target=st.sampled_from([16.0, 30.0, 40.0, 60.0]), which=st.integers(0, 4),
       more_l=st.floats(0, 2000), less=st.floats(0, 1), more=PARTS)
def test_more_litres_or_less_dose_never_asks_less(parts, unit, target, which, more_l, less, more):
    was = cleaning(water(*parts, target=target), unit)
    dose, litres = parts[which % len(parts)]
    rest = [one for index, one in enumerate(parts) if index != which % len(parts)]
    for worse in ([*rest, (dose, litres + more_l)], [*rest, (dose * less, litres)], [*parts, *more]):
        now = cleaning(water(*worse, target=target), unit)
        assert now.cold_l >= was.cold_l and now.hot_l >= was.hot_l
        for way in was.ways:
            # a litre up to which both were rounded
            assert litres_of(now, way.how) >= way.litres
            assert (now.way(way.how).times or 0) >= (way.times or 0)


@settings(max_examples=150, deadline=None)
@given(parts=PARTS, unit=UNITS, order=st.randoms(use_true_random=False))
def test_after_the_flushes_no_tap_is_more_than_half_a_log_short_by_the_model_of_pipe_and_tank(
        parts, unit, order):
    asked = cleaning(water(*parts), unit)
    order.shuffle(parts)
    # all of it drawn hot, in any order, then the flush: the tank's share of each part, by another computation
    behind = Plumbing(cold_l=unit.cold_plumbing_l, hot_tank_l=unit.hot_tank_l, peclet=FLUSH_PECLET)
    drawn = [*(litres for _, litres in parts), asked.hot_l]
    shares = [standing(
        drawn, np.eye(1, len(drawn), index)[0], behind, hot_share=1.0, before=0.0).hot_tap[-1]
        for index in range(len(parts))]
    doses = [*(dose for dose, _ in parts), 40.0]
    assert mixture_shortfall_log(doses, [*shares, 1.0 - sum(shares)], 40.0) <= 0.5 + 1e-6
    pipe = replace(behind, hot_tank_l=0.0)
    drawn[-1] = asked.cold_l
    shares = [standing(
        drawn, np.eye(1, len(drawn), index)[0], pipe, before=0.0).cold_tap[-1] for index in range(len(parts))]
    assert mixture_shortfall_log(doses, [*shares, max(0.0, 1.0 - sum(shares))], 40.0) <= 0.5 + 1e-6
