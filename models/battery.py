"""Will a cabin's supply battery last, and until when? By its own nights: how fast it falls in the dark.

A battery of lead holds its voltage while it empties, and falls almost evenly where it is low; the supply lets go of
its load at a voltage of its own. Both are learned from what the unit sent: the fall from dark hours, what a day
brings back from the last days at the same hour, the voltage at which it let go from the times when it did. What one
unit has not shown yet is taken from the fleet's others of its nominal voltage.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pandas as pd

from models.exposure.instants import US_PER_H
from models.wording import Wording, worded

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Told = Callable[[datetime], str]  # an instant as its reader is to have it

PAST_H = 30 * 24  # of hourly voltages that count
AHEAD_H = 14  # the longest night, nearly; what lies beyond, nobody can say of tomorrow's sun
FALL_H, DAYS_ALIKE = 240, 3  # the fall is that of the last ten days, the sun that of the last three
FEWEST = 6  # values that a fall is learned from
# Of a battery of nominal 12 V, as all that follows; common practice, no source. [V]
NOMINALS = {12: 16.0, 24: 32.0, 48: 64.0}  # nominal voltage, and below which reading it is one
LET_GO_V, LET_GO_SD_V = 11.6, 0.1  # where nobody in the fleet has shown it yet
HALF_EMPTY_V = 12.1  # supply that goes off above this is no empty battery
LOW_ABOVE_V = 0.6  # so far above that voltage the fall is even
OWN_SD_V = 0.02  # what one unit's letting go may vary
NORMAL_80 = 1.2816  # two-sided


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What was learned of each unit. [V], [V/h]"""

    let_go_v: Floats
    let_go_sd_v: Floats
    fall_v_h: Floats  # NaN: not known
    fall_sd_v_h: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """That a battery will likely not last, and until when.

    Attributes
    ----------
    volts, let_go_v, fall_v_h : float
        What it reads, where the supply lets go, what it falls by in an hour of the dark. [V], [V/h]
    earliest, likely, latest : datetime
        When it lets go: the 80 % interval and its middle. `latest` None: it may yet last.
    """

    volts: float
    let_go_v: float
    fall_v_h: float
    earliest: datetime
    likely: datetime
    latest: datetime | None


def sun_height_deg(at_us: npt.ArrayLike, latitude: npt.ArrayLike, longitude: npt.ArrayLike) -> Floats:
    """Height of the sun over the horizon, within about a degree and a half. [us since 1970], [deg]

    Declination of Cooper 1969, Solar Energy 12:333-346 (from memory, SOURCES.md section 10); solar time without the
    equation of time.
    """
    at = np.asarray(at_us, dtype=float) / (24 * US_PER_H)
    year_day = np.mod(at, 365.2425)
    declination = np.deg2rad(23.45) * np.sin(2 * np.pi * (284 + year_day + 1) / 365)
    hour_angle = 2 * np.pi * (np.mod(at, 1.0) - 0.5) + np.deg2rad(np.asarray(longitude, dtype=float))
    lat = np.deg2rad(np.asarray(latitude, dtype=float))
    sine = np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(hour_angle)
    return np.asarray(np.rad2deg(np.arcsin(np.clip(sine, -1, 1))))


