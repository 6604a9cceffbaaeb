"""What the pages say, as pure functions: headlines, ages, times in the cabin's zone, numbers in the reader's units.

Quantities arrive in the units of their names (L, L/min, degC) and are converted here, at the edge, and nowhere
else. A text that came from outside is returned as it is; `dashboard.markup` escapes it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from enum import StrEnum

from ingest.queries import UnitStatus
from models.advisory import STEP_WORDS, Advisory, Step
from models.outage import Cause, Kind
from models.verdict import Word

L_PER_US_GALLON = 3.785411784  # exact: 231 cubic inches of 2.54 cm (NIST SP 811, B.8; from memory)
UNKNOWN = "not known"


class Units(StrEnum):
    """The reader's units."""

    METRIC = "metric"
    US = "us"


@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """How a verdict looks: a shape and a word, so that it never rests on colour alone."""

    shape: str
    word: str
    meaning: str


FACES: Mapping[Word, Face] = {
    Word.BOIL: Face(shape="■", word="Boil", meaning="water is, or was, under-dosed"),
    Word.SILENT: Face(shape="○", word="Silent", meaning="nobody can say; treat it as boil until somebody can"),
    Word.WATCH: Face(shape="▲", word="Watch", meaning="dosed, but something needs a look soon"),
    Word.CLEAR: Face(shape="●", word="Clear", meaning="heard, lit, warm, and dosed even at peak flow"),
}
WORST_FIRST = tuple(FACES)
NEEDS_YOU = (Word.BOIL, Word.SILENT)  # the tap may not be drunk from untreated, or nobody knows

KIND_WORDS: Mapping[str, str] = {
    Kind.LIT: "Lit", Kind.WARMING: "Warming up", Kind.WEAK: "Too weak", Kind.DARK: "Dark", Kind.UNHEARD: "Not heard",
}
CAUSE_WORDS: Mapping[str, str] = {
    Cause.NONE: "", Cause.NO_POWER: "no power", Cause.NO_LAMP: "lamp off though powered", Cause.NO_LINK: "link down",
    Cause.NO_LOGGER: "logger silent", Cause.UNKNOWN: "cause not known",
}


# Sentences ---------------------------------------------------------------------------------------


def unit_name(status: UnitStatus) -> str:
    """The cabin's name; with several units, the unit's too."""
    return status.cabin.name if len(status.cabin.units) == 1 else f"{status.cabin.name}, {status.unit.slug}"


def worst_by_cabin(found: Iterable[UnitStatus]) -> dict[str, tuple[str, Word]]:
    """Each cabin's name and its worst unit's verdict, worst cabins first; keys are slugs."""
    out: dict[str, tuple[str, Word]] = {}
    for one in found:
        known = out.get(one.cabin.slug)
        word = one.verdict.verdict
        if known is None or WORST_FIRST.index(word) < WORST_FIRST.index(known[1]):
            out[one.cabin.slug] = (one.cabin.name, word)
    return dict(sorted(out.items(), key=lambda item: (WORST_FIRST.index(item[1][1]), item[1][0])))


def counts(found: Iterable[UnitStatus]) -> dict[Word, int]:
    """How many cabins have which verdict, by their worst unit; every verdict is a key, worst first."""
    words = [word for _, word in worst_by_cabin(found).values()]
    return {word: words.count(word) for word in WORST_FIRST}


def headline(found: Sequence[UnitStatus]) -> str:
    """Which cabins need somebody now, in one sentence."""
    cabins = worst_by_cabin(found)
    number = counts(found)
    all_of = len(cabins)
    if not all_of:
        return "No cabin is enrolled yet."
    needing = [(name, word) for name, word in cabins.values() if word in NEEDS_YOU]
    if not needing:
        rest = [f"{number[word]} to {word}" if word is Word.WATCH else f"{number[word]} {word}"
                for word in (Word.WATCH, Word.CLEAR) if number[word]]
        return f"No cabin needs you now: {' and '.join(rest)}."
    if len(needing) <= 3:
        why = "; ".join(
            f"{_listed([name for name, one in needing if one is word])} ({word})"
            for word in NEEDS_YOU if number[word])
    else:
        why = ", ".join(f"{number[word]} {word}" for word in NEEDS_YOU if number[word])
    of = "The one cabin" if all_of == 1 else f"{len(needing)} of {all_of} cabins"
    return f"{of} need{'s' if len(needing) == 1 else ''} you now: {why}."


