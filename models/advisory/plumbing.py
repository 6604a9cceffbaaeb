"""Where under-dosed water stands after an outage, and how much must be drawn to replace it.

The plumbing behind a unit is taken as one pipe that carries all that is drawn, with the cold tap at its end, and
from there a mixed tank of hot water with the hot tap. Everything is reckoned in litres drawn, not in minutes: the
meter sees litres, and standing water moves nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd

from models.bisection import least_enough
from models.exposure.instants import Floats
from models.exposure.words import IntervalKind
from models.fleet import Unit, require_number

# Plug flow would be flushed by one pipe volume; branches and dead legs are not. A house's pipes are taken as this
# much dispersed, which asks for about two and a half. Common practice, no source for the number.
FLUSH_PECLET = 20.0
REPLACED = (0.99, 0.999)  # shares of the standing water that a flush is reckoned to
MOST_EXPONENT = 50.0  # tank volumes summed at once: e^50 keeps all digits of a double
ROUNDING = 1e-9  # of a pipe volume: no meter and no tape knows it so well; keeps a flush from missing its own end
FRONT_STEPS = 1000  # of a dispersed front on its way into the tank; error of the tank's fraction below 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Plumbing:
    """Volumes behind a unit."""

    cold_l: float  # pipe from the unit to the furthest cold tap
    hot_tank_l: float = 0.0  # 0: no hot water tank
    peclet: float | None = None  # velocity x length / axial dispersion of the pipe; None: plug flow

    def __post_init__(self) -> None:
        require_number("cold_l", self.cold_l, at_least=0)
        require_number("hot_tank_l", self.hot_tank_l, at_least=0)
        if self.peclet is not None:
            require_number("peclet", self.peclet, above=0)

    @classmethod
    def of(cls, unit: Unit, *, peclet: float | None = None) -> Plumbing | None:
        """As enrolled; None where a volume is not."""
        if unit.cold_plumbing_l is None or unit.hot_tank_l is None:
            return None
        return cls(cold_l=unit.cold_plumbing_l, hot_tank_l=unit.hot_tank_l, peclet=peclet)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Under-dosed water after each step, shape (n,)."""

    drawn_l: Floats  # through the unit since the start
    cold_tap: Floats  # fraction of under-dosed water at the cold tap, 0..1
    hot_tap: Floats  # at the hot tap; NaN without a tank
    pipe_l: Floats  # under-dosed water that stands in the pipe
    tank_l: Floats  # and in the tank; 0 without one


@dataclass(frozen=True, slots=True, kw_only=True)
class StillThere:
    """Under-dosed water that is left behind a unit. The meter cannot tell hot from cold."""

    cold_tap: float  # fraction of it in the next glass from the cold tap, 0..1
    pipe_l: float  # of it in the pipe
    tank_l: float  # of it in the hot tank, if all that was drawn passed the tank
    tank_l_upper: float  # the most: all of it went into the tank and nothing hot was drawn since


def breakthrough(drawn_l: npt.ArrayLike, plumbing: Plumbing) -> Floats:
    """Share of new water at the cold tap.

    Parameters
    ----------
    drawn_l : array_like
        Drawn since the new water entered the pipe; below 0 it has not. [l]
    plumbing : Plumbing

    Returns
    -------
    ndarray
        0..1, rising. Plug flow: a step at `cold_l`. With dispersion the flux concentration at the outlet.

    Notes
    -----
    With T = drawn / cold_l and Pe = `peclet`:
    F = erfc(z1) / 2 + exp(Pe) erfc(z2) / 2, z1 = sqrt(Pe / 4T) (1 - T), z2 = sqrt(Pe / 4T) (1 + T).
    A constant Pe means a dispersion that goes with the velocity, so that stop and go changes nothing: fair for
    turbulent flow. Laminar flow in a short pipe tails longer than this; flush with the tap fully open.

    References
    ----------
    .. [1] A. Ogata, R. B. Banks, A solution of the differential equation of longitudinal dispersion in porous
       media, USGS Professional Paper 411-A, 1961 (from memory).
    .. [2] M. Th. van Genuchten, J. C. Parker, Boundary conditions for displacement experiments through short
       laboratory soil columns, Soil Sci. Soc. Am. J. 48, 1984, 703-708: the same as a flux concentration (from
       memory).
    """
    drawn = np.asarray(drawn_l, dtype=float)
    if plumbing.cold_l == 0:
        return np.where(drawn > 0, 1.0, 0.0)
    t = drawn / plumbing.cold_l
    if plumbing.peclet is None:
        return np.where(t >= 1 - ROUNDING, 1.0, 0.0)
    near, far = _fronts(t, plumbing.peclet)
    return 0.5 * (near + far)


