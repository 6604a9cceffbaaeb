"""Where a reading lies outside of what its kind of unit was tested at, and where the test itself leaves doubt."""

from __future__ import annotations

import math

from models.dose.mixing import fit
from models.dose.reactor import (
    BELOW_TEST_A_POINT,
    cloudiest_test_pct,
    flow_max_l_min,
    flow_tested_l_min,
    uvt_min_pct,
)
from models.fleet import Reactor


def uvt_max_pct(reactor: Reactor) -> float:
    """The most transmittance that the test is stated to cover; inf where nobody stated it. [%]

    A report's equation is not used above its test point, so for it that point is stated. The geometric model
    reckons up from its test point, and its bound bears what that may be off.
    """
    if reactor.uvt_max_pct is not None:
        return reactor.uvt_max_pct
    return math.inf if reactor.equation is None else reactor.test_uvt_pct


def outside_tested(
    reactor: Reactor, *, uvt_pct: float | None = None, flow_l_min: float | None = None
) -> tuple[str, ...]:
    """In which way a reading lies outside of the tested range; empty: it does not, or nothing is known.

    Parameters
    ----------
    uvt_pct : float or None
        Transmittance over 1 cm. NaN is taken as not known. [%]
    flow_l_min : float or None
        The flow that the dose is for. [L/min]

    Examples
    --------
    A unit that was tested with water of 75 %, at 30 L/min:

    >>> outside_tested(annular_40, uvt_pct=74.0, flow_l_min=6.0)
    ('water at 74 %, this unit was tested down to 75 %',)
    """
    out: list[str] = []
    least, most = uvt_min_pct(reactor), uvt_max_pct(reactor)
    if uvt_pct is not None and uvt_pct < least:
        out.append(f"water at {uvt_pct:.4g} %, this unit was tested down to {least:.4g} %")
    elif uvt_pct is not None and uvt_pct > most:
        out.append(f"water at {uvt_pct:.4g} %, this unit was tested up to {most:.4g} %")
    fastest = float(flow_tested_l_min(reactor, math.nan if uvt_pct is None else uvt_pct))
    if flow_l_min is not None and flow_l_min > fastest:
        such = " in such water" if fastest < flow_max_l_min(reactor) else ""
        out.append(f"flow of {flow_l_min:.4g} L/min, this unit was tested up to {fastest:.4g} L/min{such}")
    return tuple(out)


def words_of_the_test(reactor: Reactor) -> tuple[str, ...]:
    """Sentences for whoever enrols a kind of reactor; empty: nothing is to be said.

    Of a reactor with a report's equation nothing is: that was fitted to tests over its range.
    """
    if reactor.equation is not None:
        return ()
    out = [f"{reactor.name}: {line}." for line in _words_of_mixing(reactor)]
    below = cloudiest_test_pct(reactor) - uvt_min_pct(reactor)
    if below > 0:
        most_pct = 100 * min(BELOW_TEST_A_POINT * below, 1)
        out.append(
            f"{reactor.name}: uvt_min_pct lies {below:g} points below its test; nobody tested it there, so its "
            f"lower bound loses {100 * BELOW_TEST_A_POINT:g} % a point, {most_pct:.0f} % in all, in the cloudiest "
            "water.")
    return tuple(out)


def _words_of_mixing(reactor: Reactor) -> list[str]:
    """What the test says of tanks and tie, and what of it is odd."""
    found, points = fit(reactor), len(reactor.all_tests)
    best, out = found.mixings[0], []
    if found.by_points:
        fewest, most = (_tanks(of(one.tanks for one in found.mixings)) for of in (min, max))
        out.append(
            f"its {points} test points fit {_tanks(best.tanks)} mixing tanks, {best.tie:.2f} times the dose of its "
            f"geometry; {fewest} to {most} are not ruled out, of which the smallest dose counts; mixing_tanks = "
            f"{reactor.mixing_tanks} is not used")
    elif points > 1:
        why = "they lie too near to one another for their errors" if found.scatter == 1 else "no mixing joins them"
        out.append(
            f"its {points} test points do not tell how well it mixes: {why}; mixing_tanks = "
            f"{reactor.mixing_tanks} counts")
    if found.scatter > 1:
        out.append(
            f"its test points lie {found.scatter:.1f} times as far apart as their errors explain, and the "
            "lower bound bears that; look whether one is typed wrong")
    if not found.by_points and len(found.mixings) > 1:
        tanks = found.mixings[1].tanks
        fits = (
            "not even plug flow gives that much: look at its geometry and its test point" if math.isinf(tanks)
            else f"mixing_tanks = {math.ceil(tanks)} would fit")
        out.append(
            f"its test gave {best.tie:.2f} times the dose that {reactor.mixing_tanks} mixing tanks can; {fits}. "
            "Below the test's dose the smaller of both counts")
    return out


def _tanks(count: float) -> str:
    """A number of tanks, as people say it."""
    return "plug flow" if math.isinf(count) else f"{count:.3g}"
