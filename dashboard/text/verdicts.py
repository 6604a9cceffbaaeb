"""What the pages say, as pure functions: headlines, reasons, rows of tables.

Numbers and times come from `dashboard.text.measures`. A text that came from outside is returned as it is;
`dashboard.text.markup` escapes it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

import pandas as pd

from dashboard.text.measures import (
    UNKNOWN,
    Units,
    absent,
    age,
    between,
    duration,
    flow,
    local,
    number,
    on_the_clock,
    temperature,
    volume,
)
from ingest.db.engine import named
from ingest.queries import UnitStatus
from models.advisory import STEP_WORDS, Advisory, Step, StepStatus
from models.advisory import Cause as AdvisoryCause
from models.exposure import IntervalKind, IntervalReason
from models.fleet import Cabin, Contact, Fleet, Total, Unit
from models.shortfall import Severity
from models.verdict import Word


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
    IntervalKind.LIT: "Lit", IntervalKind.WARMING: "Warming up", IntervalKind.WEAK: "Too weak",
    IntervalKind.DARK: "Dark", IntervalKind.UNHEARD: "Not heard",
}
CAUSE_WORDS: Mapping[str, str] = {
    IntervalReason.NONE: "", IntervalReason.NO_POWER: "no power", IntervalReason.NO_LAMP: "lamp off though powered",
    IntervalReason.NO_LINK: "link down", IntervalReason.NO_LOGGER: "logger silent",
    IntervalReason.UNKNOWN: "cause not known",
}

ADVISORY_CAUSE_WORDS: Mapping[AdvisoryCause, str] = {
    AdvisoryCause.POWER_CUT: "a power cut", AdvisoryCause.LAMP_FAILURE: "a dark lamp",
    AdvisoryCause.WARM_UP_DRAW: "water drawn while the lamp was warming up",
    AdvisoryCause.LOW_DOSE: "a dose below target", AdvisoryCause.UNHEARD: "a stretch in which nothing was heard",
    AdvisoryCause.MANUAL: "a person's decision",
    AdvisoryCause.LABORATORY: "a water sample that was not satisfactory",
}
CAUTION = (
    "Advice only: what your local health authority, local codes and a licensed professional say goes before this. "
    "Unknown is never clear.")
TAKE_CARE = "Take care"  # above the cautions of a work, wherever they stand
DOSE_NOTE = (
    "The lower bound is what decides: it is for the flow measured and, where no water flows, for the most that the "
    "supply can deliver. Dots are the dose of flowing water, without the allowance for what sensors may be off. "
    "Both are what the readings stand for once the lamp is lit and warm.")
OUTAGE_HEADERS = ("From", "To", "Length", "What", "Under-dosed", "Drawn", "Rests on")


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
    how_many = counts(found)
    all_of = len(cabins)
    if not all_of:
        return "No cabin is enrolled yet."
    needing = sum(how_many[word] for word in NEEDS_YOU)
    if not needing:
        rest = [f"{how_many[word]} to {word}" if word is Word.WATCH else f"{how_many[word]} {word}"
                for word in (Word.WATCH, Word.CLEAR) if how_many[word]]
        return f"No cabin needs you now: {' and '.join(rest)}."
    why = _by_name(cabins.values()) if needing <= 3 else ", ".join(
        f"{how_many[word]} {word}" for word in NEEDS_YOU if how_many[word])
    of = "The one cabin" if all_of == 1 else f"{needing} of {all_of} cabins"
    return f"{of} need{'s' if needing == 1 else ''} you now: {why}."


def _by_name(cabins: Collection[tuple[str, Word]]) -> str:
    """The names of the cabins that need somebody, by verdict."""
    names = {word: [name for name, one in cabins if one is word] for word in NEEDS_YOU}
    return "; ".join(f"{listed(mine)} ({word})" for word, mine in names.items() if mine)


def listed(names: Sequence[str]) -> str:
    """Names as one reads them out."""
    return " and ".join(names) if len(names) < 3 else f"{', '.join(names[:-1])} and {names[-1]}"


def reasons(one: UnitStatus) -> list[str]:
    """Why the verdict is what it is, with times on the cabin's clock."""
    return [on_the_clock(sentence, one.cabin.zone) for sentence in one.verdict.reasons]


