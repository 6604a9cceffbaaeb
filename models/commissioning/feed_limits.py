"""Limits of the feed water for one unit: those of the trade, and how cloudy a water its own test went down to."""

from __future__ import annotations

from models.dose.reactor import uvt_min_pct
from models.fleet import Reactor
from models.water_quality import LIMITS, Limit, Mark, Side


def feed_limits(reactor: Reactor) -> tuple[Limit, ...]:
    """The limits that count for a unit of this kind.

    Its transmittance has to keep both the trade's limit and that of its own test: the narrower one counts.
    """
    tested = Limit(
        name="uvt_pct", title="Transmittance of 1 cm", unit="%", side=Side.AT_LEAST, value=uvt_min_pct(reactor),
        source=f"the test of {reactor.name}, as enrolled", mark=Mark.ENROLLED,
        effect="is cloudier than any water that this kind of unit was tested in",
        remedy="Find what takes the light, or have a unit fitted that was tested in such water.")
    trade = [one for one in LIMITS if one.name == "uvt_pct"]
    narrowest = max((*trade, tested), key=lambda one: one.value)
    return (*(one for one in LIMITS if one.name != "uvt_pct"), narrowest)
