"""How well a chamber mixes its water, by its own test: tanks in series that go through its points.

One point can't tell tanks from light, so the stated tanks are tied to it. Several points at different doses can:
more tanks lose less at high doses. What they leave open of the tanks stays open, and the smaller dose counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from models.dose import hydraulics, optics
from models.dose.bound import TWO_SIDED_95
from models.dose.optics import MW_CM2_PER_W_M2, Floats
from models.fleet import Reactor

HALVINGS = 80  # of an interval: to the last digit of a double
# One over the number of tanks, from plug flow to one tank; finer where tanks are many. A fit is one of these.
TANKS_TRIED = 1001
LEAST_ERROR = 0.02  # no test knows its dose better, 95 % two-sided, a share; common practice, no source
MOST_TIE = 1e6  # no geometry is so far off, nor its test: a unit is typed wrong; ours, no source
MOST_TANKS = 1e6  # more are plug flow to all digits that count, and the fast path would round ln(1 + x) away


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixing:
    """Tanks in series that go through the test: RED = tie x (n/k) ln(1 + k D / n)."""

    tanks: float  # inf: plug flow
    tie: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What a reactor's test says of its mixing.

    Attributes
    ----------
    mixings : tuple of Mixing
        The one that fits best, or the stated tanks; then those that the test does not rule out. Of all of them the
        smallest dose counts.
    error : float
        What the test does not know of its dose: 95 %, two-sided, a share.
    scatter : float
        By how many times the points lie farther from the best fit than their stated errors explain, at least 1.
    by_points : bool
        Whether the points told the tanks; else the stated ones hold.
    """

    mixings: tuple[Mixing, ...]
    error: float
    scatter: float = 1.0
    by_points: bool = False

    @property
    def fewest_tanks(self) -> float:
        """Of all that are not ruled out: the most uneven doses."""
        return min(one.tanks for one in self.mixings)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Points:
    """The test's points, as columns."""

    mean_mj_cm2: Floats  # D, by geometry
    red_mj_cm2: Floats
    k_cm2_mj: Floats
    error: Floats  # 95 %, two-sided, a share

    @classmethod
    def of(cls, reactor: Reactor) -> _Points:
        tests = reactor.all_tests
        uvt, intensity, flow = (
            np.array([getattr(one, name) for one in tests]) for name in ("uvt_pct", "intensity_w_m2", "flow_l_min"))
        rate = MW_CM2_PER_W_M2 * intensity * optics.mean_to_sensor(reactor, optics.absorption_per_cm(uvt))
        return cls(
            mean_mj_cm2=rate * hydraulics.residence_s(optics.volume_cm3(reactor), flow),
            red_mj_cm2=np.array([one.red_mj_cm2 for one in tests]),
            k_cm2_mj=np.array([one.challenge_k_cm2_mj or reactor.challenge_k_cm2_mj for one in tests]),
            error=np.array([
                reactor.test_error if one.uncertainty_pct is None else one.uncertainty_pct / 100 for one in tests]))

    @property
    def weight(self) -> Floats:
        """One over each error squared, in units of a standard error."""
        return np.asarray((TWO_SIDED_95 / np.maximum(self.error, LEAST_ERROR)) ** 2)

    def log_ties(self, tanks_inverse: Floats) -> Floats:
        """Logarithm of what each point gave over what so many tanks give; a row for each 1/n, a column a point."""
        depth = self.k_cm2_mj * self.mean_mj_cm2 * tanks_inverse[:, None]
        with np.errstate(invalid="ignore"):
            kept = np.where(depth > 0, np.log1p(depth) / depth, 1.0)  # of the mean dose; all of it in plug flow
        return np.asarray(np.log(self.red_mj_cm2 / (self.mean_mj_cm2 * kept)))


def shares_in_tie(reactor: Reactor) -> Floats:
    """How much each point of the test has to say in the tie's logarithm; together 1. [-]"""
    weight = _Points.of(reactor).weight
    return np.asarray(weight / weight.sum())