def _listed(names: Sequence[str]) -> str:
    """Names as one reads them out."""
    return " and ".join(names) if len(names) < 3 else f"{', '.join(names[:-1])} and {names[-1]}"


def since_words(since: datetime | None, now: datetime, zone: tzinfo) -> str:
    """Since when, in the cabin's zone, and how long that is."""
    if since is None:
        return "since when is not known"
    return f"since {local(since, zone)} ({duration(now - since)})"


def exposure_words(advisory: Advisory, zone: tzinfo, units: Units) -> str:
    """What water an advisory is about."""
    exposure = advisory.exposure
    litres = between(exposure.underdosed_l, exposure.underdosed_l_upper, units)
    until = f"to {local(exposure.end, zone)}" if exposure.end is not None else "and it goes on"
    return f"Water drawn without a full dose: {litres}, from {local(exposure.start, zone)} {until}."


def step_words(step: Step) -> str:
    """A step of an advisory, as a line of a list."""
    words = STEP_WORDS[step]
    return words[0].upper() + words[1:]


def kind_words(kind: str, cause: str) -> str:
    """What a stretch of time was, and why."""
    why = CAUSE_WORDS.get(cause, cause)
    return KIND_WORDS.get(kind, kind) + (f", {why}" if why else "")


def beat_words(beat_at: datetime, wall: datetime) -> str:
    """That the collector has stopped moving, and what this means for what is seen."""
    return (
        f"The collector gave its last sign of life {duration(wall - beat_at)} ago, at {local(beat_at, UTC)}. "
        "What you see below is as old as that and says nothing of the time since.")


# Time --------------------------------------------------------------------------------------------


def local(at: datetime, zone: tzinfo) -> str:
    """An instant on the clock of that place, with the zone's own letters."""
    there = at.astimezone(zone)
    return f"{there:%a} {there.day} {there:%b %Y, %H:%M %Z}"


def duration(length: timedelta) -> str:
    """A length of time in at most two parts."""
    seconds = max(0, int(length.total_seconds()))
    days, rest = divmod(seconds, 86400)
    hours, rest = divmod(rest, 3600)
    minutes = rest // 60
    if days >= 2:
        return f"{days} days" + (f" {hours} h" if hours and days < 10 else "")
    if seconds >= 3600:
        hours += 24 * days
        return f"{hours} h" + (f" {minutes} min" if minutes else "")
    return f"{minutes} min" if seconds >= 120 else f"{seconds} s"


def age(at: datetime | None, now: datetime) -> str:
    """How old a reading is; one that is still to come says so."""
    if at is None:
        return "never"
    if at > now + timedelta(seconds=1):
        return f"{duration(at - now)} ahead of this clock"
    return f"{duration(now - at)} ago"


# Numbers -----------------------------------------------------------------------------------------


def _absent(value: float | None) -> bool:
    return value is None or math.isnan(value)


def volume(volume_l: float | None, units: Units) -> str:
    """A volume in L or US gal."""
    if volume_l is None or _absent(volume_l):
        return UNKNOWN
    value, unit = to_volume(volume_l, units), volume_unit(units)
    return f"{value:,.1f} {unit}" if 0 < value < 10 else f"{value:,.0f} {unit}"


def between(low_l: float | None, upper_l: float | None, units: Units) -> str:
    """A volume and the most that it can be; an upper bound is never rounded down."""
    unit = volume_unit(units)
    if upper_l is None or _absent(upper_l):
        return "an unknown amount" if low_l is None or _absent(low_l) else f"at least {volume(low_l, units)}"
    upper = _up(to_volume(upper_l, units))
    if low_l is None or _absent(low_l):
        return f"up to {upper} {unit}"
    low = to_volume(low_l, units)
    told = f"{low:,.1f}" if 0 < low < 10 else f"{low:,.0f}"
    return f"{upper} {unit}" if math.isclose(low_l, upper_l, rel_tol=1e-9) else f"{told} to {upper} {unit}"


