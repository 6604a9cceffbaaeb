"""Least squares through innovations against the general library's generalised least squares and its ARMA."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from models.lamp.autocorrelation import (
    BLOCK_DAYS,
    LEAST_ALIKE,
    Blocks,
    blocks,
    likeness,
    mean_share,
    memory_days,
    whitened,
)
from tests.seeds import generator

sm = pytest.importorskip("statsmodels.api", reason="statsmodels is the reference of these checks")


def _autoregressive(rng: np.random.Generator, units: int, length: int, alike: float, sd: float) -> np.ndarray:
    out = np.empty((units, length))
    out[:, 0] = rng.normal(0, sd, units)
    for at in range(1, length):
        out[:, at] = alike * out[:, at - 1] + rng.normal(0, sd * np.sqrt(1 - alike**2), units)
    return out


def test_innovations_give_the_coefficients_and_errors_of_statsmodels_gls_also_across_gaps():
    rng = generator("innovations give the coefficients and errors of statsmodels gls also across gaps")
    units, length, alike = 8, 90, 0.7
    columns = np.stack([np.ones((units, length)), np.tile(np.linspace(0, -8, length), (units, 1)),
                        rng.normal(size=(units, length))], axis=1)
    noise = _autoregressive(rng, units, length, alike, 0.03)
    value = 4.0 * columns[:, 0] + 0.025 * columns[:, 1] + 0.01 * columns[:, 2] + noise
    known = rng.random((units, length)) > 0.25  # gaps of one block, and of several
    weight = np.where(known, float(BLOCK_DAYS), 0.0)
    x, y, _ = whitened(
        Blocks(columns=columns * known[:, None], residual=value * known, weight=weight), np.full(units, alike))
    gram, moment = x @ x.swapaxes(1, 2), (x @ y[:, :, None])[:, :, 0]
    for unit in range(units):
        at = np.flatnonzero(known[unit])
        covariance = alike ** np.abs(np.subtract.outer(at, at))
        reference = sm.GLS(value[unit, at], columns[unit][:, at].T, sigma=covariance).fit()
        ours = np.linalg.solve(gram[unit], moment[unit])
        assert ours == pytest.approx(reference.params, rel=1e-8)  # the same equations, solved twice
        left = y[unit] - ours @ x[unit]
        variance = (left**2).sum() / (len(at) - 3)
        assert np.sqrt(variance * np.diag(np.linalg.inv(gram[unit]))) == pytest.approx(reference.bse, rel=1e-8)


@pytest.mark.parametrize("alike", [0.5, 0.75])
def test_the_likeness_of_blocks_is_that_of_statsmodels_maximum_likelihood(alike):
    rng = np.random.default_rng(7)  # fixed: the reference's optimiser must not stop at a bound
    length = 3000
    noise = _autoregressive(rng, 1, length, alike, 0.03)
    columns = np.stack([np.ones(length), np.linspace(0, -8, length)])[None]
    of = Blocks(columns=columns, residual=noise, weight=np.full((1, length), float(BLOCK_DAYS)))
    ours = likeness(of, np.zeros((1, 2)), np.full((1, 2), 10.0))
    reference = sm.tsa.ARIMA(noise[0], exog=columns[0].T, order=(1, 0, 0), trend="n").fit()
    # the top is read off a parabola through a coarse grid; its standard error here is 0.01 to 0.02
    assert ours == pytest.approx(reference.arparams[0], abs=0.03)


@pytest.mark.parametrize("memory", [5.0, 15.0, 40.0])
def test_the_memory_is_that_of_the_days_behind_the_blocks(memory):
    # Block means of an Ornstein-Uhlenbeck process by its covariance, exp(-|t| / memory), summed over fine steps.
    fine = (np.arange(2000) + 0.5) / 2000 * 2 * BLOCK_DAYS
    covariance = np.exp(-np.abs(np.subtract.outer(fine, fine)) / memory)
    alike = covariance[:1000, 1000:].mean() / covariance[:1000, :1000].mean()
    assert memory_days(np.array([alike]))[0] == pytest.approx(memory, rel=0.01)
    assert mean_share(BLOCK_DAYS / memory) == pytest.approx(covariance[:1000, :1000].mean(), rel=0.001)


def test_white_noise_is_held_to_be_a_little_alike():
    rng = generator("white noise is held to be a little alike")
    noise, weight = rng.normal(0, 0.02, (40, 100)), np.full((40, 100), float(BLOCK_DAYS))
    of = Blocks(columns=np.ones((40, 1, 100)), residual=noise, weight=weight)
    assert likeness(of, np.zeros((40, 1)), np.full((40, 1), 10.0)) == LEAST_ALIKE


def test_blocks_are_weighted_means_that_end_with_the_last_day():
    rng = generator("blocks are weighted means that end with the last day")
    days = 4 * BLOCK_DAYS + 2
    columns, residual = rng.normal(size=(3, 2, days)), rng.normal(size=(3, days))
    weight = rng.random((3, days)) * (rng.random((3, days)) > 0.2)
    weight[1, -BLOCK_DAYS:] = 0.0
    found = blocks(columns, residual, weight)
    edges = [0, *range(2, days + 1, BLOCK_DAYS)]
    for block, (low, high) in enumerate(pairwise(edges)):
        for unit in range(3):
            total = weight[unit, low:high].sum()
            if total < 0.5:
                assert found.weight[unit, block] == 0 and found.residual[unit, block] == 0
                continue
            expected = np.average(residual[unit, low:high], weights=weight[unit, low:high])
            assert found.residual[unit, block] == pytest.approx(expected)
            assert found.columns[unit, 1, block] == pytest.approx(
                np.average(columns[unit, 1, low:high], weights=weight[unit, low:high]))
    assert found.weight[1, -1] == 0