def foresee(hours: pd.DataFrame, latitude: Floats, longitude: Floats, now_us: int) -> pd.DataFrame:
    """Until when each unit's battery lasts, if it does not outlast the next `AHEAD_H` hours.

    Parameters
    ----------
    hours : DataFrame
        `unit_no` (0 to n - 1), `ago` (whole hours before `now_us`: 0 is the last one), `volts` (their median),
        `powered` (whether the supply was on in all of it); an hour without a reading has no row.
    latitude, longitude : ndarray, shape (n,)
        [deg]
    now_us : int

    Returns
    -------
    DataFrame
        A row for each unit whose voltage and fall are known: `unit_no`, `volts`, `let_go_v`, `fall_v_h`, and
        `earliest_us`, `likely_us`, `latest_us`: when it lets go, the 80 % interval and its middle; NaN: not within
        the hours ahead.
    """
    units = len(latitude)
    volts, powered = np.full((units, PAST_H), np.nan), np.zeros((units, PAST_H), bool)
    known = hours[(hours["ago"] >= 0) & (hours["ago"] < PAST_H)]
    place = known["unit_no"].to_numpy(np.int64), PAST_H - 1 - known["ago"].to_numpy(np.int64)
    volts[place], powered[place] = known["volts"], known["powered"]
    ends = now_us - US_PER_H * np.arange(PAST_H - 1, -AHEAD_H - 1, -1)  # of every hour, and those ahead
    night = sun_height_deg(ends - US_PER_H // 2, latitude[:, None], longitude[:, None]) <= 0
    dark = night[:, :-1] & night[:, 1:]  # from each hour to the next
    change = np.where(powered[:, :-1] & powered[:, 1:], np.diff(volts), np.nan)
    of_12 = _nominal(volts) / 12.0
    found = _learned(volts, powered, change, dark[:, : PAST_H - 1], of_12)
    ahead = np.where(dark[:, PAST_H - 1 :], -found.fall_v_h[:, None], _by_day(change, found.fall_v_h))
    course = volts[:, -1:] + np.cumsum(ahead, axis=1)
    spread = NORMAL_80 * np.sqrt(
        found.let_go_sd_v[:, None] ** 2 + (found.fall_sd_v_h[:, None] * np.arange(1, AHEAD_H + 1)) ** 2)
    out = pd.DataFrame({
        "unit_no": np.arange(units), "volts": volts[:, -1], "let_go_v": found.let_go_v, "fall_v_h": found.fall_v_h})
    for name, side in (("earliest_us", -spread), ("likely_us", 0.0), ("latest_us", spread)):
        out[name] = now_us + US_PER_H * _crossing(volts[:, -1], course + side, found.let_go_v)
    return out[powered[:, -1] & out[["volts", "fall_v_h", "let_go_v"]].notna().all(axis=1).to_numpy()].reset_index(
        drop=True)


def _nominal(volts: Floats) -> Floats:
    """Nominal voltage of each battery by its median; NaN: none that is known here. [V]"""
    middle = _median(volts)
    out = np.full(len(volts), np.nan)
    for nominal, below in reversed(NOMINALS.items()):
        out = np.where(middle < below, float(nominal), out)
    return out


def _learned(volts: Floats, powered: Bools, change: Floats, dark: Bools, of_12: Floats) -> Learned:
    """Each unit's own voltage of letting go and fall in the dark; where it has shown none, the fleet's."""
    low = volts[:, :-1] <= HALF_EMPTY_V * of_12[:, None]
    went = np.where(powered[:, :-1] & ~powered[:, 1:] & low, volts[:, :-1], np.nan)
    own = _median(went)
    pooled = _of_the_fleet(own / of_12) * of_12
    let_go = np.where(np.isnan(own), np.where(np.isnan(pooled), LET_GO_V * of_12, pooled), own)
    let_go_sd = np.where(np.isnan(own), np.where(np.isnan(pooled), LET_GO_SD_V, 2 * OWN_SD_V), OWN_SD_V) * of_12
    fell = np.where(dark, -change, np.nan)
    fell[:, : -FALL_H] = np.nan
    even = np.where(volts[:, :-1] < (let_go + LOW_ABOVE_V * of_12)[:, None], fell, np.nan)
    use = np.where((np.isfinite(even).sum(axis=1) >= FEWEST)[:, None], even, fell)
    enough = np.isfinite(use).sum(axis=1) >= FEWEST
    fall = np.where(enough, np.maximum(_median(use), 0.0), np.nan)
    fall = np.where(enough, fall, _of_the_fleet(fall / of_12) * of_12)
    apart = 1.4826 * _median(np.abs(use - fall[:, None]))
    sd = np.where(enough, apart / np.sqrt(np.maximum(np.isfinite(use).sum(axis=1), 1)) + 0.1 * fall, 0.5 * fall)
    return Learned(let_go_v=let_go, let_go_sd_v=let_go_sd, fall_v_h=fall, fall_sd_v_h=sd)


def _of_the_fleet(own: Floats) -> Floats:
    """The middle of what others have shown; NaN where none has."""
    return np.full(len(own), _median(own[None])[0])


def _by_day(change: Floats, fall_v_h: Floats) -> Floats:
    """What the hours ahead bring by the sun: the middle of the last days at the same hour, or else the dark's
    fall."""
    at = change.shape[1] + 1 - 24 * np.arange(1, DAYS_ALIKE + 1)[:, None] + np.arange(AHEAD_H) - 1
    alike = change[:, at]
    found = _median(np.moveaxis(alike, 1, 2).reshape(-1, DAYS_ALIKE)).reshape(len(change), AHEAD_H)
    return np.where(np.isnan(found), -fall_v_h[:, None], found)


def _crossing(volts: Floats, course: Floats, let_go_v: Floats) -> Floats:
    """Hours from now until a course first reaches the voltage of letting go; NaN: it does not."""
    under = course <= let_go_v[:, None]
    first = np.argmax(under, axis=1)
    rows = np.arange(len(course))
    before = np.where(first > 0, course[rows, first - 1], volts)
    with np.errstate(all="ignore"):
        part = np.clip((before - let_go_v) / (before - course[rows, first]), 0.0, 1.0)
    return np.where(under.any(axis=1), first + np.nan_to_num(part), np.nan)


def _median(values: Floats) -> Floats:
    """Along the last axis, of what is known; NaN where nothing is."""
    ordered = np.sort(values, axis=-1)  # NaN last
    count = np.isfinite(values).sum(axis=-1)
    take = np.clip(np.stack([(count - 1) // 2, count // 2], axis=-1), 0, None)
    middle = np.take_along_axis(ordered, take, axis=-1).mean(axis=-1)
    return np.where(count > 0, middle, np.nan)


def battery_words(outlook: Outlook, told: Told) -> Wording:
    """That a battery will likely not last, in a sentence; `told` says an instant as the reader is to have it."""
    return worded(
        "The battery is at {volts:.1f} V and will likely last only until {when}: it falls by {fall:.2f} V an hour "
        "in the dark, and the supply lets go near {let_go:.1f} V.", volts=outlook.volts, when=told(outlook.likely),
        fall=outlook.fall_v_h, let_go=outlook.let_go_v)
