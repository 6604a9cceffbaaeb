"""Where each lamp stands in the terms that trips are weighed in: what is lost to what, and how fast."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ingest.outlook.lamps import Fitted, LampOutlook
from models.fleet import Fleet
from models.lamp.backtest import NORMAL_80
from models.lamp.design_matrix import ABSORBANCE, DRIFT, LAMP, SLEEVE, lamp_term, sleeve_terms
from models.lamp.forecast import average_year, outlook, present_state
from models.lamp.water_trend import YEAR_DAYS
from models.visits.policy_comparison import LampStates

UNTIL_DAYS = 60.0  # the belief's spread is that of a forecast so far ahead
LEAST_DOUBT = 0.3  # share of ageing rates that is kept at least, so that nothing lasts for ever


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


def rows_by_trip(found: LampOutlook, fleet: Fleet) -> dict[str, list[int]]:
    """Rows of the fitted units that have a forecast, by the trip that the registry puts their cabins on."""
    able = {(one.cabin.slug, one.unit.slug) for one in found.lamps if one.forecast}
    groups: dict[str, list[int]] = {}
    for at, key in enumerate(found.fitted.days.units if found.fitted else ()):
        if key in able:
            groups.setdefault(fleet.cabin(key[0]).trip, []).append(at)
    return groups


def some(one: LampStates, rows: list[int]) -> LampStates:
    """Only these units."""
    return LampStates(**{name: getattr(one, name)[rows] for name in LampStates.__slots__})
