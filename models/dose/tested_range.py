"""Where a reading lies outside of what its kind of unit was tested at, and where the test itself leaves doubt."""

from __future__ import annotations

import math

from models.dose.reactor import BELOW_TEST_A_POINT, Geometric, flow_max_l_min, uvt_min_pct
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
    fastest = flow_max_l_min(reactor)
    if flow_l_min is not None and flow_l_min > fastest:
        out.append(f"flow of {flow_l_min:.4g} L/min, this unit was tested up to {fastest:.4g} L/min")
    return tuple(out)


def words_of_the_test(reactor: Reactor) -> tuple[str, ...]:
    """Sentences for whoever enrols a kind of reactor; empty: nothing is to be said.

    Of a reactor with a report's equation nothing is: that was fitted to tests over its range.
    """
    if reactor.equation is not None:
        return ()
    out: list[str] = []
    model = Geometric(reactor)
    if len(model.mixings) > 1:
        tanks = model.mixings[1].tanks
        fit = (
            "not even plug flow gives that much: look at its geometry and its test point" if math.isinf(tanks)
            else f"mixing_tanks = {math.ceil(tanks)} would fit")
        out.append(
            f"{reactor.name}: its test gave {model.tie:.2f} times the dose that {reactor.mixing_tanks} mixing "
            f"tanks can; {fit}. Below the test's dose the smaller of both counts.")
    below = reactor.test_uvt_pct - uvt_min_pct(reactor)
    if below > 0:
        most_pct = 100 * min(BELOW_TEST_A_POINT * below, 1)
        out.append(
            f"{reactor.name}: uvt_min_pct lies {below:g} points below its test; nobody tested it there, so its "
            f"lower bound loses {100 * BELOW_TEST_A_POINT:g} % a point, {most_pct:.0f} % in all, in the cloudiest "
            "water.")
    return tuple(out)
