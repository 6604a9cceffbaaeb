"""Jumps without an event: found where they are, and not where only weather was."""

from __future__ import annotations

import numpy as np
import pytest

from models.lamp.change_points import found_jump
from tests.seeds import generator

UNITS, DAYS, SCALE = 40, 300, 0.02


def _noise() -> np.ndarray:
    return generator("noise").normal(0, SCALE, (UNITS, DAYS))


def _search(residual, *, events=None, known=None):
    known = np.ones(residual.shape, dtype=bool) if known is None else known
    events = np.zeros(residual.shape, dtype=bool) if events is None else events
    return found_jump(residual * known, known, np.full(UNITS, SCALE), events=events)


@pytest.mark.parametrize("size", [0.10, -0.10])
def test_a_jump_of_ten_percent_is_found_within_three_days_with_its_direction(size):
    residual = _noise() + np.where(np.arange(DAYS) >= 140, size / 2, -size / 2)
    at, rises = _search(residual)
    assert np.mean(np.abs(at - 140) <= 3) >= 0.9
    assert (rises[at < DAYS] == (size > 0)).all()


def test_the_place_is_that_of_the_best_split_in_two_means():
    # Reference: least squares over all splits, scipy-free and exhaustive, on one unit at a time.
    residual = _noise() + np.where(np.arange(DAYS) >= 150, 0.06, -0.06)
    at, _ = _search(residual)
    for unit in range(UNITS):
        cost = [
            residual[unit, :split].var() * split + residual[unit, split:].var() * (DAYS - split)
            for split in range(100, 200)
        ]
        # clipped days move the place a little: more than 4 once in some hundred fleets
        assert abs(at[unit] - (100 + int(np.argmin(cost)))) <= 6


def test_noise_alone_has_no_jump():
    at, _ = _search(_noise())
    assert (at == DAYS).mean() >= 0.97


def test_a_storm_of_ten_days_is_no_jump():
    residual = _noise()
    residual[:, 120:130] -= 0.3
    at, _ = _search(residual)
    assert (at == DAYS).mean() >= 0.97


def test_a_jump_at_a_recorded_event_is_the_events():
    residual = _noise() + np.where(np.arange(DAYS) >= 140, 0.05, -0.05)
    events = np.zeros((UNITS, DAYS), dtype=bool)
    events[:, 141] = True
    at, _ = _search(residual, events=events)
    assert (np.abs(at - 140) > 10).all()


def test_a_handful_of_days_says_nothing():
    at, _ = found_jump(
        np.ones((2, 10)), np.ones((2, 10), dtype=bool), np.full(2, SCALE), events=np.zeros((2, 10), dtype=bool)
    )
    assert at.tolist() == [10, 10]


@pytest.mark.parametrize("higher_side", ["before", "after"])
def test_a_large_step_is_found_though_the_fit_took_its_low_side_for_a_storm(higher_side):
    low = (np.arange(DAYS) >= 140) == (higher_side == "before")
    at, rises = _search(_noise() - np.where(low, 0.36, 0.0))
    assert (np.abs(at - 140) <= 3).all()
    assert (rises == (higher_side == "after")).all()
