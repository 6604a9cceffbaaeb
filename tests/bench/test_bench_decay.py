"""The fleet's fit against a loop over a general library, in one run on one machine; `pytest -m bench`."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest

from models.lamp.daily_series import FleetDays
from models.lamp.decay import fleet_fit
from models.lamp.design_matrix import design
from models.lamp.water_trend import water_trend
from tests.seeds import generator

sm = pytest.importorskip("statsmodels.api", reason="statsmodels is the yardstick of this benchmark")

pytestmark = pytest.mark.bench
UNITS, DAYS, SAMPLE = 10_000, 730, 60


def _fleet(rng: np.random.Generator) -> FleetDays:
    """Two years of days with a swap, cleanings, a season, tested water, gaps and outliers."""
    day = np.arange(DAYS)
    hours = 24.0 * day + rng.uniform(0, 4000, (UNITS, 1))
    swapped = day >= rng.integers(150, 600, (UNITS, 1))
    lamp_hours = np.where(swapped, 24.0 * np.cumsum(swapped, axis=1), hours)
    period = rng.integers(90, 250, (UNITS, 1))
    clean_number, since = np.divmod(day + rng.integers(0, 90, (UNITS, 1)), period)
    clean_hours = 24.0 * since
    temp = 9.0 + 7.0 * np.sin(2 * np.pi * (day + rng.uniform(0, 365, (UNITS, 1))) / 365)
    uvt = 80.0 + 6.0 * rng.standard_normal((UNITS, 1)) / 2 + rng.standard_normal((UNITS, DAYS))
    log = (
        4.0 + 0.2 * rng.standard_normal((UNITS, 1)) - rng.normal(0.025, 0.006, (UNITS, 1)) * lamp_hours / 1000
        - rng.gamma(1.5, 0.03, (UNITS, 1)) * clean_hours / 1000 + 3.2 * np.log(uvt / 100) + 0.004 * temp
        + 0.02 * rng.standard_t(4, (UNITS, DAYS))
    )  # fmt: skip
    intensity = np.exp(log)
    intensity[rng.random((UNITS, DAYS)) < 0.03] = np.nan
    return FleetDays(
        units=pd.MultiIndex.from_product([[f"c{row}" for row in range(UNITS)], ["main"]], names=["cabin", "unit"]),
        kind=rng.integers(0, 4, UNITS), kinds=("a", "b", "c", "d"), first_day=np.datetime64("2025-01-01"),
        intensity_w_m2=intensity, lamp_hours=lamp_hours, clean_hours=clean_hours, uvt_pct=uvt, water_temp_c=temp,
        lamp_number=swapped.astype(int), clean_number=clean_number,
    )


def _measured() -> dict[str, float]:
    """Seconds of both, turn about, the best of five: what else runs on the machine only ever adds."""
    # The loop gets the same columns, built beforehand and without its cost, as plain arrays; only the fit is timed.
    # It neither pools nor looks for jumps, which ours does within its time.
    days = _fleet(generator("measured"))
    x, y, known = design(
        days, slice(0, SAMPLE), water=water_trend(days), reference_absorbance_per_cm=np.full(UNITS, 0.2),
        found=np.full((SAMPLE, 2, 2), DAYS),
    )
    norm = sm.robust.norms.TukeyBiweight()
    loops, fits = [], []
    for _ in range(5):
        start = time.perf_counter()
        for unit in range(SAMPLE):
            columns = x[unit][:, known[unit]].T
            sm.RLM(y[unit, known[unit]], columns[:, (columns != 0).any(axis=0)], M=norm).fit()
        loops.append((time.perf_counter() - start) * UNITS / SAMPLE)
        start = time.perf_counter()
        fit = fleet_fit(days)
        fits.append(time.perf_counter() - start)
        assert np.isfinite(fit.coefficient).all()
    peak_gib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    return {"loop_s": min(loops), "fit_s": min(fits), "peak_gib": peak_gib}


@pytest.mark.timeout(900)
def test_ten_thousand_units_of_two_years_fit_fifty_times_faster_than_a_statsmodels_loop(capsys):
    # A process of its own: its memory is the fit's, and both sides get one thread of linear algebra, since the
    # loop's many small problems are slowed by more (and would flatter ours).
    answer = subprocess.run(
        [sys.executable, "-W", "ignore", __file__], check=True, capture_output=True, text=True,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
    )
    found = json.loads(answer.stdout)
    ratio = found["loop_s"] / found["fit_s"]
    with capsys.disabled():
        print(
            f"\nfit of {UNITS} x {DAYS}: {found['fit_s']:.2f} s; statsmodels RLM loop {found['loop_s']:.1f} s; "
            f"{ratio:.0f} times; peak {found['peak_gib']:.2f} GiB"
        )
    assert ratio >= 50
    assert found["peak_gib"] < 2


if __name__ == "__main__":
    print(json.dumps(_measured()))
