"""The fast path against the exact model, over all kinds of sensor places and the whole range of readings."""

import numpy as np
import pytest

from models.dose import assess, explained
from models.dose.lookup import dose_table
from models.dose.reactor import uvt_points
from tests.models.dose.test_dose import WIDE
from tests.models.reactors import ANNULAR, BETWEEN, BLIND, NEAR_SLEEVE

GEOMETRIC = [kind for kind in WIDE if kind.equation is None]


def exact(reactor, columns, *, live):
    """Least dose and least bound over all explanations, by the readable model."""
    ways = explained(
        reactor, columns["intensity_w_m2"], columns["flow_l_min"], columns["uvt_pct"],
        uvt_points=uvt_points(reactor, live=live), water_may_differ=not live,
    )
    doses, lows = [way.dose_mj_cm2 for way in ways], [way.dose_low_mj_cm2 for way in ways]
    return np.fmin.reduce(doses), np.fmin.reduce(lows)


def readings(reactor, *, least_uvt_pct, dimmest):
    rng = np.random.default_rng(17)
    brightest = dose_table(reactor).brightest_w_m2
    return {
        "intensity_w_m2": rng.uniform(dimmest * brightest, 1.05 * brightest, 20_000),
        "flow_l_min": rng.uniform(0.2, 60.0, 20_000),
        "uvt_pct": rng.uniform(least_uvt_pct, 100.0, 20_000),
    }


@pytest.mark.parametrize("reactor", GEOMETRIC, ids=lambda r: r.name)
@pytest.mark.parametrize("live", [True, False])
def test_value_is_the_exact_models_to_rounding_and_the_bound_to_its_stated_error(reactor, live):
    columns = readings(reactor, least_uvt_pct=40.0, dimmest=0.02)
    value, low = exact(reactor, columns, live=live)
    found = assess(reactor, **columns, uvt_live=live)
    assert np.max(np.abs(found.red_mj_cm2 / value - 1)) < 1e-11
    assert np.max(np.abs(found.red_low_mj_cm2 - low) / value) < 5e-4


@pytest.mark.parametrize("reactor", GEOMETRIC, ids=lambda r: r.name)
@pytest.mark.parametrize("live", [True, False])
def test_dark_and_muddy_water_keep_value_and_bound_too(reactor, live):
    columns = readings(reactor, least_uvt_pct=15.0, dimmest=0.0)
    value, low = exact(reactor, columns, live=live)
    found = assess(reactor, **columns, uvt_live=live)
    assert np.max(np.abs(found.red_mj_cm2 / value - 1)) < 1e-9
    assert np.max(np.abs(found.red_low_mj_cm2 - low) / value) < 5e-3


def test_live_and_tested_rows_may_stand_in_one_column():
    columns = readings(ANNULAR, least_uvt_pct=76.0, dimmest=0.1)
    live = np.arange(20_000) % 3 == 0
    found = assess(ANNULAR, **columns, uvt_live=live)
    for is_live in (True, False):
        rows = {name: column[live == is_live] for name, column in columns.items()}
        alone = assess(ANNULAR, **rows, uvt_live=is_live)
        np.testing.assert_array_equal(found.red_low_mj_cm2[live == is_live], alone.red_low_mj_cm2)
        np.testing.assert_array_equal(found.explanation_code[live == is_live], alone.explanation_code)


@pytest.mark.parametrize(("reactor", "far", "blind"), [
    (ANNULAR, True, False), (NEAR_SLEEVE, False, False), (BETWEEN, False, False), (BLIND, False, True),
], ids=lambda x: getattr(x, "name", str(x)))
def test_a_sensors_place_decides_which_water_is_the_worse(reactor, far, blind):
    table = dose_table(reactor)
    assert (table.sees_far, table.blind) == (far, blind)