def _fronts(t: Floats, peclet: float) -> tuple[Floats, Floats]:
    """erfc(z1) and exp(Pe) erfc(z2) of `breakthrough`; 0 before anything entered."""
    from scipy.special import erfc, erfcx  # a tenth of a second to load

    entered = t > ROUNDING
    safe = np.where(entered, t, 1.0)
    a = np.sqrt(peclet / (4 * safe))
    z1, z2 = a * (1 - safe), a * (1 + safe)
    # exp(Pe) overflows as written; Pe - z2^2 = -z1^2
    return np.where(entered, erfc(z1), 0.0), np.where(entered, np.exp(-(z1**2)) * erfcx(z2), 0.0)


def _arrived_l(drawn_l: Floats, plumbing: Plumbing) -> Floats:
    """New water that has come out of the pipe: the integral of `breakthrough` over the litres drawn."""
    if plumbing.peclet is None or plumbing.cold_l == 0:
        return np.maximum(drawn_l - plumbing.cold_l, 0.0)
    # its derivative's other terms, in exp(-z1^2), cancel
    t = drawn_l / plumbing.cold_l
    near, far = _fronts(t, plumbing.peclet)
    return 0.5 * plumbing.cold_l * ((t - 1) * near + (t + 1) * far)


def standing(
    volume_l: npt.ArrayLike, underdosed: npt.ArrayLike, plumbing: Plumbing, *, hot_share: float = 0.0,
    before: float = 1.0,
) -> Standing:
    """Under-dosed water in the plumbing after each step of what passed the unit.

    Parameters
    ----------
    volume_l : array_like, shape (n,)
        Drawn in each step, by the meter. [l]
    underdosed : array_like, shape (n,)
        Fraction of that water that left the unit under-dosed, 0..1.
    plumbing : Plumbing
    hot_share : float
        Part of the water that is drawn hot, 0..1: it passes the tank. The meter cannot tell; 0, the default, never
        calls a tank flushed that may not be.
    before : float
        Fraction under-dosed of what stood in pipe and tank at the start; 1 is the safe reading.

    Returns
    -------
    Standing

    Raises
    ------
    ValueError
        If a volume is negative or unknown, or a fraction does not lie within 0..1.
    """
    volume = np.atleast_1d(np.asarray(volume_l, dtype=float))
    fraction = np.broadcast_to(np.asarray(underdosed, dtype=float), volume.shape)
    for name, values, good, allowed in (
        ("volume_l", volume, (volume >= 0) & (volume < np.inf), "at least 0 l"),
        ("underdosed", fraction, (fraction >= 0) & (fraction <= 1), "within 0 and 1"),
    ):
        if not good.all():
            where = int(np.argmin(good))
            raise ValueError(f"{name} must be {allowed}; got {values[where]!r} at index {where}")
    require_number("hot_share", hot_share, at_least=0, at_most=1)
    require_number("before", before, at_least=0, at_most=1)
    passed = np.concatenate([[0.0], np.cumsum(volume)])
    drawn = passed[1:]

    # the water that enters, as steps: `change` of its fraction where `entered` litres had passed
    step = np.diff(fraction, prepend=before)
    changes = np.flatnonzero(step)
    change, entered = step[changes], passed[changes]
    cold_tap = before + _summed(drawn, entered, change, lambda x: breakthrough(x, plumbing))
    inside = np.cumsum(fraction * volume) + before * plumbing.cold_l
    pipe = inside - _left_pipe(drawn, entered, change, before, plumbing)
    if plumbing.hot_tank_l > 0:
        hot_tap = _tank(passed, entered, change, before, plumbing, hot_share)
    else:
        hot_tap = np.full(drawn.size, np.nan)
    return Standing(
        drawn_l=drawn, cold_tap=np.clip(cold_tap, 0.0, 1.0), hot_tap=hot_tap,
        pipe_l=np.clip(pipe, 0.0, plumbing.cold_l), tank_l=np.nan_to_num(hot_tap) * plumbing.hot_tank_l,
    )