def require_doses(reactor: Reactor) -> None:
    """Refuse a test of which a point is no dose of the reactor's geometry by far: nothing can be tied to it."""
    if reactor.equation is not None:
        return
    with np.errstate(all="ignore"):
        ties = _Points.of(reactor).log_ties(np.array([0.0, 1.0]))
    near = np.all(np.abs(ties) < math.log(MOST_TIE), axis=0)  # not where one is NaN
    if not near.all():
        number = int(np.argmin(near))
        one = reactor.all_tests[number]
        raise ValueError(
            f"tests must each be a dose that this geometry can be held against; point {number + 1} "
            f"({one.flow_l_min:g} L/min, {one.uvt_pct:g} %, {one.intensity_w_m2:g} W/m2, {one.red_mj_cm2:g} "
            f"mJ/cm2) is over {MOST_TIE:,.0f} times off")


@lru_cache(maxsize=256)  # a fit follows from the profile alone
def fit(reactor: Reactor) -> Fit:
    """Tanks and tie by the reactor's test.

    Notes
    -----
    One point: the stated tanks with the tie that goes through it. Where that is above 1, the chamber did better in
    its test than these tanks can; then more tanks may be the truth, which promise less below the test's dose: also
    those that fit by themselves, and plug flow with its own tie where not even that reaches the test's dose.

    Several points: weighted least squares of the logarithms of dose, tanks and tie together, one over the error
    squared as weight. Of the tanks all are kept that a chi-square of 3.84 more does not rule out (95 %, one
    parameter; profile likelihood). Points that lie farther from the fit than their errors explain widen both the
    errors and that range (by the square root of chi-square over its degrees of freedom; of two points that no
    mixing joins over one). The test's error is the root mean square of the points': a laboratory's error is common
    to all, so more points make it no smaller.
    Points that leave all tanks open, from one to plug flow, say nothing of mixing: the stated tanks hold.

    References
    ----------
    .. [1] Venzon and Moolgavkar 1988; Birge 1932 (from memory, SOURCES.md section 10).
    """
    points = _Points.of(reactor)
    if len(points.red_mj_cm2) == 1:
        return Fit(mixings=_through(points, reactor), error=reactor.test_error)
    inverse = np.linspace(0.0, 1.0, TANKS_TRIED) ** 2
    weight = points.weight
    logs = points.log_ties(inverse)
    log_tie = logs @ weight / weight.sum()
    chi2 = (logs - log_tie[:, None]) ** 2 @ weight
    best = int(np.argmin(chi2))
    free = max(len(weight) - 2, 1)
    scatter = math.sqrt(max(1.0, chi2[best] / free))
    error = float(np.sqrt(np.mean(np.maximum(points.error, LEAST_ERROR) ** 2))) * scatter
    kept = np.flatnonzero(chi2 <= chi2[best] + (TWO_SIDED_95 * scatter) ** 2)
    ends = max(kept[0] - 1, 0), min(kept[-1] + 1, TANKS_TRIED - 1)
    if ends == (0, TANKS_TRIED - 1):
        return Fit(mixings=_through(points, reactor), error=error, scatter=scatter)

    def at(node: int) -> Mixing:
        return Mixing(
            tanks=1.0 / float(inverse[node]) if inverse[node] else math.inf, tie=math.exp(float(log_tie[node])))

    return Fit(
        mixings=tuple(at(node) for node in dict.fromkeys((best, *ends))), error=error, scatter=scatter,
        by_points=True)


def _through(points: _Points, reactor: Reactor) -> tuple[Mixing, ...]:
    """The stated tanks; where their tie is above 1 also those that fit without one, or plug flow."""
    weight = points.weight

    def tied(tanks: float) -> Mixing:
        logs = points.log_ties(np.array([1.0 / tanks]))[0]
        return Mixing(tanks=tanks, tie=math.exp(float(logs @ weight / weight.sum())))

    stated = tied(min(float(reactor.mixing_tanks), MOST_TANKS))
    if stated.tie <= 1.0:
        return (stated,)
    if tied(MOST_TANKS).tie >= 1.0:
        return (stated, tied(math.inf))
    low, high = 1.0 / MOST_TANKS, 1.0 / stated.tanks  # one over the tanks: the most have a tie below 1
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if tied(1.0 / middle).tie < 1.0 else (low, middle)
    return (stated, tied(1.0 / high))