def since_words(since: datetime | None, now: datetime, zone: tzinfo) -> str:
    """Since when, in the cabin's zone, and how long that is."""
    if since is None:
        return "since when is not known"
    return f"since {local(since, zone, now)} ({duration(now - since)})"


def advisory_since(advisory: Advisory, now: datetime, zone: tzinfo) -> str:
    """Since when by what happened, and since when that is known where it is another time."""
    happened = since_words(advisory.happened_from, now, zone)
    return f"{happened}, known since {local(advisory.known_at, zone, now)}" if advisory.known_late else happened


def exposure_words(advisory: Advisory, now: datetime, zone: tzinfo, units: Units, *, heard: bool) -> str:
    """What water an advisory is about; of a unit that is not heard now, that it may be more by now."""
    exposure = advisory.exposure
    if exposure.cause is AdvisoryCause.LABORATORY:
        found = f": {exposure.finding}" if exposure.finding else ""
        return f"A sample taken {local(exposure.start, zone, now)} was not satisfactory{found}."
    litres = between(
        exposure.underdosed_l, exposure.underdosed_l_upper, units,
        length=(exposure.end or advisory.updated_at) - exposure.start)
    until = f"to {local(exposure.end, zone, now)}" if exposure.end is not None else "and it goes on"
    more = "" if heard else " What was drawn since the unit was last heard is not known and not in it."
    return f"Water drawn without a full dose: {litres}, from {local(exposure.start, zone, now)} {until}.{more}"


def whom_to_call(authorities: Sequence[Contact]) -> str:
    """The local health authority, as enrolled."""
    if not authorities:
        return "The local health authority decides; it is not among the contacts enrolled for this cabin yet."
    told = "; ".join(one.name + (f", {one.phone}" if one.phone else "") for one in authorities)
    return f"The local health authority decides: {told}."


def cause_words(cause: AdvisoryCause) -> str:
    """Why an advisory stands."""
    return ADVISORY_CAUSE_WORDS[cause]


def step_evidence(step: StepStatus, now: datetime, zone: tzinfo) -> str:
    """On what a step counts as done, or what is still missing."""
    return step.evidence + (f"; since {local(step.since, zone, now)}" if step.done and step.since else "")


def step_words(step: Step) -> str:
    """A step of an advisory, as a line of a list."""
    words = STEP_WORDS[step]
    return words[0].upper() + words[1:]


def kind_words(kind: str, cause: str, severity: str) -> str:
    """What a stretch of time was, why, and of lit water how bad."""
    lit = kind in (IntervalKind.WEAK, IntervalKind.WARMING)
    why = str(severity) if lit and severity in list(Severity) else CAUSE_WORDS.get(cause, cause)
    return KIND_WORDS.get(kind, kind) + (f", {why}" if why else "")


def beat_words(beat_at: datetime, age_s: float | None) -> str:
    """That the collector has stopped moving, and what this means for what is seen; an age of None is not known."""
    ago = "" if age_s is None else f" {duration(timedelta(seconds=age_s))} ago"
    return (
        f"The collector gave its last sign of life{ago}, at {local(beat_at, UTC)} by its clock. "
        "What you see below is as old as that and says nothing of the time since.")


# Rows --------------------------------------------------------------------------------------------


def latest_readings(status: UnitStatus, now: datetime, units: Units) -> list[tuple[str, str, str]]:
    """What was read last: quantity, value, and how old it is."""
    state = status.state
    if state is None:
        return []
    switch = {True: "on", False: "off", None: UNKNOWN}
    rows: list[tuple[str, str, datetime | None]] = [
        ("Lamp", switch[state.lit], state.at),
        ("Power", switch[state.power_on], state.at if state.power_on is not None else None),
        ("UV intensity", number(state.intensity_w_m2, "W/m²"), state.intensity_w_m2_at),
        ("Flow", flow(state.flow_l_min, units), state.flow_l_min_at),
        ("Meter's running total", volume(state.total_l, units), state.total_l_at),
        ("Transmittance (UVT)", number(state.uvt_pct, "%"), state.uvt_pct_at),
        ("Water temperature", temperature(state.water_temp_c, units), state.water_temp_c_at),
        ("Battery", number(state.battery_v, "V"), state.battery_v_at),
        ("Lamp hours", number(state.lamp_hours, "h", 0), state.lamp_hours_at),
    ]
    told = [(name, value, age(at, now)) for name, value, at in rows if at is not None]
    if state.uvt_pct is None and not absent(status.uvt_pct):
        told.append(("Transmittance (UVT)", number(status.uvt_pct, "%"), "from the latest water test"))
    return told