def after_pieces(
    pieces: pd.DataFrame, plumbing: Plumbing, *, hot_share: float = 0.0, before: float = 0.0
) -> Standing:
    """The same from pieces of a timeline: only lit water is good, and unheard water counts as under-dosed.

    Of lit water the central volume counts (what may not have been drawn flushes nothing), of all other the upper
    bound. `before` is what the plumbing held when the pieces begin: 0 after a time that was lit.
    """
    lit = (pieces["kind"] == IntervalKind.LIT).to_numpy()
    volume = np.where(lit, np.nan_to_num(pieces["drawn_l"].to_numpy()), pieces["drawn_l_upper"].to_numpy())
    return standing(volume, np.where(lit, 0.0, 1.0), plumbing, hot_share=hot_share, before=before)


def still_there(pieces: pd.DataFrame, plumbing: Plumbing) -> StillThere | None:
    """What is left of the under-dosed water after these pieces of a timeline, from its first litre to now.

    Parameters
    ----------
    pieces : DataFrame
        As of `after_pieces`; what stood in the plumbing before them was dosed.
    plumbing : Plumbing

    Returns
    -------
    StillThere or None
        None where there are no pieces, or an upper bound is not known.
    """
    bad = pieces[pieces["kind"] != IntervalKind.LIT]
    if pieces.empty or bad["drawn_l_upper"].isna().any():
        return None
    hot = after_pieces(pieces, plumbing, hot_share=1.0)
    return StillThere(
        cold_tap=float(hot.cold_tap[-1]), pipe_l=float(hot.pipe_l[-1]), tank_l=float(hot.tank_l[-1]),
        tank_l_upper=min(plumbing.hot_tank_l, float(bad["drawn_l_upper"].sum())))


@lru_cache(maxsize=4096)  # asked at every look at an advisory, of the same few pipes
def flush_cold_l(plumbing: Plumbing, replaced: float = REPLACED[0]) -> float:
    """Litres to draw until at most `1 - replaced` of the water at the cold tap is old.

    Raises
    ------
    ValueError
        If `replaced` does not lie between 0 and 1.
    """
    _require_share(replaced)
    if plumbing.peclet is None or plumbing.cold_l == 0:
        return plumbing.cold_l
    most = plumbing.cold_l
    while breakthrough(most, plumbing) < replaced:
        most *= 2
    return least_enough(lambda drawn_l: float(breakthrough(drawn_l, plumbing)) >= replaced, 0.0, most)


