"""Is a unit large enough: its dose at the supply's peak, in its own water, with a lamp at the end of its life?"""

from __future__ import annotations

from dataclasses import dataclass

from models.dose.columns import assess
from models.dose.reactor import is_outside
from models.dose.sizing import least_uvt_pct, most_flow_l_min, new_lamp_intensity_w_m2
from models.dose.tested_range import outside_tested
from models.dose.water_band import band_points
from models.fleet import Reactor, Unit

# What is left, when its rated hours are over, of what a lamp gave at 100 h (SOURCES.md section 8, from memory: 80 %
# or more; older designs 65 to 70 %). The sleeve counts as clean: dirt takes more.
END_OF_LIFE_OUTPUT = 0.80


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacity:
    """A unit against its supply.

    Attributes
    ----------
    intensity_w_m2 : float
        What its sensor would read then. [W/m2]
    dose_mj_cm2, dose_low_mj_cm2 : float
        Best estimate and lower bound at the peak flow. [mJ/cm2]
    outside : tuple of str
        In which way that lies outside of what the unit was tested at; then no dose is promised.
    most_flow_l_min : float
        The most flow at which such a lamp still reaches the target by the lower bound; 0: none. [L/min]
    least_uvt_pct : float
        The cloudiest water at which it does so at the peak flow; NaN: none. [%]
    below_alarm : bool
        Such a lamp reads below the alarm intensity: it is changed before.
    """

    peak_flow_l_min: float
    uvt_pct: float
    output: float
    intensity_w_m2: float
    dose_mj_cm2: float
    dose_low_mj_cm2: float
    dose_target_mj_cm2: float
    outside: tuple[str, ...]
    most_flow_l_min: float
    least_uvt_pct: float
    below_alarm: bool

    @property
    def enough(self) -> bool:
        """Whether the lower bound reaches the target within what was tested."""
        return not self.outside and self.dose_low_mj_cm2 >= self.dose_target_mj_cm2


def capacity(
    reactor: Reactor, unit: Unit, *, uvt_pct: float, uvt_age_days: float, uvt_live: bool,
    output: float = END_OF_LIFE_OUTPUT,
) -> Capacity:
    """Dose at the enrolled peak flow with a lamp of this output and a clean sleeve.

    Parameters
    ----------
    uvt_pct : float
        Of the water now. [%]
    uvt_age_days : float
        How old that test is; NaN: nobody knows. It counts less the older it is. [days]
    uvt_live : bool
        A sensor measures it with each reading.
    output : float
        Of the lamp, relative to a new one. [-]
    """
    points = float(band_points(reactor, uvt_age_days))
    peak, target = unit.peak_flow_l_min, unit.dose_target_mj_cm2
    intensity = new_lamp_intensity_w_m2(reactor, uvt_pct=uvt_pct, output=output)
    found = assess(
        reactor, intensity_w_m2=intensity, flow_l_min=peak, uvt_pct=uvt_pct, uvt_live=uvt_live,
        uvt_test_points=points)
    outside = outside_tested(reactor, uvt_pct=uvt_pct, flow_l_min=peak)
    if not outside and is_outside(reactor, uvt_pct=uvt_pct, flow_l_min=peak):
        outside = ("nobody tested this flow in such water",)
    return Capacity(
        peak_flow_l_min=peak, uvt_pct=uvt_pct, output=output, intensity_w_m2=intensity,
        dose_mj_cm2=float(found.red_mj_cm2), dose_low_mj_cm2=float(found.red_low_mj_cm2), dose_target_mj_cm2=target,
        outside=outside,
        most_flow_l_min=most_flow_l_min(
            reactor, uvt_pct=uvt_pct, intensity_w_m2=intensity, target_mj_cm2=target, uvt_live=uvt_live,
            uvt_test_points=points),
        least_uvt_pct=least_uvt_pct(
            reactor, flow_l_min=peak, target_mj_cm2=target, output=output, uvt_live=uvt_live,
            uvt_test_points=points),
        below_alarm=intensity < reactor.alarm_intensity_w_m2)