def outages_summary(found: pd.DataFrame, units: Units) -> str:
    """How often and how long it was not lit, and the water of it, in one sentence."""
    if found.empty:
        return "In this time every minute was heard and lit."
    times = "Once" if len(found) == 1 else f"{len(found)} times"
    length = timedelta(seconds=float(found["seconds"].sum()))
    litres = between(
        float(found["underdosed_l"].sum()), float(found["underdosed_l_upper"].sum(skipna=False)), units,
        length=length)
    return f"{times} in this time, {duration(length)} in all; water drawn in it without a full dose: {litres}."


def outage_rows(found: pd.DataFrame, now: datetime, zone: tzinfo, units: Units) -> list[tuple[str, ...]]:
    """Rows of a table with `OUTAGE_HEADERS`; what reaches up to now goes on."""
    return [
        (local(row.start.to_pydatetime(), zone, now),
         "goes on" if row.end >= pd.Timestamp(now) else local(row.end.to_pydatetime(), zone, now),
         duration(row.end - row.start), kind_words(row.kind, row.cause, row.severity),
         between(row.underdosed_l, row.underdosed_l_upper, units, length=row.end - row.start),
         between(row.drawn_l, row.drawn_l_upper, units, length=row.end - row.start), row.rests_on)
        for row in named(found)
    ]


def place_line(cabin: Cabin) -> str:
    """A cabin of the registry in one line."""
    height = UNKNOWN if cabin.altitude_m is None else f"{cabin.altitude_m:g} m"
    return f"{cabin.slug}, trip {cabin.trip or 'none'}, {cabin.time_zone}, altitude {height}"


def service_words(kind: str) -> str:
    """A kind of service event in words."""
    return kind.replace("-", " ").capitalize()


def plain(value: float | None) -> str:
    """A number without a unit of its own; nothing where there is none."""
    return "" if value is None or absent(value) else f"{value:g}"


def registry_summary(fleet: Fleet) -> str:
    """How much is enrolled."""
    units = sum(len(one.units) for one in fleet.cabins)
    return f"{len(fleet.cabins)} cabins, {units} units and {len(fleet.reactors)} kinds of unit are enrolled."


def unit_line(unit: Unit, units: Units) -> str:
    """A unit of the registry in one line."""
    tank = f"pressure tank {volume(unit.drawdown_l, units)}" if unit.drawdown_l else "pressure tank not enrolled"
    supply = "gravity supply" if unit.gravity_fed else tank
    return (
        f"{unit.slug}: {unit.reactor}, target {unit.dose_target_mj_cm2:g} mJ/cm², water tested at "
        f"{unit.uvt_pct:g} %, up to {flow(unit.peak_flow_l_min, units)}, {supply}, "
        f"{_plumbing(unit, units)}, read every {unit.cadence_s:g} s{_sent(unit)}{_counted(unit)}"
        f"{', shut-off valve' if unit.shutoff else ''}")


def _plumbing(unit: Unit, units: Units) -> str:
    """What stands behind a unit, as far as it is enrolled."""
    cold = "cold pipes not enrolled" if unit.cold_plumbing_l is None else (
        f"cold pipes {volume(unit.cold_plumbing_l, units)}")
    if unit.hot_tank_l is None:
        return f"{cold}, hot tank not enrolled"
    return f"{cold}, " + (f"hot tank {volume(unit.hot_tank_l, units)}" if unit.hot_tank_l else "no hot tank")


def _sent(unit: Unit) -> str:
    return "" if unit.sends_every_s is None else f" and sent every {unit.sends_every_s:g} s"


def _counted(unit: Unit) -> str:
    """Where its total comes from, in words."""
    words = {Total.METER: ", total kept by the meter", Total.PULSE: ", total counted by the logger"}
    return "" if unit.total is None else words[unit.total]


def enrolled_words(told: Mapping[str, Sequence[str]]) -> str:
    """What an enrolment changed."""
    parts = [f"{word}: {', '.join(told[word])}" for word in ("new", "changed") if told[word]]
    return "; ".join([*parts, f"{len(told['same'])} as they were"])[:600] + "."
