"""What a unit may carry: the most flow at a transmittance, the least transmittance at a flow, the least intensity.

All by the lower bound of the dose, so what is found here is what `models.dose.columns` would accept.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from models.dose.columns import assess
from models.dose.optics import absorption_per_cm
from models.dose.reactor import Sensor, flow_max_l_min, is_outside, uvt_min_pct
from models.fleet import Reactor, require_number

HALVINGS = 60  # each bisection ends within 2^-60 of its range


def new_lamp_intensity_w_m2(reactor: Reactor, *, uvt_pct: float, output: float = 1.0) -> float:
    """What the sensor would read in this water with lamp and sleeve at a share of new. [W/m2]

    Parameters
    ----------
    reactor : Reactor
    uvt_pct : float
        Transmittance over 1 cm. [%]
    output : float
        Lamp times sleeve relative to new, at least 0. [-]
    """
    require_number("output", output, at_least=0)
    return output * float(Sensor(reactor).new_lamp_w_m2(absorption_per_cm(uvt_pct)))


def most_flow_l_min(
    reactor: Reactor, *, uvt_pct: float, intensity_w_m2: float, target_mj_cm2: float, uvt_live: bool = False,
    uvt_test_points: float | None = None,
) -> float:
    """The most flow at which the lower bound still reaches the target.

    Parameters
    ----------
    reactor : Reactor
    uvt_pct, intensity_w_m2 : float
        As for `assess`. [%], [W/m2]
    target_mj_cm2 : float
        Validated dose to reach. [mJ/cm2]
    uvt_live : bool
    uvt_test_points : float, optional
        As for `assess`.

    Returns
    -------
    flow_l_min : float
        Never above the most tested flow; 0 if no flow is covered. [L/min]

    Raises
    ------
    ValueError
        If the target isn't above 0, or a reading can't be.
    """
    require_number("target_mj_cm2", target_mj_cm2, above=0)

    def covered(flow_l_min: float) -> bool:
        return _low(reactor, intensity_w_m2, flow_l_min, uvt_pct, uvt_live=uvt_live,
            points=uvt_test_points) >= target_mj_cm2

    most = flow_max_l_min(reactor)
    if covered(most):
        return most
    least = most * 1e-6
    return _edge(covered, good=least, bad=most) if covered(least) else 0.0


def least_uvt_pct(
    reactor: Reactor, *, flow_l_min: float, target_mj_cm2: float, output: float = 1.0, uvt_live: bool = False,
    uvt_test_points: float | None = None,
) -> float:
    """The transmittance below which this flow stops being covered, lamp and sleeve staying as they are.

    Parameters
    ----------
    reactor : Reactor
    flow_l_min : float
        Such as the most that the supply can deliver, above 0. [L/min]
    target_mj_cm2 : float
        Validated dose to reach. [mJ/cm2]
    output : float
        Lamp times sleeve relative to new: today's intensity over `new_lamp_intensity_w_m2` of today's water. [-]
    uvt_live : bool
    uvt_test_points : float, optional
        As for `assess`.

    Returns
    -------
    uvt_pct : float
        Never below the least tested transmittance; NaN if not even 100 % is enough. [%]

    Raises
    ------
    ValueError
        If flow or target isn't above 0.
    """
    require_number("flow_l_min", flow_l_min, above=0)
    require_number("target_mj_cm2", target_mj_cm2, above=0)

    def covered(uvt_pct: float) -> bool:
        intensity = new_lamp_intensity_w_m2(reactor, uvt_pct=uvt_pct, output=output)
        return _low(reactor, intensity, flow_l_min, uvt_pct, uvt_live=uvt_live,
            points=uvt_test_points) >= target_mj_cm2

    least = uvt_min_pct(reactor)
    if covered(least):
        return least
    return _edge(covered, good=100.0, bad=least) if covered(100.0) else float("nan")


def least_intensity_w_m2(
    reactor: Reactor, *, flow_l_min: float, uvt_pct: float, target_mj_cm2: float, uvt_live: bool = False,
    uvt_test_points: float | None = None,
) -> float:
    """The reading at which this flow stops being covered: when a lamp or its sleeve is due.

    Parameters
    ----------
    reactor : Reactor
    flow_l_min, uvt_pct : float
        The supply's peak and its water. [L/min], [%]
    target_mj_cm2 : float
        Validated dose to reach. [mJ/cm2]
    uvt_live : bool
    uvt_test_points : float, optional
        As for `assess`.

    Returns
    -------
    intensity_w_m2 : float
        Never below the reactor's alarm intensity; NaN if not even the brightest reading is enough. [W/m2]

    Raises
    ------
    ValueError
        If flow or target isn't above 0, or the transmittance can't be.
    """
    require_number("flow_l_min", flow_l_min, above=0)
    require_number("target_mj_cm2", target_mj_cm2, above=0)

    def covered(intensity_w_m2: float) -> bool:
        return _low(reactor, intensity_w_m2, flow_l_min, uvt_pct, uvt_live=uvt_live,
            points=uvt_test_points) >= target_mj_cm2

    alarm, brightest = reactor.alarm_intensity_w_m2, Sensor(reactor).brightest_w_m2
    if covered(alarm):
        return alarm
    return _edge(covered, good=brightest, bad=alarm) if covered(brightest) else float("nan")


def _low(
    reactor: Reactor, intensity: float, flow: float, uvt: float, *, uvt_live: bool, points: float | None
) -> float:
    """The lower bound of one reading."""
    result = assess(
        reactor, intensity_w_m2=intensity, flow_l_min=flow, uvt_pct=uvt, uvt_live=uvt_live,
        uvt_test_points=points)
    if is_outside(reactor, uvt_pct=uvt, flow_l_min=flow):
        return 0.0  # nobody tested it there: no unit is sized on that
    return float(np.nan_to_num(result.red_low_mj_cm2, nan=0.0))


def _edge(covered: Callable[[float], bool], *, good: float, bad: float) -> float:
    """The last value still covered on the way from good to bad."""
    for _ in range(HALVINGS):
        middle = (good + bad) / 2
        good, bad = (middle, bad) if covered(middle) else (good, middle)
    return good
