"""What must hold of a unit's time whatever was sent, in whatever order and in however many messages."""

from __future__ import annotations

import dataclasses
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models.exposure import cut, hourly, join, microseconds, period_us
from models.exposure.instants import NEVER
from models.exposure.rows import look_ahead_s
from tests.models.exposed import exposed, exposed_together, state_at, stored_of, tail_of
from tests.models.exposure.test_outage_scenarios import REACTOR, unit

UNIT = unit()
LOOK_AHEAD_US = int(1e6 * look_ahead_s(UNIT.cadence_s, 300.0))  # of the unit that these properties judge
UNITS = (UNIT, unit(total="pulse", lamp_hours_step_h=0.1), unit(gravity_fed=True), unit(cadence_s=300.0))
COVERED_S = 90.0  # 1.5 cadences of 60 s
START = pd.Timestamp("2026-06-15T10:20:00", tz="UTC").as_unit("us")
SETTINGS = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])

READING = st.fixed_dictionaries({
    # 20 s: an event between readings; 90 and 91 s: to both sides of what two ends cover
    "step_s": st.sampled_from([20, 60, 60, 60, 60, 60, 90, 91, 180, 600, 4000]),
    "intensity_w_m2": st.sampled_from([None, 0.0, 20.0, 41.0, 41.0, 41.3]),
    "flow_l_min": st.sampled_from([None, 0.0, 0.0, 7.0, 12.3]),
    "total_step_l": st.sampled_from([None, 0.0, 0.0, 7.0, 100.1, -1000.0]),
    "lamp_on": st.sampled_from([None, None, True, True, False]),
    "power_on": st.sampled_from([None, None, True, True, False]),
    "lamp_hours_step": st.sampled_from([None, 0.0, 1 / 60, 0.1, 1.0]),
    "dose_low_mj_cm2": st.sampled_from([None, 15.0, 30.0, 37.0, 50.0, np.inf]),
    "dose_low_at_peak_mj_cm2": st.sampled_from([None, 30.0, 37.0, 45.0]),
    "dose_mj_cm2": st.sampled_from([None, 55.0, np.inf]),
    "dose_at_peak_mj_cm2": st.sampled_from([None, 48.0]),
})


def table(drawn_rows: list[dict]) -> pd.DataFrame:
    rows = pd.DataFrame(drawn_rows)
    rows["at"] = START + pd.to_timedelta(rows.pop("step_s").cumsum(), unit="s").dt.as_unit("us")
    for name, start in (("total", 10_000.0), ("lamp_hours", 5000.123)):
        step = rows.pop(f"{name}_step_l" if name == "total" else f"{name}_step").astype(float)
        rows["total_l" if name == "total" else name] = (start + step.fillna(0).cumsum()).where(step.notna())
    floats = [c for c in rows if c not in ("at", "lamp_on", "power_on")]
    return rows.astype(dict.fromkeys(floats, float))


READINGS = st.lists(READING, min_size=2, max_size=70).map(table)