@lru_cache(maxsize=4096)
def flush_hot_l(plumbing: Plumbing, replaced: float = REPLACED[0]) -> float:
    """Litres to draw hot until at most `1 - replaced` of the tank's water is old; 0 without a tank.

    Plug flow through the pipe and a mixed tank: cold_l + hot_tank_l x ln(1 / (1 - replaced)). A tank that does not
    mix needs less, a dead corner in it more; draining and refilling is surer.
    """
    _require_share(replaced)
    if plumbing.hot_tank_l == 0:
        return 0.0
    tank_l = plumbing.hot_tank_l * float(np.log(1.0 / (1.0 - replaced)))
    if plumbing.peclet is None or plumbing.cold_l == 0:
        return plumbing.cold_l + tank_l


    def enough(drawn_l: float) -> bool:
        return float(standing([drawn_l], 0.0, plumbing, hot_share=1.0).hot_tap[-1]) <= 1.0 - replaced

    most = plumbing.cold_l + tank_l
    while not enough(most):
        most *= 2
    return least_enough(enough, tank_l / 2, most)


def _require_share(replaced: float) -> None:
    if not 0 < replaced < 1:
        raise ValueError(f"replaced must lie between 0 and 1, as 0.99; got {replaced!r}")


def _summed(drawn: Floats, entered: Floats, change: Floats, response: Callable[[Floats], Floats]) -> Floats:
    """Responses to all steps of the inlet, added, for the pipe is linear. Steps are few: good and bad water."""
    total = np.zeros(drawn.size)
    for at_l, by in zip(entered, change, strict=True):
        total += by * response(drawn - at_l)
    return total


def _left_pipe(drawn: Floats, entered: Floats, change: Floats, before: float, plumbing: Plumbing) -> Floats:
    """Under-dosed litres that have come out of the pipe."""
    return before * drawn + _summed(drawn, entered, change, lambda x: _arrived_l(x, plumbing))


def _tank(
    passed: Floats, entered: Floats, change: Floats, before: float, plumbing: Plumbing, hot_share: float
) -> Floats:
    """Fraction under-dosed in the mixed tank after each step.

    The steps are cut where the pipe's outflow changes, so that each part has one inflow: exact for plug flow.
    """
    front = np.array([plumbing.cold_l])
    if plumbing.peclet is not None and plumbing.cold_l > 0:
        front = np.linspace(0.0, flush_cold_l(plumbing, 1 - 1e-9), FRONT_STEPS)
    cuts = (entered[:, None] + front[None, :]).ravel()
    fine = np.union1d(passed, cuts[cuts < passed[-1]])
    part = np.diff(fine)
    inflow = np.diff(_left_pipe(fine, entered, change, before, plumbing)) / np.where(part > 0, part, 1.0)
    # c' = (inflow - c) / tank, solved in blocks: c e^v = c0 + sum of inflow x (e^v_next - e^v)
    turned = np.concatenate([[0.0], np.cumsum(part * hot_share / plumbing.hot_tank_l)])
    mixed = np.empty(fine.size)
    mixed[0] = before
    first = 0
    while first < fine.size - 1:
        last = int(np.searchsorted(turned, turned[first] + MOST_EXPONENT, side="right")) - 1
        last = max(last, first + 1)
        grown = np.minimum(turned[first : last + 1] - turned[first], 700.0)  # e^709 is the largest double
        summed = np.cumsum(inflow[first:last] * np.diff(np.exp(grown)))
        mixed[first + 1 : last + 1] = (mixed[first] + summed) * np.exp(-grown[1:])
        first = last
    return np.clip(mixed[np.searchsorted(fine, passed[1:])], 0.0, 1.0)


def flush_volumes(unit: Unit) -> tuple[float | None, float | None]:
    """Litres, rounded up, that replace 99.9 % of what stands in the cold pipes, and in the hot tank.

    None where how much stands there is not enrolled; the hot flush needs both volumes, and is 0 without a tank.
    """
    if unit.cold_plumbing_l is None:
        return None, 0.0 if unit.hot_tank_l == 0 else None
    behind = Plumbing(cold_l=unit.cold_plumbing_l, hot_tank_l=unit.hot_tank_l or 0.0, peclet=FLUSH_PECLET)
    cold_l = math.ceil(flush_cold_l(behind, REPLACED[1]))
    return cold_l, None if unit.hot_tank_l is None else math.ceil(flush_hot_l(behind, REPLACED[1]))
