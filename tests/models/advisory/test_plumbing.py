"""Plumbing behind the unit: fronts, tanks and flush volumes."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.advisory.plumbing import Plumbing, after_pieces, flush_cold_l, flush_hot_l, standing
from models.fleet import Unit

CABIN = Plumbing(cold_l=18.0, hot_tank_l=150.0)
VOLUMES = st.lists(st.floats(0, 60), min_size=1, max_size=25)
PLUMBINGS = st.builds(
    Plumbing, cold_l=st.sampled_from([0.0, 0.5, 18.0]), hot_tank_l=st.sampled_from([0.0, 40.0]),
    peclet=st.sampled_from([None, 3.0, 200.0]),
)


def test_plumbing_is_as_enrolled():
    volumes = {"cold_plumbing_l": 18.0, "hot_tank_l": 150.0}
    assert Plumbing.of(Unit(slug="main", reactor="a", uvt_pct=80.0, peak_flow_l_min=28.0, **volumes)) == CABIN


def test_cold_tap_runs_old_water_until_the_pipes_volume_is_drawn():
    flushed = standing([6.0, 6.0, 5.9, 0.1, 1.0], 0.0, CABIN)
    assert flushed.cold_tap.tolist() == [1, 1, 1, 0, 0]  # 6, 12, 17.9 | 18, 19 of 18 L
    np.testing.assert_allclose(flushed.pipe_l, [12.0, 6.0, 0.1, 0.0, 0.0], atol=1e-9)


def test_drawing_what_the_flush_volume_says_is_enough_to_the_last_drop():
    steps = np.full(180, 0.1)  # 180 x 0.1 falls short of 18 by a rounding
    assert standing(steps, 0.0, CABIN).cold_tap[-1] == 0


def test_a_draw_in_the_dark_travels_as_a_slug_and_leaves():
    # 5 L of bad water into clean plumbing, then good: the slug stands at 13..18 L from the tap, then passes it
    past = standing([5.0, 10.0, 3.0, 4.0, 1.0, 1.0], [1, 0, 0, 0, 0, 0], CABIN, before=0.0)
    np.testing.assert_allclose(past.pipe_l, [5, 5, 5, 1, 0, 0], atol=1e-9)
    assert past.cold_tap.tolist() == [0, 0, 1, 1, 0, 0]  # after 5, 15, 18, 22, 23 and 24 L


def test_the_hot_tank_is_not_flushed_by_water_that_may_have_been_drawn_cold():
    assert (standing([500.0, 500.0], 0.0, CABIN).tank_l == 150.0).all()


def test_a_long_flush_in_one_step_or_in_many_leaves_the_same():
    once = standing([30_000.0], 0.0, CABIN, hot_share=0.5)
    many = standing(np.full(3000, 10.0), 0.0, CABIN, hot_share=0.5)
    assert once.hot_tap[-1] == pytest.approx(many.hot_tap[-1], rel=1e-9, abs=1e-30)
    assert once.cold_tap[-1] == many.cold_tap[-1] == 0


def test_a_flush_far_beyond_any_tank_stays_finite():
    assert standing([1e9, 1.0], 0.0, CABIN, hot_share=1.0).hot_tap == pytest.approx([0, 0], abs=1e-300)


def test_no_tank_has_no_hot_tap_and_needs_no_hot_flush():
    pipe = Plumbing(cold_l=18.0)
    assert np.isnan(standing([1.0], 0.0, pipe).hot_tap).all()
    assert flush_hot_l(pipe) == 0.0


def test_dispersion_asks_for_a_longer_flush():
    assert flush_cold_l(CABIN) < flush_cold_l(Plumbing(cold_l=18.0, hot_tank_l=150.0, peclet=500.0)) < flush_cold_l(
        Plumbing(cold_l=18.0, hot_tank_l=150.0, peclet=20.0)
    )


@pytest.mark.parametrize("plumbing", [CABIN, Plumbing(cold_l=18.0, hot_tank_l=150.0, peclet=30.0)])
@pytest.mark.parametrize("replaced", [0.99, 0.999])
def test_flush_volumes_end_where_the_model_reaches_the_share(plumbing, replaced):
    cold, hot = flush_cold_l(plumbing, replaced), flush_hot_l(plumbing, replaced)
    assert standing([cold], 0.0, plumbing).cold_tap[0] <= 1 - replaced + 1e-9
    assert standing([cold * 0.97], 0.0, plumbing).cold_tap[0] > 1 - replaced
    assert standing([hot], 0.0, plumbing, hot_share=1.0).hot_tap[0] == pytest.approx(1 - replaced, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(volumes=VOLUMES, plumbing=PLUMBINGS, data=st.data())
def test_water_is_neither_made_nor_lost_and_every_fraction_stays_within_0_and_1(volumes, plumbing, data):
    bad = data.draw(st.lists(st.sampled_from([0.0, 1.0]), min_size=len(volumes), max_size=len(volumes)))
    share, before = data.draw(st.sampled_from([0.0, 0.4, 1.0])), data.draw(st.sampled_from([0.0, 1.0]))
    found = standing(volumes, bad, plumbing, hot_share=share, before=before)
    for tap in (found.cold_tap, found.hot_tap[~np.isnan(found.hot_tap)]):
        assert ((tap >= 0) & (tap <= 1)).all()
    assert (found.pipe_l <= plumbing.cold_l).all() and (found.pipe_l >= 0).all()
    entered = np.cumsum(np.multiply(volumes, bad)) + before * plumbing.cold_l
    assert (found.pipe_l <= entered + 1e-9).all()
    if plumbing.peclet is None and plumbing.cold_l:  # all that entered and cannot have left yet is there
        assert (found.pipe_l >= np.minimum(entered, plumbing.cold_l) - np.cumsum(volumes) - 1e-9).all()


@settings(max_examples=60, deadline=None)
@given(volumes=VOLUMES, plumbing=PLUMBINGS)
def test_flushing_with_good_water_never_raises_what_is_left(volumes, plumbing):
    found = standing(volumes, 0.0, plumbing, hot_share=1.0)
    for left in (found.cold_tap, found.pipe_l, found.tank_l):
        assert (np.diff(left) <= 1e-6).all()


@settings(max_examples=40, deadline=None)
@given(volumes=VOLUMES, split=st.integers(2, 5), plumbing=PLUMBINGS)
def test_finer_steps_change_nothing(volumes, split, plumbing):
    coarse = standing(volumes, 0.0, plumbing, hot_share=0.7)
    fine = standing(np.repeat(np.divide(volumes, split), split), 0.0, plumbing, hot_share=0.7)
    np.testing.assert_allclose(fine.pipe_l[split - 1 :: split], coarse.pipe_l, atol=1e-6)
    np.testing.assert_allclose(fine.tank_l[split - 1 :: split], coarse.tank_l, atol=2e-3)


def test_pieces_count_unheard_water_as_bad_by_its_upper_bound_and_lit_water_by_what_is_known():
    pieces = pd.DataFrame({
        "kind": ["lit", "dark", "unheard", "lit", "lit"], "drawn_l": [50.0, 2.0, np.nan, np.nan, 6.0],
        "drawn_l_upper": [50.0, 2.0, 30.0, 400.0, 6.0],
    })
    found = after_pieces(pieces, CABIN)
    np.testing.assert_allclose(found.pipe_l, [0, 2, 18, 18, 12], atol=1e-9)
    assert found.cold_tap.tolist() == [0, 0, 1, 1, 1]


@pytest.mark.parametrize(("volume", "bad", "message"), [
    ([1.0, -2.0], [0, 0], r"volume_l must be at least 0 l; got .*-2.0.* at index 1"),
    ([1.0, np.nan], [0, 0], r"volume_l must be at least 0 l; got .*nan.* at index 1"),
    ([1.0], [1.5], r"underdosed must be within 0 and 1; got .*1.5.* at index 0"),
])
def test_a_volume_or_fraction_that_cannot_be_is_refused_by_name_and_place(volume, bad, message):
    with pytest.raises(ValueError, match=message):
        standing(volume, bad, CABIN)


@pytest.mark.parametrize(("values", "message"), [
    ({"cold_l": -1.0}, "cold_l must be at least 0"), ({"cold_l": 1.0, "peclet": 0.0}, "peclet must be above 0"),
])
def test_plumbing_that_cannot_be_is_refused(values, message):
    with pytest.raises(ValueError, match=message):
        Plumbing(**values)


@pytest.mark.parametrize("replaced", [0.0, 1.0, 99.0])
def test_a_share_in_percent_is_refused(replaced):
    with pytest.raises(ValueError, match=r"between 0 and 1, as 0\.99"):
        flush_cold_l(CABIN, replaced)