def _up(value: float) -> str:
    """Rounded up: to a tenth below 10, else to a whole number."""
    if 0 < value < 10:
        return f"{math.ceil(round(value * 10, 6)) / 10:,.1f}"
    return f"{math.ceil(round(value, 6)):,d}"


def flow(flow_l_min: float | None, units: Units) -> str:
    """A flow in L/min or US gal/min."""
    if flow_l_min is None or _absent(flow_l_min):
        return UNKNOWN
    return f"{to_volume(flow_l_min, units):,.1f} {flow_unit(units)}"


def temperature(temp_c: float | None, units: Units) -> str:
    """A temperature in degC or degF."""
    if temp_c is None or _absent(temp_c):
        return UNKNOWN
    return f"{to_temperature(temp_c, units):.1f} {temperature_unit(units)}"


def dose(dose_mj_cm2: float | None) -> str:
    """A dose; without a bound where lit water stands."""
    if dose_mj_cm2 is None or _absent(dose_mj_cm2):
        return UNKNOWN
    return "no limit while water stands" if math.isinf(dose_mj_cm2) else f"{dose_mj_cm2:,.1f} mJ/cm²"


def dose_low(dose_mj_cm2: float | None) -> str:
    """A lower bound of dose, never rounded up."""
    if dose_mj_cm2 is None or _absent(dose_mj_cm2) or math.isinf(dose_mj_cm2):
        return dose(dose_mj_cm2)
    return f"{math.floor(dose_mj_cm2 * 10) / 10:,.1f} mJ/cm²"


def number(value: float | None, unit: str, digits: int = 1) -> str:
    """Any other quantity."""
    return UNKNOWN if value is None or _absent(value) else f"{value:,.{digits}f} {unit}"


def to_volume(volume_l: float, units: Units) -> float:
    """L (or L/min) as the reader has it."""
    return volume_l / L_PER_US_GALLON if units is Units.US else volume_l


def from_volume(value: float, units: Units) -> float:
    """The way back from `to_volume`, for what a form was given. [L or L/min]"""
    return value * L_PER_US_GALLON if units is Units.US else value


def to_temperature(temp_c: float, units: Units) -> float:
    """degC as the reader has it."""
    return temp_c * 9 / 5 + 32 if units is Units.US else temp_c


def volume_unit(units: Units) -> str:
    """L or gal."""
    return "gal" if units is Units.US else "L"


def flow_unit(units: Units) -> str:
    """L/min or gpm."""
    return "gpm" if units is Units.US else "L/min"


def temperature_unit(units: Units) -> str:
    """degC or degF."""
    return "°F" if units is Units.US else "°C"


# Rows --------------------------------------------------------------------------------------------


def latest_readings(status: UnitStatus, now: datetime, units: Units) -> list[tuple[str, str, str]]:
    """What was read last: quantity, value, and how old it is."""
    carry = status.carry
    if carry is None:
        return []
    state = {True: "on", False: "off", None: UNKNOWN}
    rows: list[tuple[str, str, datetime | None]] = [
        ("Lamp", state[carry.lit], carry.at),
        ("Power", state[carry.power_on], carry.at if carry.power_on is not None else None),
        ("UV intensity", number(carry.intensity_w_m2, "W/m²"), carry.intensity_w_m2_at),
        ("Flow", flow(carry.flow_l_min, units), carry.flow_l_min_at),
        ("Meter's running total", volume(carry.total_l, units), carry.total_l_at),
        ("Transmittance (UVT)", number(carry.uvt_pct, "%"), carry.uvt_pct_at),
        ("Water temperature", temperature(carry.water_temp_c, units), carry.water_temp_c_at),
        ("Battery", number(carry.battery_v, "V"), carry.battery_v_at),
        ("Lamp hours", number(carry.lamp_hours, "h", 0), carry.lamp_hours_at),
    ]
    told = [(name, value, age(at, now)) for name, value, at in rows if at is not None]
    if carry.uvt_pct is None and not _absent(status.uvt_pct):
        told.append(("Transmittance (UVT)", number(status.uvt_pct, "%"), "from the latest water test"))
    return told
