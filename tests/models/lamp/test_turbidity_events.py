"""Storms are taken out of a record by their course, and how fast they clear is learned from it."""

from __future__ import annotations

import numpy as np
import pytest

from models.lamp.robust import median_scale
from models.lamp.turbidity_events import USUAL_LEFT, left_after_a_day, storm_course, storm_weight
from tests.seeds import generator

LEFT = 0.7


def _record(rng: np.random.Generator, units: int = 20, days: int = 400) -> tuple[np.ndarray, np.ndarray]:
    """Noise of a day, and storms that begin at random and clear by a fixed share a day."""
    fall = np.where(rng.random((units, days)) < 0.05, -rng.exponential(0.2, (units, days)) - 0.05, 0.0)
    storms = np.zeros((units, days))
    storms[:, 0] = fall[:, 0]
    for day in range(1, days):
        storms[:, day] = LEFT * storms[:, day - 1] + fall[:, day]
    return storms + rng.normal(0, 0.004, (units, days)), storms


def test_how_fast_storms_clear_is_read_from_the_record():
    residual, _ = _record(generator("how fast storms clear is read from the record"))
    known = np.ones(residual.shape, dtype=bool)
    assert left_after_a_day(residual, known, np.full(20, 0.004)) == pytest.approx(LEFT, abs=0.04)


def test_a_record_without_storms_tells_nothing_of_how_they_clear():
    calm = generator("a record without storms tells nothing of how they clear").normal(0, 0.004, (5, 100))
    assert left_after_a_day(calm, np.ones(calm.shape, dtype=bool), np.full(5, 0.004)) == USUAL_LEFT


def test_without_its_storms_a_record_lies_where_clear_water_has_it():
    residual, storms = _record(generator("without its storms a record lies where clear water has it"))
    known = generator("without its storms a record lies where clear water has it 2").random(residual.shape) > 0.1
    residual = np.where(known, residual, 0.0)
    course = storm_course(residual, known, LEFT)
    assert (course <= 0).all()
    left = (residual - course)[known]
    assert abs(np.median(left)) < 0.25 * abs(np.median(residual[known]))
    # what is taken out is what was there, but for storms of a day's noise
    assert np.median(np.abs(course - storms)[known]) < 0.01


def test_a_calm_record_loses_next_to_nothing():
    rng = generator("a calm record loses next to nothing")
    calm = rng.normal(0, 0.01, (20, 400))
    known = np.ones(calm.shape, dtype=bool)
    course = storm_course(calm, known, LEFT)
    # three times the usual change: one day in seven hundred by chance
    assert course.mean() > -0.1 * 0.01


def test_days_in_a_storm_count_for_less():
    course = np.array([[0.0, -0.01, -0.2]])
    weight = storm_weight(course, np.array([0.02]))
    assert weight[0, 0] == 1 and 1 > weight[0, 1] > 0.5 and weight[0, 2] < 0.05


def test_the_scale_of_changes_is_not_made_of_storms():
    residual, _ = _record(generator("the scale of changes is not made of storms"))
    known = np.ones(residual.shape, dtype=bool)
    change = np.diff(residual, axis=1, prepend=residual[:, :1])
    assert np.median(median_scale(change, known)) < 0.03
