"""The fleet's lamps: how far each is from too weak, what ails it, what to do by when; how good such dates are."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from ingest.db.engine import Asks
from ingest.evaluation.shutoff import past_valves
from ingest.outlook.lamp_days import FILTER, LampDays, lamp_days
from ingest.record.commissioning import first_readings
from ingest.registry.tables import load_fleet
from models.advisory.work_cautions import Work, sentences, works_of_tasks
from models.commissioning.first_reading import share_of_first_pct
from models.dose.reactor import Sensor
from models.dose.sensor_checks import SensorState
from models.dose.sizing import least_intensity_w_m2
from models.dose.water_band import band_points
from models.fleet import Cabin, Fleet, Reactor, Unit
from models.lamp.advice import LEAST_KNOWN_DAYS, LampFacts, advice, advice_unknown
from models.lamp.backtest import LEAST_DAYS, NORMAL_80, TAIL_DAYS, Calibration, calibration
from models.lamp.daily_faults import StandingFault
from models.lamp.daily_series import FleetDays
from models.lamp.decay import FleetFit, fleet_fit
from models.lamp.design_matrix import LAMP, SLEEVE, design
from models.lamp.diagnosis import Action, Diagnosis, diagnosis
from models.lamp.forecast import HORIZON_DAYS, Crossing, PresentState, crossing, outlook, present_state
from models.lamp.standing import LampFigures, Standing
from models.lamp.water_trend import WaterTrend

LEAST_CALIBRATED = 8  # units that a back-test must have judged before it widens an interval
LEAST_WIDTH_DAYS = TAIL_DAYS + LEAST_DAYS  # a shorter record has no tail to hold out
CURVE_STEP_DAYS = 6

# One row. Costs a scan of three columns of `daily`, a row a unit and day.
_STAMP = """
    SELECT concat_ws(' ',
        (SELECT concat(count(*), '/', max(day), '/', round(sum(intensity_w_m2), 3)) FROM daily),
        (SELECT concat(count(*), '/', max(recorded_at)) FROM service_event),
        (SELECT count(*) FROM service_withdrawn), (SELECT count(*) FROM commissioning_entry),
        (SELECT md5(string_agg(concat_ws(' ', cabin, slug, profile), ' ' ORDER BY cabin, slug)) FROM unit),
        (SELECT md5(string_agg(profile::VARCHAR, ' ' ORDER BY name)) FROM reactor),
        (SELECT md5(string_agg(profile::VARCHAR, ' ' ORDER BY name)) FROM step_policy),
        (SELECT md5(string_agg(to_json(cabin)::VARCHAR, ' ' ORDER BY slug)) FROM cabin)) AS stamp
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamp:
    """One unit's lamp. None is 'not known'; where there is a `forecast`, a date of None is 'not within two years'.

    `act_by` is None where nothing has to be done. Days won are infinite where the crossing then lies beyond that.
    """

    cabin: Cabin
    unit: Unit
    reactor: Reactor
    lamp_hours: float | None
    lamp_loss_pct_per_1000h: float | None
    sleeve_loss_pct_per_1000h: float | None
    intensity_w_m2: float | None  # median of the latest day known
    intensity_day: date | None
    threshold_w_m2: float | None  # None: not even a new lamp would do
    crosses_p10: date | None
    crosses_p50: date | None
    crosses_p90: date | None
    rated_life_on: date | None
    cause: str | None
    action: str | None
    act_by: date | None
    swap_wins_days: float | None
    clean_wins_days: float | None
    lamp_loss_pct: float | None
    sleeve_loss_pct: float | None
    water_loss_pct: float | None
    evidence: str
    uvt_pct: float
    days_known: int
    last_heard: date | None
    lamp_swapped_on: date | None
    sleeve_cleaned_on: date | None
    filter_changed_on: date | None
    filter_flow_loss_pct: float | None = None  # of the highest flow since that change; None: not known
    filter_due_by_flow: bool = False
    valve_at_fault: bool = False  # water passed its shut-off valve while the lamp was dark
    faults: tuple[StandingFault, ...]
    sensor: SensorState = field(default_factory=SensorState)
    first_w_m2: float | None = None  # kept at its commissioning as the unit's own 100 %; None: nobody did

    @property
    def first_pct(self) -> float | None:
        """How much of its first reading is left; None: not known. [%]"""
        return share_of_first_pct(self.intensity_w_m2, self.first_w_m2)

    @property
    def forecast(self) -> bool:
        """Whether dates could be given."""
        return self.cause is not None and self.threshold_w_m2 is not None

    @property
    def due(self) -> date | None:
        """The earlier of the 10 % date and the rated life's end."""
        return min((one for one in (self.crosses_p10, self.rated_life_on) if one is not None), default=None)

    @property
    def figures(self) -> LampFigures:
        """What its place among the fleet's is told by."""
        return LampFigures(
            read_w_m2=self.intensity_w_m2, need_w_m2=self.threshold_w_m2, act_by=self.act_by,
            last_heard=self.last_heard)

    def standing(self, today: date) -> Standing:
        """How it stands on that day."""
        return self.figures.standing(today)

    @property
    def works(self) -> frozenset[Work]:
        """What its action asks for."""
        return frozenset() if self.action in (None, Action.NONE) else works_of_tasks([str(self.action)])

    def to_json(self) -> dict[str, Any]:
        """The keys of `tarnlight lamps --json`; dates are UTC days."""
        def day(value: date | None) -> str | None:
            return value.isoformat() if value else None

        def won(value: float | None) -> float | None:
            return None if value is None or not np.isfinite(value) else round(value, 1)

        return {
            "cabin": self.cabin.slug, "unit": self.unit.slug, "lamp_hours": self.lamp_hours,
            "lamp_loss_pct_per_1000h": self.lamp_loss_pct_per_1000h,
            "sleeve_loss_pct_per_1000h": self.sleeve_loss_pct_per_1000h, "intensity_w_m2": self.intensity_w_m2,
            "threshold_w_m2": self.threshold_w_m2, "crosses_p10": day(self.crosses_p10),
            "crosses_p50": day(self.crosses_p50), "crosses_p90": day(self.crosses_p90), "cause": self.cause,
            "action": self.action, "act_by": day(self.act_by), "rated_life_on": day(self.rated_life_on),
            "swap_wins_days": won(self.swap_wins_days), "clean_wins_days": won(self.clean_wins_days),
            "lamp_loss_pct": self.lamp_loss_pct, "sleeve_loss_pct": self.sleeve_loss_pct,
            "water_loss_pct": self.water_loss_pct, "evidence": self.evidence, "uvt_pct": self.uvt_pct,
            "days_known": self.days_known, "intensity_day": day(self.intensity_day),
            "last_heard_day": day(self.last_heard), "lamp_swapped_on": day(self.lamp_swapped_on),
            "sleeve_cleaned_on": day(self.sleeve_cleaned_on), "filter_changed_on": day(self.filter_changed_on),
            "filter_flow_loss_pct": self.filter_flow_loss_pct, "filter_due_by_flow": self.filter_due_by_flow,
            "sensor_faults": [
                {"fault": one.fault, "since": one.since.isoformat(), "until": one.until.isoformat(),
                 "days": one.days, "evidence": one.evidence} for one in self.faults],
            "sensor_ratio": self.sensor.ratio,
            "sensor_checked_on": day(self.sensor.last_at.astimezone(UTC).date() if self.sensor.last_at else None),
            "sensor_check_due": day(self.sensor.due), "first_reading_w_m2": self.first_w_m2,
            "first_reading_pct": None if self.first_pct is None else round(self.first_pct, 1),
            "cautions": list(sentences(self.works)),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """The fit behind an outlook, and what it was made from; what curves and back-tests are drawn from."""

    days: FleetDays
    path_cm: np.ndarray
    fit: FleetFit
    state: PresentState
    crossing: Crossing
    calibration: Calibration | None  # None: the record is too short to hold a tail out
    interval_scale: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LampOutlook:
    """Every unit's lamp, as of an instant: below their need first, then due; the least margin first."""

    at: datetime
    lamps: tuple[Lamp, ...]
    known: LampDays
    fitted: Fitted | None

    @property
    def calibration(self) -> Calibration | None:
        """How the forecast did on the fleet's own held-out tail; None where the record is too short."""
        return self.fitted.calibration if self.fitted else None


def lamp_outlook(store: Asks, now: datetime) -> LampOutlook:
    """Fit the fleet's days up to `now` and say of each lamp when, what and why.

    Parameters
    ----------
    store : Asks
    now : datetime
        Aware. Days that are over by then count.

    Returns
    -------
    LampOutlook
        Units without enough days are there too, with what is known of them and no dates.

    Notes
    -----
    A threshold is the least intensity that still gives the target dose at the unit's own peak flow and
    transmittance, by the dose's lower bound, and never below its reactor's alarm intensity. Where a back-test of
    at least eight units found the interval too narrow, it is widened; it is never narrowed.
    """
    fleet = load_fleet(store)
    known = lamp_days(store, fleet, now)
    thresholds = {
        (place.slug, unit.slug): threshold_w_m2(
            fleet.reactor(unit.reactor), unit.peak_flow_l_min, round(known.uvt_pct[place.slug, unit.slug], 1),
            # of a sensor that may read a little too high the lower bound is divided; to reach the target it has to
            # be so much more. What a failed check found, the days' intensity is divided by already.
            unit.dose_target_mj_cm2 * known.sensors[place.slug, unit.slug].low_ratio
            / known.sensors[place.slug, unit.slug].ratio, known.uvt_live[place.slug, unit.slug],
            float(band_points(fleet.reactor(unit.reactor), known.uvt_age_days[place.slug, unit.slug])))
        for place in fleet.cabins for unit in place.units
    }
    valves, first = past_valves(store, fleet, now), first_readings(store, now)
    fitted = _fitted(known, fleet, thresholds) if known.days is not None else None
    told = _diagnosed(fitted, known, fleet, thresholds) if fitted else None
    lamps = [
        _lamp(place, unit, fleet.reactor(unit.reactor), known=known, fitted=fitted, told=told,
              threshold=thresholds[place.slug, unit.slug], now=now,
              valve_at_fault=(place.slug, unit.slug) in valves, first_w_m2=first.get((place.slug, unit.slug)))
        for place in fleet.cabins for unit in place.units
    ]
    lamps.sort(key=lambda one: (*one.figures.place(now.date()), one.cabin.slug, one.unit.slug))
    return LampOutlook(at=now, lamps=tuple(lamps), known=known, fitted=fitted)


def lamp_stamp(store: Asks) -> str:
    """Changes when what an outlook rests on does: days, service, registry. For whoever keeps one in hand.

    Not with each reading: a sensor that sticks or jumps today is named by an outlook in hand when the day is over;
    the verdict names it at once.
    """
    return str(store.ask(_STAMP)["stamp"].iloc[0])


@lru_cache(maxsize=4096)
def threshold_w_m2(
    reactor: Reactor, peak_flow_l_min: float, uvt_pct: float, target_mj_cm2: float, uvt_live: bool,
    uvt_test_points: float,
) -> float:
    """`least_intensity_w_m2`, remembered: it is searched for, and its inputs seldom change. [W/m2]"""
    return least_intensity_w_m2(
        reactor, flow_l_min=peak_flow_l_min, uvt_pct=uvt_pct, target_mj_cm2=target_mj_cm2, uvt_live=uvt_live,
        uvt_test_points=uvt_test_points)


def _traits(
    days: FleetDays, fleet: Fleet, thresholds: dict[tuple[str, str], float]
) -> tuple[np.ndarray, np.ndarray]:
    """Threshold and rated life of each fitted unit. [W/m2, h]"""
    rated = [fleet.reactor(days.kinds[code]).lamp_life_h for code in days.kind]
    return np.array([thresholds[key] for key in days.units]), np.array(rated, dtype=float)


def _fitted(known: LampDays, fleet: Fleet, thresholds: dict[tuple[str, str], float]) -> Fitted:
    days = known.days
    assert days is not None
    path_cm = np.array([Sensor(fleet.reactor(name)).reach_cm for name in days.kinds])
    fit = fleet_fit(days, path_cm=path_cm)
    judged, scale = None, 1.0
    if days.intensity_w_m2.shape[1] >= LEAST_WIDTH_DAYS:
        judged = calibration(days, path_cm=path_cm)
        if judged.units >= LEAST_CALIBRATED:
            scale = max(1.0, judged.interval_scale)
    state = present_state(fit, days)
    threshold, rated = _traits(days, fleet, thresholds)
    found = crossing(fit, state, threshold_w_m2=threshold, rated_life_h=rated, interval_scale=scale)
    return Fitted(days=days, path_cm=path_cm, fit=fit, state=state, crossing=found, calibration=judged,
                  interval_scale=scale)


def _diagnosed(
    fitted: Fitted, known: LampDays, fleet: Fleet, thresholds: dict[tuple[str, str], float]
) -> Diagnosis:
    threshold, rated = _traits(fitted.days, fleet, thresholds)
    suspect = {(one.cabin, one.unit) for one in known.faults}
    return diagnosis(
        fitted.fit, fitted.days, fitted.state, threshold_w_m2=threshold, rated_life_h=rated,
        as_it_is=fitted.crossing, sensor_fault=np.array([key in suspect for key in fitted.days.units]))


def _lamp(
    place: Cabin, unit: Unit, reactor: Reactor, *, known: LampDays, fitted: Fitted | None,
    told: Diagnosis | None, threshold: float, now: datetime, valve_at_fault: bool = False,
    first_w_m2: float | None = None,
) -> Lamp:
    key = (place.slug, unit.slug)
    faults = tuple(one for one in known.faults if (one.cabin, one.unit) == key)
    heard = known.heard.get(key)
    events = known.events[(known.events["cabin"] == key[0]) & (known.events["unit"] == key[1])]
    flow = known.filters[(known.filters["cabin"] == key[0]) & (known.filters["unit"] == key[1])]
    flow_words = str(flow["evidence"].iloc[0]) if len(flow) else ""
    about: dict[str, Any] = {
        "cabin": place, "unit": unit, "reactor": reactor, "uvt_pct": known.uvt_pct[key], "faults": faults,
        "sensor": known.sensors[key], "threshold_w_m2": None if np.isnan(threshold) else threshold,
        "last_heard": heard.date() if heard is not None else None,
        "lamp_swapped_on": _latest(events, "lamp-swapped") or unit.lamp_installed,
        "sleeve_cleaned_on": _latest(events, "sleeve-cleaned"),
        "filter_changed_on": _latest(events, FILTER),
        "filter_flow_loss_pct": round(100 * float(flow["loss"].iloc[0]), 1) if len(flow) else None,
        "filter_due_by_flow": bool(flow["due"].any()), "valve_at_fault": valve_at_fault,
        "first_w_m2": first_w_m2,
    }
    fault = faults[0].evidence if faults else ""
    at = list(fitted.days.units).index(key) if fitted and key in fitted.days.units else None
    if fitted is None or told is None or at is None or fitted.fit.days_known[at] < LEAST_KNOWN_DAYS:
        return _unknown(about, fitted, at, fault=fault, filter_words=flow_words, now=now)
    coefficient = fitted.fit.coefficient[at]
    last = int(fitted.days.last_day[at])
    first = fitted.days.first_day.astype("datetime64[D]").astype(date)
    end = first + timedelta(days=fitted.days.intensity_w_m2.shape[1] - 1)

    def on(days: float) -> date | None:
        return end + timedelta(days=int(np.floor(days))) if np.isfinite(days) else None

    found = fitted.crossing
    p10, p50, p90, rated = (
        on(float(values[at])) for values in (found.p10, found.p50, found.p90, found.rated_life))
    read = float(fitted.days.intensity_w_m2[at, last])
    read_on = first + timedelta(days=last)
    said = advice(
        str(told.cause[at]), str(told.action[at]), str(told.evidence[at]), LampFacts(
            fault=fault, filter_words=flow_words, threshold_w_m2=threshold, read_w_m2=read, read_on=read_on,
            record_ends=end, p10=p10, rated_on=rated, past_rated=float(found.rated_life[at]) <= 0,
            lamp_life_h=reactor.lamp_life_h, uvt_pct=known.uvt_pct[key], dose_target_mj_cm2=unit.dose_target_mj_cm2,
            peak_flow_l_min=unit.peak_flow_l_min),
        today=now.date())
    return Lamp(
        **about, lamp_hours=round(float(fitted.state.lamp_hours[at]), 1),
        lamp_loss_pct_per_1000h=_loss_pct(max(float(coefficient[LAMP]), 0.0)),
        sleeve_loss_pct_per_1000h=_loss_pct(max(float(coefficient[SLEEVE]), 0.0)),
        intensity_w_m2=round(read, 2), intensity_day=read_on, crosses_p10=p10, crosses_p50=p50, crosses_p90=p90,
        rated_life_on=rated, cause=said.cause, action=said.action, act_by=said.act_by,
        swap_wins_days=float(told.swap_wins_days[at]), clean_wins_days=float(told.clean_wins_days[at]),
        lamp_loss_pct=round(100 * float(told.lamp_loss[at]), 1),
        sleeve_loss_pct=round(100 * float(told.sleeve_loss[at]), 1),
        water_loss_pct=round(100 * float(told.water_loss[at]), 1), evidence=said.evidence,
        days_known=int(fitted.fit.days_known[at]))


def _unknown(
    about: dict[str, Any], fitted: Fitted | None, at: int | None, *, fault: str, filter_words: str, now: datetime
) -> Lamp:
    """A unit of which too little is known to foretell anything."""
    days = int(fitted.fit.days_known[at]) if fitted and at is not None else 0
    said = advice_unknown(
        days_known=days, ever_heard=about["last_heard"] is not None, fault=fault, filter_words=filter_words,
        today=now.date())
    hours = float(fitted.state.lamp_hours[at]) if fitted and at is not None else None
    return Lamp(
        **about, lamp_hours=None if hours is None else round(hours, 1), lamp_loss_pct_per_1000h=None,
        sleeve_loss_pct_per_1000h=None, intensity_w_m2=None, intensity_day=None, crosses_p10=None,
        crosses_p50=None, crosses_p90=None, rated_life_on=None, cause=said.cause, action=said.action,
        act_by=said.act_by, swap_wins_days=None, clean_wins_days=None, lamp_loss_pct=None, sleeve_loss_pct=None,
        water_loss_pct=None, evidence=said.evidence, days_known=days)


def _loss_pct(per_1000h: float) -> float:
    """ln per 1000 h as per cent per 1000 h."""
    return round(-100.0 * float(np.expm1(-per_1000h)), 3)


def _latest(events: pd.DataFrame, kind: str) -> date | None:
    at = events.loc[events["kind"] == kind, "at"]
    return at.iloc[-1].date() if len(at) else None


def lamp_curve(found: LampOutlook, cabin: str, unit: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What is drawn of one lamp.

    Returns
    -------
    past : DataFrame
        `day`, `intensity_w_m2` (the day's median), `fitted_w_m2`; days with an intensity only. Empty where none.
    coming : DataFrame
        `day`, `low_w_m2`, `middle_w_m2`, `upper_w_m2`: 10, 50 and 90 % of the intensity if nothing is done, with
        the season's water and temperature. Empty where nothing is foretold.
    """
    past = pd.DataFrame({"day": pd.to_datetime([]), "intensity_w_m2": [], "fitted_w_m2": []})
    coming = pd.DataFrame({"day": pd.to_datetime([]), "low_w_m2": [], "middle_w_m2": [], "upper_w_m2": []})
    fitted = found.fitted
    if fitted is None or (cabin, unit) not in fitted.days.units:
        return past, coming
    at = np.array([list(fitted.days.units).index((cabin, unit))])
    days = fitted.days
    columns, _, known = design(
        days, at, water=fitted.fit.water, reference_absorbance_per_cm=fitted.fit.reference_absorbance_per_cm,
        found=fitted.fit.found[at])
    line = np.exp((fitted.fit.coefficient[at][:, None, :] @ columns)[0, 0])
    first = pd.Timestamp(days.first_day)
    some = np.flatnonzero(np.isfinite(days.intensity_w_m2[at[0]]))
    past = pd.DataFrame({
        "day": first + pd.to_timedelta(some, unit="D"), "intensity_w_m2": days.intensity_w_m2[at[0], some],
        "fitted_w_m2": np.where(known[0, some], line[some], np.nan)})
    if fitted.fit.days_known[at[0]] < LEAST_KNOWN_DAYS:
        return past, coming
    ahead = np.arange(0, HORIZON_DAYS + 1, CURVE_STEP_DAYS)
    one = days.select(at)
    state = present_state(_only(fitted.fit, at), one, ahead_days=ahead)
    mean, sd = outlook(_only(fitted.fit, at), state)
    half = NORMAL_80 * fitted.interval_scale * sd[0]
    end = first + pd.Timedelta(days=days.intensity_w_m2.shape[1] - 1)
    coming = pd.DataFrame({
        "day": end + pd.to_timedelta(ahead, unit="D"), "low_w_m2": np.exp(mean[0] - half),
        "middle_w_m2": np.exp(mean[0]), "upper_w_m2": np.exp(mean[0] + half)})
    return past, coming


def _only(fit: FleetFit, at: np.ndarray) -> FleetFit:
    """The fit of some units."""
    parts: dict[str, Any] = {
        field.name: getattr(fit, field.name)[at] for field in fields(fit) if field.name not in ("water", "prior")}
    water = WaterTrend(**{field.name: getattr(fit.water, field.name)[at] for field in fields(fit.water)})
    return replace(fit, **parts, water=water)
