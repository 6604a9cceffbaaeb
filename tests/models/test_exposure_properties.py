"""What must hold of a timeline whatever was sent, in whatever order and in however many messages."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_outage_scenarios import REACTOR, unit

from models.carry import plain_rows
from models.outage import Carry, hourly, join, open_tail, segments, timeline

UNIT = unit()
HOLD_S = 180.0
START = pd.Timestamp("2026-06-15T10:20:00", tz="UTC").as_unit("us")
SETTINGS = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])

READING = st.fixed_dictionaries({
    # 20 s: an event between readings; 180 and 181 s: to both sides of what is still held
    "step_s": st.sampled_from([20, 60, 60, 60, 60, 60, 180, 181, 600, 4000]),
    "intensity_w_m2": st.sampled_from([None, 0.0, 20.0, 41.0, 41.0]),
    "flow_l_min": st.sampled_from([None, 0.0, 0.0, 7.0, 12.3]),
    "total_step_l": st.sampled_from([None, 0.0, 0.0, 7.0, 100.1, -1000.0]),
    "lamp_on": st.sampled_from([None, None, True, True, False]),
    "power_on": st.sampled_from([None, None, True, True, False]),
    "lamp_hours_step": st.sampled_from([None, 0.0, 1 / 60, 0.1, 1.0]),
    "dose_low_mj_cm2": st.sampled_from([None, 30.0, 50.0, np.inf]),
    "dose_low_at_peak_mj_cm2": st.sampled_from([None, 30.0, 45.0]),
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
    return timeline(readings, unit=UNIT, reactor=REACTOR)


class Collector:
    """Keeps rows, pieces and carries as the store does, and works out only what a message touched."""

    def __init__(self) -> None:
        self.rows = self.pieces = self.carries = None

    def receive(self, message: pd.DataFrame) -> None:
        known = message if self.rows is None else pd.concat([self.rows, message])
        self.rows = known.groupby("at", sort=True).first().reset_index()
        carry = None
        if self.carries is not None:
            usable = self.carries[self.carries["settled"] & (self.carries["at"] < message["at"].min())]
            if len(usable):
                row = Carry.from_row(usable.iloc[-1].to_dict()).to_row()
                carry = Carry.from_row(json.loads(json.dumps(row)))
        later = self.rows if carry is None else self.rows[self.rows["at"] > carry.at]
        pieces, carries = timeline(later, unit=UNIT, reactor=REACTOR, carry=carry)
        if carry is not None:
            pieces = pd.concat([self.pieces[self.pieces["start"] < carry.at], pieces], ignore_index=True)
            carries = pd.concat(
                [self.carries[self.carries["at"] < carry.at], carries], ignore_index=True
            )
        self.pieces, self.carries = pieces, carries


@SETTINGS
@given(readings=READINGS, data=st.data())
def test_any_shuffle_and_any_split_into_messages_gives_the_same_bit_for_bit(readings, data):
    order = data.draw(st.permutations(range(len(readings))))
    cuts = sorted(data.draw(st.sets(st.integers(1, max(1, len(readings) - 1)), max_size=8)))
    collector = Collector()
    for part in np.split(np.array(order), cuts):
        if part.size:
            collector.receive(readings.iloc[part])
    pieces, carries = whole(readings)
    pd.testing.assert_frame_equal(collector.pieces, pieces, check_exact=True)
    pd.testing.assert_frame_equal(
        collector.carries.tail(1).reset_index(drop=True), carries.tail(1).reset_index(drop=True), check_exact=True
    )


@SETTINGS
@given(readings=READINGS, data=st.data())
def test_messages_in_order_each_evaluated_at_once_give_the_same_bit_for_bit(readings, data):
    cuts = sorted(data.draw(st.sets(st.integers(1, max(1, len(readings) - 1)), max_size=20)))
    collector = Collector()
    for part in np.split(np.arange(len(readings)), cuts):
        collector.receive(readings.iloc[part])
    pd.testing.assert_frame_equal(collector.pieces, whole(readings)[0], check_exact=True)


@SETTINGS
@given(readings=READINGS)
def test_states_of_a_whole_history_are_told_as_each_alone(readings):
    _, carries = whole(readings)
    assert plain_rows(carries) == [Carry.from_row(row.to_dict()).to_row() for _, row in carries.iterrows()]
    with pytest.raises(ValueError, match="needs the instant `at`"):
        plain_rows(carries.drop(columns="at"))


@SETTINGS
@given(readings=READINGS)
def test_every_settled_carry_takes_up_where_it_stands(readings):
    pieces, carries = whole(readings)
    assert carries["at"].iloc[-1] == readings["at"].iloc[-1]
    for _, row in carries[carries["settled"]].iterrows():
        carry = Carry.from_row(row.to_dict())
        again, later = timeline(readings[readings["at"] > carry.at], unit=UNIT, reactor=REACTOR, carry=carry)
        tail = pieces[pieces["start"] >= carry.at].reset_index(drop=True)
        pd.testing.assert_frame_equal(again, tail, check_exact=True)
        pd.testing.assert_frame_equal(
            later, carries[carries["at"] >= carry.at].reset_index(drop=True), check_exact=True
        )
        stored = segments(pieces)
        pd.testing.assert_frame_equal(
            segments(again), stored[stored["start"] >= carry.at].reset_index(drop=True), check_exact=True
        )


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
    bad = pieces["kind"].isin(["dark", "warming", "weak"])
    pd.testing.assert_series_equal(
        pieces.loc[bad, "underdosed_l"], pieces.loc[bad, "drawn_l"], check_names=False, check_exact=True
    )


@SETTINGS
@given(readings=READINGS, data=st.data())
def test_no_time_later_than_three_cadences_after_a_reading_is_ever_lit(readings, data):
    kept = readings[data.draw(st.lists(st.booleans(), min_size=len(readings), max_size=len(readings)))]
    if len(kept) < 2:
        return
    kept = kept.reset_index(drop=True)
    pieces, carries = whole(kept)
    carry = Carry.from_row(carries.iloc[-1].to_dict())
    tail = open_tail(carry, carry.at + pd.Timedelta(hours=2), UNIT, REACTOR)
    for part in (pieces, tail):
        read = np.searchsorted(kept["at"], part["start"], side="right") - 1
        since_s = (part["end"] - kept["at"].iloc[read].array).dt.total_seconds()
        assert (part.loc[since_s > HOLD_S, "kind"] == "unheard").all()
    assert tail["kind"].iloc[-1] == "unheard"


@SETTINGS
@given(readings=READINGS)
def test_merging_for_store_people_and_hours_loses_no_water_and_no_second(readings):
    pieces, _ = whole(readings)
    stored, hours = segments(pieces), hourly(pieces)
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
        "dose_low_mj_cm2": np.where(flow > 0, 50.0, np.inf),
    })
    pieces, _ = whole(readings)
    np.testing.assert_allclose(pieces["underdosed_l"].sum(), truth_l, atol=1e-6)
    heard = np.ones(n, bool)
    for begin in rng.integers(1, n - 50, rng.integers(1, 4)):
        heard[begin : begin + rng.integers(4, 40)] = False
    pieces, _ = whole(readings[heard].reset_index(drop=True))
    assert (pieces["kind"] == "unheard").any()
    assert pieces["underdosed_l_upper"].sum() >= truth_l - 1e-6
    np.testing.assert_allclose(pieces["drawn_l"].sum(), flow[:-1].sum(), atol=1e-3)  # the meter missed nothing