def whole(readings: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    return exposed(readings, unit=UNIT, reactor=REACTOR)


def same(found: pd.DataFrame, expected: pd.DataFrame) -> None:
    """Bit for bit; `row` counts from where a table begins."""
    drop = [name for name in ("row",) if name in found]
    pd.testing.assert_frame_equal(
        found.drop(columns=drop).reset_index(drop=True), expected.drop(columns=drop).reset_index(drop=True),
        check_exact=True)


def usable(states: pd.DataFrame, since_us: int, readings: pd.DataFrame) -> pd.DataFrame:
    """States that what comes from `since_us` on can't change: before it, its last total and last tick.

    A reading's missing cell is filled from those after it, so up to `LOOK_AHEAD_US` before counts as touched too. A
    counter's tick is read at the reading before the news at the latest, and what its bracket holds begins there.
    """
    earlier = states[states["at_us"] < since_us - LOOK_AHEAD_US]
    if earlier.empty:
        return earlier
    last = earlier.iloc[-1]
    oldest = int(last["at_us"]) + 1
    if readings["total_l"].notna().any() and last["total_l_at_us"] != NEVER:
        oldest = min(oldest, int(last["total_l_at_us"]) + 1)
    if readings["lamp_hours"].notna().any() and last["tick_at_us"] != NEVER:
        oldest = min(oldest, int(last["tick_at_us"]) + 1)
    # one that lies before the span of totals, or the bracket of ticks, that reaches into the news
    return earlier[earlier["at_us"] < oldest]


class Collector:
    """Keeps rows, pieces and states as the store does, and works out only what a message touched."""

    def __init__(self) -> None:
        self.rows = self.pieces = self.states = None

    def receive(self, message: pd.DataFrame) -> None:
        known = message if self.rows is None else pd.concat([self.rows, message])
        self.rows = known.groupby("at", sort=True).first().reset_index()
        state = None
        if self.states is not None:
            since = int(microseconds(message["at"]).min())
            found = usable(self.states, since, self.rows[microseconds(self.rows["at"]) >= since - LOOK_AHEAD_US])
            if len(found):
                state = state_at(found)
        if state is None:
            self.pieces, self.states = whole(self.rows)
            return
        at = int(state["at_us"].iloc[0])
        later = self.rows[microseconds(self.rows["at"]) > at].reset_index(drop=True)
        pieces, states = exposed(later, unit=UNIT, reactor=REACTOR, state=state)
        before = self.pieces[microseconds(self.pieces["start"]) < at]
        self.pieces = pd.concat([before, pieces], ignore_index=True)
        self.states = pd.concat(
            [self.states[self.states["at_us"] < at], states], ignore_index=True).drop_duplicates(
                "at_us", keep="last")


@SETTINGS
@given(readings=READINGS, data=st.data())
def test_any_shuffle_and_any_split_into_messages_gives_the_same_bit_for_bit(readings, data):
    order = data.draw(st.permutations(range(len(readings))))
    cuts = sorted(data.draw(st.sets(st.integers(1, max(1, len(readings) - 1)), max_size=8)))
    collector = Collector()
    for part in np.split(np.array(order), cuts):
        if part.size:
            collector.receive(readings.iloc[part])
    pieces, states = whole(readings)
    same(collector.pieces, pieces)
    same(collector.states.tail(1), states.tail(1))


@SETTINGS
@given(readings=READINGS, data=st.data())
def test_messages_in_order_each_evaluated_at_once_give_the_same_bit_for_bit(readings, data):
    cuts = sorted(data.draw(st.sets(st.integers(1, max(1, len(readings) - 1)), max_size=20)))
    collector = Collector()
    for part in np.split(np.arange(len(readings)), cuts):
        collector.receive(readings.iloc[part])
    same(collector.pieces, whole(readings)[0])


@SETTINGS
@given(readings=READINGS)
def test_every_state_takes_up_where_it_stands(readings):
    pieces, states = whole(readings)
    at_us = microseconds(readings["at"])
    assert states["at_us"].iloc[-1] == at_us[-1]
    for position in range(len(states)):
        at = int(states["at_us"].iloc[position])
        again, later = exposed(
            readings[at_us > at].reset_index(drop=True), unit=UNIT, reactor=REACTOR,
            state=state_at(states, position))
        same(again, pieces[microseconds(pieces["start"]) >= at])
        same(later, states[states["at_us"] >= at])


@SETTINGS
@given(several=st.lists(READINGS, min_size=2, max_size=4))
def test_many_units_together_give_what_each_gives_alone_bit_for_bit(several):
    every = pd.concat([one.assign(unit_no=n) for n, one in enumerate(several)], ignore_index=True)
    pieces, states = exposed_together(every, UNITS, REACTOR)
    for n, one in enumerate(several):
        alone, state = exposed(one, unit=UNITS[n], reactor=REACTOR)
        for found, expected in ((pieces, alone), (states, state)):
            same(found[found["unit_no"] == n].drop(columns="unit_no"), expected.drop(columns="unit_no"))


def test_the_last_minute_of_a_unit_does_not_hang_on_the_first_reading_of_the_next():
    """A lamp just seen to come on, its light read at both ends; behind it a unit that burns, or nobody knows."""
    mine = pd.DataFrame({
        "at": START + pd.to_timedelta([0, 60, 120], unit="s").as_unit("us"), "intensity_w_m2": [0.0, 41.0, 41.2],
        "flow_l_min": 6.0, "lamp_on": [False, True, True], "unit_no": 0})
    found = []
    for lamp, light in ((True, 41.0), (None, np.nan)):
        other = pd.DataFrame({
            "at": START + pd.to_timedelta([0, 60], unit="s").as_unit("us"), "intensity_w_m2": light,
            "flow_l_min": 6.0, "lamp_on": [lamp] * 2, "unit_no": 1})
        pieces, _ = exposed_together(
            pd.concat([mine.astype({"lamp_on": object}), other.astype({"lamp_on": object})], ignore_index=True),
            UNITS, REACTOR)
        found.append(pieces[pieces["unit_no"] == 0])
    same(*found)
    # the warm-up's light was measured at 10:21 and 10:22, enough for 6 L/min
    assert found[0]["kind"].tolist() == ["dark", "warming"]
    assert found[0]["underdosed_l_upper"].tolist() == [6, 0]


@SETTINGS
@given(several=st.lists(READINGS, min_size=2, max_size=4), data=st.data())
def test_many_units_taken_up_together_each_from_its_own_state_give_the_same(several, data):
    every = pd.concat([one.assign(unit_no=n) for n, one in enumerate(several)], ignore_index=True)
    pieces, states = exposed_together(every, UNITS, REACTOR)
    kept = [data.draw(st.sampled_from(range(len(mine)))) for _, mine in states.groupby("unit_no")]
    chosen = pd.concat(
        [state_at(mine, position) for position, (_, mine) in zip(kept, states.groupby("unit_no"), strict=True)],
        ignore_index=True)
    since = chosen["at_us"].to_numpy()
    later = every[microseconds(every["at"]) > since[every["unit_no"].to_numpy()]].reset_index(drop=True)
    again, _ = exposed_together(later, UNITS, REACTOR, states=chosen)
    same(again, pieces[microseconds(pieces["start"]) >= since[pieces["unit_no"].to_numpy()]])


@SETTINGS
@given(readings=READINGS)
def test_pieces_tile_the_time_exactly_and_bounds_hold(readings):
    pieces, _ = whole(readings)
    assert pieces["start"].iloc[0] == readings["at"].iloc[0]
    assert pieces["end"].iloc[-1] == readings["at"].iloc[-1]
    assert (pieces["start"].iloc[1:].to_numpy() == pieces["end"].iloc[:-1].to_numpy()).all()
    assert (pieces["seconds"] > 0).all()
    assert pieces["seconds"].sum() == (readings["at"].iloc[-1] - readings["at"].iloc[0]).total_seconds()
    for name in ("drawn_l", "underdosed_l"):
        assert pieces[f"{name}_upper"].notna().all()  # an upper bound is always known
        known = pieces[pieces[name].notna()]
        assert (known[name] >= 0).all()
        assert (known[name] <= known[f"{name}_upper"] + 1e-9).all()
    assert (pieces["underdosed_l_upper"] <= pieces["drawn_l_upper"]).all()
    assert (pieces.loc[pieces["kind"] == "lit", "underdosed_l_upper"] == 0).all()
    assert (pieces.loc[pieces["kind"] == "unheard", "underdosed_l"].fillna(0) == 0).all()


@SETTINGS
@given(readings=READINGS, data=st.data())
def test_no_time_without_a_reading_is_lit_but_for_a_counter_and_no_tail_once_overdue(readings, data):
    kept = readings[data.draw(st.lists(st.booleans(), min_size=len(readings), max_size=len(readings)))]
    if len(kept) < 2:
        return
    kept = kept.drop(columns="lamp_hours").reset_index(drop=True)  # nothing else here covers a silence
    pieces, states = whole(kept)
    read = np.searchsorted(kept["at"], pieces["start"], side="right") - 1
    span_s = kept["at"].diff().shift(-1).dt.total_seconds().to_numpy()[read]
    assert (pieces.loc[span_s > COVERED_S, "kind"] == "unheard").all()
    assert not (pieces["rests_on"][span_s <= COVERED_S].str.contains("no reading")).any()
    now = kept["at"].iloc[-1] + pd.Timedelta(hours=2)  # overdue after 180 s
    assert (tail_of(state_at(states), now, unit=UNIT, reactor=REACTOR)["kind"] == "unheard").all()


@SETTINGS
@given(readings=READINGS)
def test_merging_for_store_people_and_hours_loses_no_water_and_no_second(readings):
    pieces, _ = whole(readings)
    period = np.array([period_us("UTC")])
    stored, hours = stored_of(pieces), hourly(cut(pieces, period), period)
    people = join(stored)
    assert (people["kind"].iloc[1:].to_numpy() != people["kind"].iloc[:-1].to_numpy()).all()
    for one in (stored, people):
        assert (one["start"].iloc[1:].to_numpy() == one["end"].iloc[:-1].to_numpy()).all()
        for name in ("seconds", "drawn_l", "drawn_l_upper", "underdosed_l", "underdosed_l_upper"):
            np.testing.assert_allclose(one[name].sum(skipna=False), pieces[name].sum(skipna=False), rtol=1e-12)
    kinds = ["lit_s", "warming_s", "weak_s", "dark_s", "unheard_s"]
    np.testing.assert_allclose(hours[kinds].to_numpy().sum(), pieces["seconds"].sum())
    np.testing.assert_allclose(hours["volume_l"].sum(), pieces["drawn_l"].sum(), rtol=1e-12)
    np.testing.assert_allclose(hours["underdosed_l_upper"].sum(), pieces["underdosed_l_upper"].sum(), rtol=1e-12)


# Its clock jumps by a whole hour, never has, and by half of one; Kolkata's hours begin within UTC's.
ZONES = ["America/Toronto", "Asia/Kolkata", "Australia/Lord_Howe"]


def heard_now_and_then(rng: np.random.Generator, start: pd.Timestamp, days: int) -> pd.DataFrame:
    """Readings minutes or days apart over so many days, so that silences lie over every kind of border."""
    steps_s = rng.choice([60, 60, 90, 3700, 20_000, 90_000, 400_000], size=days * 4)
    at = start + pd.to_timedelta(np.concatenate([[0], np.cumsum(steps_s)]), unit="s")
    at = at[at < start + pd.Timedelta(days=days)]
    lit = rng.random(len(at)) < 0.7
    return pd.DataFrame({
        "at": pd.Series(at).dt.as_unit("us"), "intensity_w_m2": np.where(lit, 41.0, 0.0), "lamp_on": lit,
        "flow_l_min": rng.choice([0.0, 0.0, 5.0], size=len(at)),
        "total_l": 1000 + np.cumsum(rng.choice([0.0, 3.3], size=len(at)))})


@pytest.mark.parametrize("zone", ZONES)
@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_hours_sum_to_days_days_to_months_and_months_to_the_year_in_any_zone(zone, seed):
    rng = np.random.default_rng(seed)
    pieces, _ = whole(heard_now_and_then(rng, pd.Timestamp("2026-01-01", tz=zone).tz_convert("UTC"), 400))
    period = np.array([period_us(zone)])
    hours = hourly(cut(pieces, period), period)
    local = hours["hour"].dt.tz_convert(zone)
    kinds = ["lit_s", "warming_s", "weak_s", "dark_s", "unheard_s"]
    seconds = hours[kinds].sum(axis=1)
    names = ["volume_l", "volume_l_upper", "underdosed_l_upper"]
    # every whole period within is full, so no second stands in two and none in none
    np.testing.assert_allclose(seconds.iloc[1:-1], period[0] / 1e6, rtol=0, atol=1e-6)
    assert (hours["hour"].diff().dropna() == pd.Timedelta(int(period[0]), unit="us")).all()
    first, last = pieces["start"].iloc[0].tz_convert(zone), pieces["end"].iloc[-1].tz_convert(zone)
    for day, of_day in seconds.groupby(local.dt.date):
        midnight = pd.Timestamp(day, tz=ZoneInfo(zone))
        next_midnight = pd.Timestamp(day + pd.Timedelta(days=1), tz=ZoneInfo(zone))
        if midnight >= first and next_midnight <= last:
            assert of_day.sum() == pytest.approx((next_midnight - midnight).total_seconds(), abs=1e-6)
    months = hours.groupby([local.dt.year, local.dt.month])[names].sum()
    for name, of_piece in zip(names, ("drawn_l", "drawn_l_upper", "underdosed_l_upper"), strict=True):
        np.testing.assert_allclose(months[name].sum(), pieces[of_piece].sum(), rtol=1e-9)


# The days on which clocks change in 2026, and how long they are: IANA time zone database, from memory.
@pytest.mark.parametrize(("zone", "day", "hours_of_day"), [
    ("America/Toronto", "2026-03-08", 23.0), ("America/Toronto", "2026-11-01", 25.0),
    ("America/Toronto", "2026-06-15", 24.0), ("Asia/Kolkata", "2026-03-08", 24.0),
    ("Australia/Lord_Howe", "2026-04-05", 24.5), ("Australia/Lord_Howe", "2026-10-04", 23.5),
])
def test_a_day_on_which_the_clock_changes_has_its_own_length(zone, day, hours_of_day):
    noon = pd.Timestamp(f"{day}T12:00", tz=zone)
    ends = pd.Series([noon - pd.Timedelta(days=3), noon + pd.Timedelta(days=3)])
    silence = pd.DataFrame({
        "at": ends.dt.tz_convert("UTC").dt.as_unit("us"),
        "intensity_w_m2": 41.0, "lamp_on": True, "total_l": [1003.0, 1147.0]})
    pieces, _ = whole(silence)
    period = np.array([period_us(zone)])
    hours = hourly(cut(pieces, period), period)
    mine = hours[hours["hour"].dt.tz_convert(zone).dt.date == noon.date()]
    assert mine["unheard_s"].sum() == pytest.approx(hours_of_day * 3600)
    # 144 L in 144 h: a litre an hour goes with the time; whole litres, so one more at most in all of it
    assert mine["volume_l"].sum() == pytest.approx(hours_of_day)
    assert mine["underdosed_l_upper"].sum() == pytest.approx(hours_of_day * 145 / 144)


@SETTINGS
@given(seed=st.integers(0, 2**32 - 1))
def test_what_was_really_underdosed_never_exceeds_the_upper_bound_when_runs_of_readings_are_lost(seed):
    """Truth by counting minutes: a lamp that goes and comes, taps that open, a meter; then parts are not heard."""
    rng = np.random.default_rng(seed)
    n = 240
    on = np.ones(n, bool)
    for begin in rng.integers(5, n, rng.integers(0, 4)):
        on[begin : begin + rng.integers(1, 40)] = False
    flow = np.where(rng.random(n) < 0.3, rng.integers(1, 28, n), 0).astype(float)
    minutes_on = np.zeros(n, int)
    for i in range(n):
        minutes_on[i] = (minutes_on[i - 1] + 1 if i else 100) if on[i] else 0
    bad = minutes_on <= 2  # dark, or in its first two minutes
    truth_l = flow[bad][: -1 if bad[-1] else None].sum()
    readings = pd.DataFrame({
        "at": START + pd.to_timedelta(np.arange(n), unit="min").as_unit("us"),
        "intensity_w_m2": np.where(on, np.where(bad, 20.0, 41.0), 0.0), "flow_l_min": flow,
        "total_l": 5000 + np.concatenate([[0], np.cumsum(flow[:-1])]), "lamp_on": on, "power_on": on,
        # cold and lit: too little light at any flow
        "dose_low_mj_cm2": np.where(flow > 0, np.where(bad, 25.0, 50.0), np.inf),
        "dose_low_at_peak_mj_cm2": np.where(bad, 25.0, 45.0),
    })
    pieces, _ = whole(readings)
    assert pieces["underdosed_l"].sum() - 1e-6 <= truth_l <= pieces["underdosed_l_upper"].sum() + 1e-6
    heard = np.ones(n, bool)
    for begin in rng.integers(1, n - 50, rng.integers(1, 4)):
        heard[begin : begin + rng.integers(4, 40)] = False
    pieces, _ = whole(readings[heard].reset_index(drop=True))
    assert (pieces["kind"] == "unheard").any()
    assert pieces["underdosed_l_upper"].sum() >= truth_l - 1e-6
    np.testing.assert_allclose(pieces["drawn_l"].sum(), flow[:-1].sum(), atol=1e-3)  # the meter missed nothing
    # without totals: this water runs on in a cut, more than a pressure tank holds, so its supply is by gravity
    gravity = dataclasses.replace(UNIT, total=None, gravity_fed=True)
    alone, _ = exposed(
        readings.drop(columns="total_l")[heard].reset_index(drop=True), unit=gravity, reactor=REACTOR)
    assert alone["underdosed_l_upper"].sum() >= truth_l - 1e-6
