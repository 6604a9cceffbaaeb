"""How fast whole columns become doses, as a ratio to plain numpy in the same run, and in how much memory."""

import time
import tracemalloc

import numpy as np
import pytest

from models.dose import assess
from tests.models.reactors import ANNULAR

AT_MOST_TIMES = 6.0
AT_MOST_COLUMNS = 8.0


def readings(rows):
    """Three columns as a fleet sends them: new and old lamps, clear and cloudy water, a tenth of it standing."""
    rng = np.random.default_rng(20261125)
    uvt_pct = rng.uniform(70.0, 99.0, rows)
    new_lamp_w_m2 = 103.0 * (uvt_pct / 100.0) ** 3.2
    intensity_w_m2 = new_lamp_w_m2 * rng.uniform(0.5, 1.05, rows)
    flow_l_min = rng.uniform(0.5, 33.0, rows)
    flow_l_min[rng.random(rows) < 0.1] = 0.0
    return intensity_w_m2, flow_l_min, uvt_pct


def processor_seconds(work):
    """Of one run; what else the machine does only adds to them, so the least of several is the truest."""
    start = time.process_time()
    work()
    return time.process_time() - start


def ratio(rows, repeats, *, uvt_live, tested_uvt_pct=None):
    """Time of the live path over the time of two exp and two multiplications on the same columns."""
    intensity, flow, uvt = readings(rows)

    def numpy_alone():
        return np.exp(intensity) * flow, np.exp(uvt) * flow

    def live_path():
        return assess(
            ANNULAR, intensity_w_m2=intensity, flow_l_min=flow,
            uvt_pct=uvt if tested_uvt_pct is None else tested_uvt_pct, uvt_live=uvt_live,
        )

    found = [(processor_seconds(live_path), processor_seconds(numpy_alone)) for _ in range(repeats)]
    ours, plain = (min(column) for column in zip(*found, strict=True))
    return ours / plain


@pytest.mark.bench
@pytest.mark.parametrize(
    ("uvt_live", "tested_uvt_pct"), [(True, None), (False, 82.0)], ids=["live sensor", "one water test"],
)
def test_ten_million_rows_take_at_most_six_times_two_exp_and_two_multiplications(uvt_live, tested_uvt_pct):
    found = ratio(10_000_000, 6, uvt_live=uvt_live, tested_uvt_pct=tested_uvt_pct)
    print(f"\nratio {found:.2f} of at most {AT_MOST_TIMES}")
    assert found <= AT_MOST_TIMES


@pytest.mark.bench
def test_a_water_test_that_differs_on_every_row_stays_below_eight_times():
    """No unit sends this: a water test holds for weeks. It does both cases' work, and measured 5.5 to 6.4."""
    found = ratio(10_000_000, 6, uvt_live=False)
    print(f"\nratio {found:.2f} of at most 8")
    assert found <= 8.0


@pytest.mark.bench
def test_ten_million_rows_hold_at_most_eight_columns_at_the_peak():
    rows = 10_000_000
    tracemalloc.start()
    try:
        intensity, flow, uvt = readings(rows)
        tracemalloc.reset_peak()
        result = assess(ANNULAR, intensity_w_m2=intensity, flow_l_min=flow, uvt_pct=uvt, uvt_live=True)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    columns = peak / (8 * rows)
    print(f"\n{columns:.2f} columns of at most {AT_MOST_COLUMNS}, the three of the input among them")
    assert len(result.red_low_mj_cm2) == rows
    assert columns <= AT_MOST_COLUMNS


def test_memory_beyond_inputs_and_results_does_not_grow_with_the_rows():
    extra = []
    for rows in (100_000, 800_000):
        intensity, flow, uvt = readings(rows)
        assess(ANNULAR, intensity_w_m2=intensity[:10], flow_l_min=flow[:10], uvt_pct=uvt[:10], uvt_live=False)
        tracemalloc.start()
        try:
            assess(ANNULAR, intensity_w_m2=intensity, flow_l_min=flow, uvt_pct=uvt, uvt_live=False)
            extra.append(tracemalloc.get_traced_memory()[1] - rows * (2 * 8 + 2))
        finally:
            tracemalloc.stop()
    assert extra[1] <= extra[0] + 200_000
