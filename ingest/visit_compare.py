"""The plan against 'every lamp on its anniversary': a year of the fleet as its own fit has it, under both rules."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ingest.lamps import NORMAL_80, Fitted, LampOutlook
from ingest.settings import BadInput
from ingest.visits import Terms, middle_of, travel_of
from models.decay_columns import ABSORBANCE, DRIFT, LAMP, SLEEVE, lamp_term, sleeve_terms
from models.fleet import Fleet
from models.forecast import average_year, outlook, present_state
from models.travel import Travel
from models.visit_year import LampStates, YearScore, anniversary_year, planned_year
from models.visits import Van
from models.water_trend import YEAR_DAYS

UNTIL_DAYS = 60.0  # the belief's spread is that of a forecast so far ahead
PLENTY = 99  # of each part: stock is not what is compared
LEAST_DOUBT = 0.3  # share of ageing rates that is kept at least, so that nothing lasts for ever


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Both rules over the same year; `units` were played, `left_out` have no forecast."""

    planned: YearScore
    anniversary: YearScore
    units: int
    left_out: int


def compared(found: LampOutlook, fleet: Fleet, terms: Terms | None = None) -> Compared:
    """Play a year of both rules.

    Notes
    -----
    What happens is the fit's middle; what the plan believes is its cautious end (10 %), corrected at each visit. So
    a forecast that is wrong altogether is not in these figures; the back-test says how often that is. Each trip of
    the registry is driven by itself, as in the plan; sums are over all.

    Raises
    ------
    BadInput
        If no unit has a forecast.
    """
    terms = terms or Terms()
    fitted = found.fitted
    able = {(one.cabin.slug, one.unit.slug) for one in found.lamps if one.forecast}
    if fitted is None or not able:
        raise BadInput("no lamp has a forecast yet, so there is nothing to compare; load more days of readings")
    truth, believed = states(found, fitted)
    keys = list(fitted.days.units)
    groups: dict[str, list[int]] = {}
    for at, key in enumerate(keys):
        if key in able:
            groups.setdefault(fleet.cabin(key[0]).trip, []).append(at)
    scores = [
        _group(truth, believed, rows, [keys[at][0] for at in rows],
               travel_of(fleet, terms.base or middle_of(fleet, trip), terms), terms)
        for trip, rows in groups.items()]
    return Compared(
        planned=_sum([one for one, _ in scores]), anniversary=_sum([one for _, one in scores]), units=len(able),
        left_out=len(found.lamps) - len(able))


def states(found: LampOutlook, fitted: Fitted) -> tuple[LampStates, LampStates]:
    """Where each fitted unit stands: as the fit's middle has it, and its cautious end."""
    fit, days = fitted.fit, fitted.days
    threshold_of = {(one.cabin.slug, one.unit.slug): one.threshold_w_m2 for one in found.lamps}
    threshold = np.array([threshold_of[key] or np.nan for key in days.units])
    state = average_year(days, present_state(fit, days, ahead_days=np.array([0.0, UNTIL_DAYS])))
    mean, sd = outlook(fit, state)
    per_day = state.hours_per_day / 1000.0
    ageing = np.maximum(fit.coefficient[:, LAMP], LEAST_DOUBT * fit.prior.mean[days.kind, LAMP])
    fouling = np.maximum(fit.coefficient[:, SLEEVE], 0.0)
    hours, _ = sleeve_terms(state.clean_hours)
    water = np.maximum(fit.coefficient[:, ABSORBANCE], 0.0) * np.maximum(fit.water.change_per_year, 0.0)
    other = (water + np.maximum(fit.coefficient[:, DRIFT], 0.0)) / YEAR_DAYS
    truth = LampStates(
        margin=np.nan_to_num(mean[:, 0] - np.log(threshold)),
        lamp_loss=np.maximum(-ageing * lamp_term(state.lamp_hours), 0.0),
        sleeve_loss=np.maximum(-fouling * hours, 0.0), lamp_per_day=ageing * per_day,
        sleeve_per_day=fouling * per_day, other_per_day=other,
        new_lamp_per_day=np.maximum(fit.prior.mean[days.kind, LAMP], 1e-6) * per_day, lamp_hours=state.lamp_hours,
        hours_per_day=np.maximum(state.hours_per_day, 0.1))
    doubt = NORMAL_80 * fitted.interval_scale * sd[:, 1]
    return truth, replace(truth, margin=truth.margin - doubt)


def _group(
    truth: LampStates, believed: LampStates, rows: list[int], places: list[str], travel: Travel, terms: Terms
) -> tuple[YearScore, YearScore]:
    """One trip's units under both rules."""
    leave = terms.leave.hour * 60 + terms.leave.minute
    van = Van(stock={"lamp": PLENTY}, leave_min=leave, back_min=min(leave + round(60 * terms.day_hours), 1440))
    mine, think = (_some(one, rows) for one in (truth, believed))
    planned = planned_year(mine, think, tuple(places), travel, van=van, rounds=30, seconds=0.5)
    return planned, anniversary_year(mine, tuple(places), travel)


def _some(one: LampStates, rows: list[int]) -> LampStates:
    return LampStates(**{name: getattr(one, name)[rows] for name in LampStates.__slots__})


def _sum(scores: list[YearScore]) -> YearScore:
    return YearScore(**{name: sum(getattr(one, name) for one in scores) for name in YearScore.__slots__})


