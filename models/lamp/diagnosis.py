"""What ails a unit, what to do, what that would bring, and the evidence for it in one sentence."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.special import ndtr

from models.lamp.daily_series import FleetDays
from models.lamp.decay import FleetFit
from models.lamp.design_matrix import (
    ABSORBANCE,
    DRIFT,
    FOUND_JUMPS,
    LAMP,
    SLEEVE,
    SLEEVE_EARLY,
    lamp_term,
    sleeve_terms,
)
from models.lamp.forecast import HORIZON_DAYS, Crossing, PresentState, after_cleaning, after_swap, crossing
from models.lamp.water_trend import YEAR_DAYS

LEAST_LOSS = 0.03  # of ln(intensity), 3 %: less has no cause worth a visit; common practice, no source
PLAN_AHEAD_DAYS = 90  # what falls due later needs nothing now; common practice, no source
MOST_DOUBT = 0.01  # chance that the sleeve, not the lamp, has lost more: with more, the sleeve is cleaned first
ODD_LAMP_SD = 2.5  # a lamp this far above the mean of its kind is odd
WORTH_DAYS = 30  # an action that wins less is not worth a trip; common practice, no source


class LossCause(StrEnum):
    """What most of the loss is."""

    NONE = "none"
    LAMP = "lamp"
    SLEEVE = "sleeve"
    WATER = "water"
    SENSOR = "sensor"


class Action(StrEnum):
    """What to do; `NONE` while nothing falls due within three months."""

    NONE = "none"
    SWAP_LAMP = "swap lamp"
    CLEAN_SLEEVE = "clean sleeve"
    TEST_WATER = "test water"
    CHECK_SENSOR = "check sensor"


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """Cause, action and evidence of each unit; all of shape (n,).

    Attributes
    ----------
    cause, action : ndarray of str
        `Cause` and `Action`.
    lamp_loss, sleeve_loss, water_loss, sensor_loss : ndarray
        Share of intensity lost to each, 0 to 1; water and sensor below 0 where they add.
    swap_wins_days, clean_wins_days : ndarray
        By how much the middle date of the crossing moves; inf where it then lies beyond two years.
    evidence : ndarray of str
        One sentence.
    """

    cause: np.ndarray
    action: np.ndarray
    lamp_loss: np.ndarray
    sleeve_loss: np.ndarray
    water_loss: np.ndarray
    sensor_loss: np.ndarray
    swap_wins_days: np.ndarray
    clean_wins_days: np.ndarray
    evidence: np.ndarray


def diagnosis(
    fit: FleetFit, days: FleetDays, state: PresentState, *, threshold_w_m2: np.ndarray,
    rated_life_h: np.ndarray | float, as_it_is: Crossing, sensor_fault: np.ndarray | None = None,
) -> Diagnosis:
    """Name the cause of each unit's loss and the action that follows.

    Parameters
    ----------
    fit, days, state
        As of `fleet_fit` and `present_state`.
    threshold_w_m2, rated_life_h
        As of `crossing`.
    as_it_is : Crossing
        What `crossing` gave for them.
    sensor_fault : ndarray of bool, shape (n,), optional
        Units whose sensor is stuck, saturated or offset (`sensor_faults`).

    Notes
    -----
    A jump up that no event explains is taken as a cleaning that nobody wrote down, up to what the film had cost.
    A jump down that no event explains is laid to the sensor: lamp, sleeve and water do not step.
    """
    doubt = _sleeve_doubt(fit, days, state)
    jumps = (fit.coefficient[:, FOUND_JUMPS] * state.found).sum(axis=1)
    lamp = _lamp_loss(fit, state)
    film = _sleeve_loss(fit, state)
    sleeve = np.maximum(film - np.maximum(jumps, 0.0), 0.0)
    sensor = np.maximum(-jumps, 0.0)
    water = _water_loss(fit, days)
    cause = _cause(lamp, sleeve, water, sensor, sensor_fault)
    now = as_it_is.p50
    swap = crossing(*after_swap(fit, days, state), threshold_w_m2=threshold_w_m2, rated_life_h=rated_life_h)
    clean = crossing(fit, after_cleaning(state), threshold_w_m2=threshold_w_m2, rated_life_h=rated_life_h)
    wins = {Action.SWAP_LAMP: _won(swap.p50, now), Action.CLEAN_SLEEVE: _won(clean.p50, now)}
    action = _action(cause, as_it_is, wins, doubt)
    evidence = _evidence(
        cause, action, lamp=lamp, sleeve=sleeve, water=water, sensor=sensor, state=state, wins=wins,
        as_it_is=as_it_is,
    )
    return Diagnosis(
        cause=cause, action=action, lamp_loss=-np.expm1(-lamp), sleeve_loss=-np.expm1(-sleeve),
        water_loss=-np.expm1(-water), sensor_loss=-np.expm1(-sensor), swap_wins_days=wins[Action.SWAP_LAMP],
        clean_wins_days=wins[Action.CLEAN_SLEEVE], evidence=evidence,
    )


def _lamp_loss(fit: FleetFit, state: PresentState) -> np.ndarray:
    """ln lost to ageing since the lamp had its first hundred hours."""
    ageing = np.maximum(fit.coefficient[:, LAMP], 0.0)
    lost: np.ndarray = np.maximum(-ageing * lamp_term(state.lamp_hours), 0.0)
    return lost


def _sleeve_loss(fit: FleetFit, state: PresentState) -> np.ndarray:
    """ln lost to film since the sleeve was last known to be cleaned."""
    hours, early = sleeve_terms(state.clean_hours)
    lost: np.ndarray = np.maximum(
        -fit.coefficient[:, SLEEVE] * hours - fit.coefficient[:, SLEEVE_EARLY] * early, 0.0)
    return lost


def _sleeve_doubt(fit: FleetFit, days: FleetDays, state: PresentState) -> np.ndarray:
    """Chance that the film has cost more than the lamp's ageing, by the covariance of the fit.

    1 for a lamp that seems to age far faster than its kind: that is more likely a film.
    """
    contrast = np.zeros_like(fit.coefficient)
    contrast[:, LAMP] = -lamp_term(state.lamp_hours)
    hours, early = sleeve_terms(state.clean_hours)
    contrast[:, SLEEVE], contrast[:, SLEEVE_EARLY] = hours, early
    mean = (contrast * fit.coefficient).sum(axis=1)
    variance = ((contrast[:, None, :] @ fit.covariance)[:, 0] * contrast).sum(axis=1)
    prior = fit.prior
    odd = fit.coefficient[:, LAMP] > prior.mean[days.kind, LAMP] + ODD_LAMP_SD * prior.sd[days.kind, LAMP]
    return np.where(odd, 1.0, ndtr(-mean / np.sqrt(np.maximum(variance, 1e-12))))


def _water_loss(fit: FleetFit, days: FleetDays) -> np.ndarray:
    """ln lost since the record began to water that got worse, and to what no swap or cleaning brings back."""
    width = days.intensity_w_m2.shape[1]
    first = np.isfinite(days.intensity_w_m2).argmax(axis=1)
    years = (width - 1 - first) / YEAR_DAYS
    path = np.maximum(fit.coefficient[:, ABSORBANCE], 0.0)
    return np.asarray((path * fit.water.change_per_year + fit.coefficient[:, DRIFT]) * years)


def _cause(
    lamp: np.ndarray, sleeve: np.ndarray, water: np.ndarray, sensor: np.ndarray, sensor_fault: np.ndarray | None
) -> np.ndarray:
    """The largest loss, if it is large enough; a sensor found faulty comes first, for its numbers prove nothing."""
    names = np.array([LossCause.LAMP, LossCause.SLEEVE, LossCause.WATER, LossCause.SENSOR], dtype=object)
    each = np.stack([lamp, sleeve, water, sensor], axis=1)
    cause = np.where(each.max(axis=1) >= LEAST_LOSS, names[each.argmax(axis=1)], LossCause.NONE)
    if sensor_fault is not None:
        cause = np.where(sensor_fault, LossCause.SENSOR, cause)
    return cause


def _won(then: np.ndarray, now: np.ndarray) -> np.ndarray:
    """Days won; inf where the crossing moves beyond the horizon, 0 where it was beyond it already."""
    with np.errstate(invalid="ignore"):
        return np.where(np.isinf(now), 0.0, np.maximum(then - now, 0.0))


def _action(
    cause: np.ndarray, as_it_is: Crossing, wins: dict[Action, np.ndarray], doubt: np.ndarray
) -> np.ndarray:
    """What to do. A lamp goes only for its own loss or its rated hours."""
    due = as_it_is.p10 <= PLAN_AHEAD_DAYS
    by_cause = {
        LossCause.LAMP: Action.SWAP_LAMP, LossCause.SLEEVE: Action.CLEAN_SLEEVE, LossCause.WATER: Action.TEST_WATER,
        LossCause.SENSOR: Action.CHECK_SENSOR, LossCause.NONE: Action.CHECK_SENSOR,
    }  # fmt: skip
    wanted = np.array([by_cause[LossCause(one)] for one in cause], dtype=object)
    # Wiping a sleeve costs minutes, a lamp costs a lamp: where a clean sleeve wins as much, or may well be what is
    # wrong, it is cleaned first and the lamp judged after.
    clean, swap = wins[Action.CLEAN_SLEEVE], wins[Action.SWAP_LAMP]
    better = (cause == LossCause.LAMP) & ((clean >= WORTH_DAYS) & (clean >= swap) | (doubt > MOST_DOUBT))
    # A lamp past its rated hours goes anyhow: a visit that only wipes its sleeve would come again for it.
    better &= ~(as_it_is.rated_life <= 0)
    action = np.where(better, Action.CLEAN_SLEEVE, wanted)
    action = np.where(due, action, np.where(cause == LossCause.SENSOR, Action.CHECK_SENSOR, Action.NONE))
    expired = (as_it_is.rated_life <= PLAN_AHEAD_DAYS) & (action == Action.NONE)
    return np.where(expired, Action.SWAP_LAMP, action)


def _evidence(
    cause: np.ndarray, action: np.ndarray, *, lamp: np.ndarray, sleeve: np.ndarray, water: np.ndarray,
    sensor: np.ndarray, state: PresentState, wins: dict[Action, np.ndarray], as_it_is: Crossing,
) -> np.ndarray:
    """One sentence a unit; text is made here, so this is the one place that goes unit by unit."""
    lost = {LossCause.LAMP: lamp, LossCause.SLEEVE: sleeve, LossCause.WATER: water, LossCause.SENSOR: sensor}
    share = {name: np.round(-100.0 * np.expm1(-loss)) + 0.0 for name, loss in lost.items()}
    sentences = np.empty(len(cause), dtype=object)
    for row, (why, what) in enumerate(zip(cause, action, strict=True)):
        parts = (
            f"lamp {share[LossCause.LAMP][row]:.0f} % over {state.lamp_hours[row]:,.0f} h, sleeve "
            f"{share[LossCause.SLEEVE][row]:.0f} % over {state.clean_hours[row]:,.0f} h, water "
            f"{share[LossCause.WATER][row]:.0f} %, unexplained step {share[LossCause.SENSOR][row]:.0f} %"
        )
        lead = "No loss stands out" if why == LossCause.NONE else f"Most of the loss is the {LossCause(why).value}"
        if why == LossCause.LAMP and what == Action.CLEAN_SLEEVE:
            lead = "Most of the loss looks like the lamp, but may be the sleeve, so clean it first and read again"
        gain = _gain(wins[what][row]) if what in wins else ""
        if what == Action.SWAP_LAMP and as_it_is.rated_life[row] <= PLAN_AHEAD_DAYS:
            gain = "; the lamp's rated hours run out" + gain
        sentences[row] = f"{lead}: {parts}{gain}."
    return sentences


def _gain(days_won: float) -> str:
    """What the action brings, in words."""
    if np.isinf(days_won):
        return f"; afterwards no crossing within {HORIZON_DAYS // 365} years"
    return f"; that would put the date off by about {days_won:.0f} days" if days_won >= 1 else ""
