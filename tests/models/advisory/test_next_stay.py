"""Back-test of the warning of a lamp that the next stay outlasts, on the full simulator's fleet: fresh seeds.

The simulator's author is not the forecast's, and what it knows of a lamp is never shown to the fit. Each unit's
days are read as they were known every second day of six weeks; thresholds are set where the true crossing is known,
weekly stays are drawn. What is asked: how many lamps were told before their guests had weak light, how long before,
and how many were told that outlasted the stay by more than two weeks. The truth knows no season, so the forecast's
is taken out, as in `tests/bench/test_bench_forecast.py`. Every lamp here is within five months of its end: of a
fleet whose lamps are spread over two years some fifth are, and false alarms in proportion.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from models.advisory.next_stay import weak_in_stay
from models.lamp.decay import fleet_fit
from models.lamp.forecast import average_year, crossing, present_state
from tests.full_fleet import FullFleet, full_fleet

UNITS, DAYS, FLEETS, DRAWS = 24, 270, 3, 12
LOOK_DAYS, STEP_DAYS = 42, 2
NEAR, FAR = 5.0, 160.0  # days from the first look within which a lamp truly becomes too weak
EARLY_BY = 14  # a lamp that outlasts the stay by more was told for nothing
EPOCH = date(2026, 1, 1)
LIFE_H = 1e9  # the rated life is told elsewhere


def _dates(fleet: FullFleet, ago: int, threshold: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The middle and the early date as foretold so many days ago, in days from then; thresholds (n, draws)."""
    days = fleet.days.window(fleet.days.intensity_w_m2.shape[1] - ago)
    fit = fleet_fit(days, path_cm=fleet.path_cm)
    state = average_year(days, present_state(fit, days))
    life_h = np.full(len(threshold), LIFE_H)
    found = [crossing(fit, state, threshold_w_m2=one, rated_life_h=life_h) for one in threshold.T]
    return np.array([one.p50 for one in found]).T, np.array([one.p10 for one in found]).T


def _stays(rng: np.random.Generator) -> list[tuple[date, date]]:
    """Weekly stays, three weeks in five booked, around the days of the looks."""
    first = int(rng.integers(7))
    return [(EPOCH + timedelta(days=first + 7 * n), EPOCH + timedelta(days=first + 7 * n + 7))
            for n in range(-2, (LOOK_DAYS + int(FAR)) // 7 + 4) if rng.random() < 0.6]


def _judged(fleet: FullFleet, rng: np.random.Generator) -> pd.DataFrame:
    """A row per unit and draw: whether it was told, when, and when it was needed; days from the first look."""
    days, truth = fleet.days, fleet.truth
    crosses = rng.uniform(NEAR, FAR, (len(truth), DRAWS))
    loss, now = truth["loss_per_day"].to_numpy()[:, None], truth["log_now"].to_numpy()[:, None]
    threshold = np.exp(now - loss * (crosses - LOOK_DAYS))
    stays = [[_stays(rng) for _ in range(DRAWS)] for _ in range(len(truth))]
    past = days.window(days.intensity_w_m2.shape[1] - LOOK_DAYS)
    same = (days.lamp_number[:, -1] == past.lamp_number[:, -1]) & (
        days.clean_number[:, -1] == past.clean_number[:, -1])
    usable = same & (days.last_day >= days.intensity_w_m2.shape[1] - 8) & (truth["loss_per_day"].to_numpy() > 0)
    told: dict[tuple[int, int], tuple[int, date]] = {}
    for ago in range(LOOK_DAYS, -1, -STEP_DAYS):
        at = LOOK_DAYS - ago
        middle, early = _dates(fleet, ago, threshold)
        for unit, draw in zip(*np.nonzero(np.isfinite(middle)), strict=True):
            key, today = (int(unit), int(draw)), EPOCH + timedelta(days=at)
            if key in told or not usable[unit]:
                continue
            likely, soon = (today + timedelta(days=int(np.floor(one[unit, draw]))) for one in (
                middle, np.where(np.isfinite(early), early, middle)))
            found = weak_in_stay(stays[unit][draw], likely=likely, early=soon, today=today)
            if found is not None:
                told[key] = at, found.leaves
    rows = []
    for unit in np.flatnonzero(usable):
        for draw in range(DRAWS):
            weak_on = EPOCH + timedelta(days=float(crosses[unit, draw]))
            stay = next((one for one in stays[unit][draw] if one[1] >= weak_on and one[1] >= EPOCH), None)
            if stay is None:
                continue
            needed = (max(stay[0], weak_on) - EPOCH).days  # guests are there, and the light is too weak
            at, leaves = told.get((int(unit), draw), (None, None))
            rows.append({
                "needed": needed, "told": at, "weak_on": (weak_on - EPOCH).days,
                "outlasts_by": None if leaves is None else (weak_on - leaves).days})
    return pd.DataFrame(rows).astype(float)


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_lamps_are_told_before_the_guests_have_weak_light_and_seldom_for_nothing(capsys):
    rng = np.random.default_rng()
    seeds = rng.integers(2**31, size=FLEETS)
    found = pd.concat([_judged(full_fleet(UNITS, DAYS, int(seed)), rng) for seed in seeds])
    due = found[found["needed"] <= LOOK_DAYS]
    hit = due["told"] < due["needed"]
    warned_d = (due["needed"] - due["told"])[hit]
    told = found["told"].notna()
    for_nothing = told & (found["outlasts_by"] > EARLY_BY)
    months = len(found) * LOOK_DAYS / 30.0
    with capsys.disabled():
        print(
            f"\n{len(found)} lamps over {LOOK_DAYS} days, seeds {seeds.tolist()}: {hit.sum()} of {len(due)} that "
            f"became too weak for guests were told before ({hit.mean():.0%}), {warned_d.median():.0f} days in the "
            f"median, a tenth under {warned_d.quantile(0.1):.0f}; {told.sum()} told in all, {for_nothing.sum()} of "
            f"them ({for_nothing.sum() / max(told.sum(), 1):.0%}) outlasted the stay by more than {EARLY_BY} days, "
            f"{for_nothing.sum() / months:.3f} a lamp and month")
    assert len(due) >= 50
    # two runs gave 0.75 and 0.93, 14 and 21 days, 0.05 and 0.10: a fleet has 24 units, each drawn often
    assert hit.mean() >= 0.55
    assert warned_d.median() >= 7
    assert for_nothing.sum() / months <= 0.15
