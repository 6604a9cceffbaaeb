"""One word for a unit's tap: clear, watch, boil or silent, with why, since when, and what to do now.

The worst finding wins: boil > silent > watch > clear. What is not known is never clear.

- boil: water is, or was, under-dosed and no named person has lifted the advisory;
- silent: nobody can say whether the water is dosed; treat it as boil until somebody can;
- watch: every glass that can be shown to be dosed is, yet something needs a look soon;
- clear: heard now, lit, warm, and the lower bound of dose meets the target even at peak flow.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from enum import IntEnum, StrEnum

from models.advisory import SENSOR_STEPS, STEP_WORDS, Advisory, Cause, State, Step
from models.advisory.work_cautions import Work, works_of_steps
from models.battery import Outlook, battery_words
from models.dose.sensor_trust import FaultKind, SensorTrust
from models.fleet import COVERED_CADENCES, TAP_FLOW_L_MIN
from models.own_clock import lasting
from models.shortfall import Severity

MIN_PER_DAY = 1440
BY_THE_DAY_AFTER_DAYS = 7  # of all that the supply can deliver: the sum of more is no figure for people


class Word(StrEnum):
    """The verdict."""

    CLEAR = "clear"
    WATCH = "watch"
    BOIL = "boil"
    SILENT = "silent"


class _Weight(IntEnum):
    """Worst last."""

    CLEAR = 0
    WATCH = 1
    SILENT = 2
    BOIL = 3


_WORD = {weight: Word[weight.name] for weight in _Weight}


def is_worse(one: Word, other: Word) -> bool:
    """Whether one verdict is worse than another."""
    return _Weight[one.name] > _Weight[other.name]


@dataclass(frozen=True, slots=True, kw_only=True)
class Present:
    """What is known of a unit now. None (NaN is taken too) is 'not known' and never counts as fine.

    Attributes
    ----------
    last_heard : datetime or None
        Instant of its latest usable reading or event, aware; None: never heard.
    cadence_s : float
        How often its logger reads. [s]
    sends_every_s : float or None
        How often it sends what it has read; None: each reading as it is made. [s]
    stale_s : float
        A latest reading older than this speaks of then and no longer of now. [s]
    dose_target_mj_cm2 : float
        What the unit has to give. [mJ/cm2]
    peak_flow_l_min : float
        The most that its supply can deliver. [L/min]
    lamp_on, warm, power_on : bool or None
        As last heard and still held. `lamp_on` is the worse of the lamp's status and the intensity (an intensity
        of about 0 is a dark lamp). `warm`: lit for at least the unit's warm-up time.
    lamp_since, power_since : datetime or None
        Since when they are as they are.
    flow_l_min : float or None
        [L/min]
    dose_mj_cm2, dose_low_mj_cm2 : float or None
        At the present flow, central and lower bound; inf where lit water stands. [mJ/cm2]
    dose_peak_low_mj_cm2 : float or None
        Lower bound at peak flow with the present lamp, sleeve and water. [mJ/cm2]
    dose_tap_low_mj_cm2 : float or None
        The same at `TAP_FLOW_L_MIN`: where no water flows and even one open tap would be short, the verdict is
        boil and not watch. [mJ/cm2]
    dose_tap_mj_cm2 : float or None
        Best estimate at `TAP_FLOW_L_MIN`. [mJ/cm2]
    marginal_from_mj_cm2 : float or None
        The lower bound from which on water whose best estimate meets the target is short by little
        (`models.shortfall`); None: no water is. [mJ/cm2]
    marginal_at_once : bool
        Whether such water is a boil advisory from its first litre: by policy, or for those who drink here.
    untested : bool
        Whether nobody tested the unit at such water, or at what its supply can deliver.
    dose_since : datetime or None
        Since when the present dose is as it is against the target.
    battery : Outlook or None
        That the supply battery will likely not last, and until when.
    battery_v, battery_low_v : float or None
        Supply battery, and below which it is low. [V]
    lamp_hours, lamp_life_h : float or None
        The lamp's own hours and what it is rated for. [h]
    link_down_since : datetime or None
        Since when the broker says that the link is down; None: it is not.
    gap_since : datetime or None
        Start of the earliest stretch that nobody heard and nothing has explained; None: there is none.
    underdosed_since : datetime or None
        Start of under-dosed water, known or possible, that no advisory, open or lifted, has covered; None: none.
    underdosed_l, underdosed_l_upper : float or None
        How much of it, and the most that it can be. [L]
    marginal_since : datetime or None
        Start of water of the last day that was short by little; None: there was none.
    marginal_l_upper, marginal_low_mj_cm2 : float or None
        The most that it can be, and the least lower bound of its dose. [L], [mJ/cm2]
    to_note_since, to_note_until : datetime or None
        Under-dosed water of before the unit was first heard live, long since followed by dosed water, that nobody
        has noted as seen; None: none.
    to_note_l_upper : float or None
        The most that it can be. [L]
    advisory : Advisory or None
        The unit's latest advisory.
    clock_fault_since : datetime or None
        First reading refused for its time within the last day; None: none.
    repeated_intensity_w_m2, repeated_since : float or None, datetime or None
        Light that is still reported although the power is off, and since when that very value is. [W/m2]
    own_clock : str
        Why the collector's own clock cannot be right, in half a sentence; empty: nothing speaks against it.
    own_clock_since : datetime or None
        Since when that is so.
    held_rows : int
        Readings of this unit that wait because their time cannot be right yet.
    held_since : datetime or None
        When the first of them came.
    held_ahead_s : float
        How far the last of them lies ahead of its arrival. [s]
    fault_since : datetime or None
        Since when the program itself could not work this unit out; None: it could. Nothing else here is to be
        trusted then.
    tail_bad_since : datetime or None
        Since when, within what is heard now, the time has not been lit, warm and dosed; None: it is.
    good_since : datetime or None
        Since when the unit has been lit, warm and dosed without a break, where known.
    sensor : SensorTrust or None
        What its duty sensor's checks and readings say of it; the doses above are divided by its ratios already.
    uvt_doubt : str
        Why a live transmittance is not used, as a sentence; empty where it is, or there is none.
    water_too_old_days : float or None
        Age of a water test that is too old to rest on; None: it is not. [days]
    sample_again_at : datetime or None
        When a sample was taken that asks for another one, and none taken later was satisfactory; None: none.
    sample_again : str
        What was found in it, in half a sentence.
    past_valve_since, past_valve_l : datetime or None, float or None
        Since when water passed the shut-off valve while the lamp was dark, and at least how much; None: none did,
        or somebody looked at the valve since. [L]
    tested_range, tested_range_at_peak : tuple of str
        In which way water and flow, or water and peak flow, lie outside of what the unit was tested at, half a
        sentence each; empty: they do not (`models.dose.tested_range`).
    """

    last_heard: datetime | None
    cadence_s: float
    dose_target_mj_cm2: float
    peak_flow_l_min: float
    sends_every_s: float | None = None
    stale_s: float = math.inf
    lamp_on: bool | None = None
    warm: bool | None = None
    power_on: bool | None = None
    lamp_since: datetime | None = None
    power_since: datetime | None = None
    flow_l_min: float | None = None
    dose_mj_cm2: float | None = None
    dose_low_mj_cm2: float | None = None
    dose_peak_low_mj_cm2: float | None = None
    dose_tap_low_mj_cm2: float | None = None
    dose_tap_mj_cm2: float | None = None
    marginal_from_mj_cm2: float | None = None
    marginal_at_once: bool = False
    untested: bool = False
    dose_since: datetime | None = None
    battery_v: float | None = None
    battery_low_v: float | None = None
    battery: Outlook | None = None
    lamp_hours: float | None = None
    lamp_life_h: float | None = None
    link_down_since: datetime | None = None
    gap_since: datetime | None = None
    underdosed_since: datetime | None = None
    underdosed_l: float | None = None
    underdosed_l_upper: float | None = None
    marginal_since: datetime | None = None
    marginal_l_upper: float | None = None
    marginal_low_mj_cm2: float | None = None
    to_note_since: datetime | None = None
    to_note_until: datetime | None = None
    to_note_l_upper: float | None = None
    advisory: Advisory | None = None
    clock_fault_since: datetime | None = None
    repeated_intensity_w_m2: float | None = None
    repeated_since: datetime | None = None
    own_clock: str = ""
    own_clock_since: datetime | None = None
    held_rows: int = 0
    held_since: datetime | None = None
    held_ahead_s: float = 0.0
    fault_since: datetime | None = None
    tail_bad_since: datetime | None = None
    good_since: datetime | None = None
    sensor: SensorTrust | None = None
    sample_again_at: datetime | None = None
    sample_again: str = ""
    past_valve_since: datetime | None = None
    past_valve_l: float | None = None
    tested_range: tuple[str, ...] = ()
    water_too_old_days: float | None = None
    uvt_doubt: str = ""
    tested_range_at_peak: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, float) and math.isnan(value):
                object.__setattr__(self, field.name, None)
            if isinstance(value, datetime) and value.utcoffset() is None:
                raise ValueError(f"{field.name} must be an instant with an offset from UTC; got {value!r}")
        for name in ("cadence_s", "dose_target_mj_cm2", "peak_flow_l_min"):
            number = getattr(self, name)
            if number is None or not 0 < number < math.inf:
                raise ValueError(f"{name} must be a finite number above 0; got {number!r}")
        for name in ("dose_mj_cm2", "dose_low_mj_cm2"):  # inf: lit water stands
            number = getattr(self, name)
            if number is not None and number < 0:
                raise ValueError(f"{name} must not be below 0; got {number!r}")
        for name in (
            "flow_l_min", "dose_peak_low_mj_cm2", "dose_tap_low_mj_cm2", "dose_tap_mj_cm2", "marginal_l_upper"):
            number = getattr(self, name)
            if number is not None and not 0 <= number < math.inf:
                raise ValueError(f"{name} must be a finite number, at least 0; got {number!r}")

    @property
    def overdue(self) -> timedelta:
        """How long after its latest reading the unit is overdue, as of `models.fleet.Unit.overdue_s`."""
        return timedelta(seconds=COVERED_CADENCES * ((self.sends_every_s or self.cadence_s) + self.cadence_s))

    @property
    def open_advisory(self) -> Advisory | None:
        """The advisory that stands, if one does."""
        found = self.advisory
        return found if found is not None and found.state is not State.LIFTED else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The word, since when, every reason (worst first), what to do now, and the works that any of it asks for."""

    verdict: Word
    since: datetime | None
    reasons: tuple[str, ...]
    next_action: str
    works: frozenset[Work] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Finding:
    """One thing found."""

    weight: _Weight
    reason: str
    action: str
    since: datetime | None = None
    works: frozenset[Work] = frozenset()  # that the action, or steps named in the reason, ask for


_SEE_IF_LIT = frozenset({Work.SEE_IF_LIT})
_CHECK_SENSOR = frozenset({Work.CHECK_SENSOR})
_CHECK_VALVE = frozenset({Work.CHECK_VALVE})
_CHECK_UNIT = frozenset({Work.SWAP_LAMP, Work.CLEAN_SLEEVE})
AUTHORITY = "What your local health authority says goes before this."
_CHECK_SOON = (
    "Have lamp, sleeve and water checked on the next trip. It counts against the month; where infants or people "
    f"with weak immunity drink, boil. {AUTHORITY}")
ASK_THERE = "Ask somebody at the cabin whether there is power and the lamp is lit."
NOT_THE_TAP = "Boil tap water before drinking, or use bottled water"

_STEP_ACTION = {
    Step.POWER_STABLE: "Get power to the unit and keep it steady.",
    Step.LAMP_LIT: "Check that the lamp is lit; if it stays dark, call the service firm.",
    Step.DOSE_BACK: "Wait for the dose to come back; if it stays short, call the service firm.",
    Step.FLUSH_COLD: "Run every cold tap until the meter has seen the litres that the step names, and record when.",
    Step.FLUSH_HOT: "Clean the hot tank in one of the ways that the step names, and record which.",
    Step.DISINFECT: "Have the plumbing disinfected with chlorine, and record who did it and when.",
    Step.SAMPLE_1: "Take the first water sample to a laboratory, and record it once it is satisfactory.",
    Step.SAMPLE_2: "Take the second sample at least a day after the first, and record it once it is satisfactory.",
    Step.NOTICE_REMOVED: "A named person can lift the advisory now and take the notice down.",
}

STANDS_BECAUSE = "A boil advisory stands because of "
_CAUSE_WORDS = {
    Cause.POWER_CUT: "a power cut",
    Cause.LAMP_FAILURE: "a dark lamp",
    Cause.WARM_UP_DRAW: "water drawn while the lamp was warming up",
    Cause.LOW_DOSE: "a dose below target",
    Cause.UNHEARD: "a stretch in which nothing was heard",
    Cause.MANUAL: "a person's decision",
    Cause.LABORATORY: "a water sample that was not satisfactory",
}
# by the best estimate it met the target
_SHORT_BY_LITTLE = "a dose that cannot be shown to meet its target"


def verdict(present: Present, *, now: datetime) -> Verdict:
    """Say of one unit whether its tap may be drunk from.

    Parameters
    ----------
    present : Present
        What is known of it.
    now : datetime
        Aware instant of the judgement.

    Returns
    -------
    verdict : Verdict
        `since` is the earliest instant known among the findings of the verdict's own weight, None where none is.

    Notes
    -----
    With no flow, the dose is judged at peak flow: short there is watch, short even at one open tap is boil.
    """
    if now.utcoffset() is None:
        raise ValueError(f"now must be an instant with an offset from UTC; got {now!r}")
    found = [
        *_of_program(present),
        *_of_clocks(present),
        *_of_advisory(present, heard=_heard(present, now)),
        *_of_hearing(present, now),
        *_of_now(present, now),
        *_of_sensor_findings(present),
        *_of_untested(present),
        *_of_little(present),
        *_of_before(present),
        *_of_samples(present),
        *_of_upkeep(present),
    ]
    found.sort(key=lambda one: -one.weight)  # stable: within a weight, the order above
    if present.tail_bad_since is not None and (not found or found[0].weight <= _Weight.WATCH):
        # What counts water as under-dosed and what judges the present are two readings of one state. Where they
        # should ever differ, the worse one counts.
        found.insert(0, _Finding(
            weight=_Weight.SILENT, since=present.tail_bad_since,
            reason="The latest stretch of time cannot be counted as lit, warm and dosed.",
            action=f"Check lamp, flow and intensity. {NOT_THE_TAP} until it is known. {AUTHORITY}",
            works=_SEE_IF_LIT | _CHECK_SENSOR,
        ))
    if not found:
        return Verdict(
            verdict=Word.CLEAR, since=present.good_since,
            reasons=(_fine(present),), next_action="Nothing to do.",
        )
    worst = found[0]
    starts = [one.since for one in found if one.weight is worst.weight and one.since is not None]
    return Verdict(
        verdict=_WORD[worst.weight], since=min(starts) if starts else None,
        reasons=tuple(dict.fromkeys(one.reason for one in found)), next_action=worst.action,
        works=frozenset[Work]().union(*(one.works for one in found)),
    )


def _of_program(present: Present) -> Iterator[_Finding]:
    """Could the program itself do its work?"""
    if present.fault_since is not None:
        yield _Finding(
            weight=_Weight.SILENT, since=present.fault_since,
            reason="This unit's readings could not be worked out: a fault of this program, not of the cabin.",
            action=(
                f"Have whoever looks after this program see its log. {NOT_THE_TAP} until it is known. {AUTHORITY}"
            ),
        )


def _of_clocks(present: Present) -> Iterator[_Finding]:
    """Can the times be right that all else rests on?"""
    unsure = f"{NOT_THE_TAP} until it is known. {AUTHORITY}"
    if present.own_clock:
        yield _Finding(
            weight=_Weight.SILENT, since=present.own_clock_since,
            reason=f"The collector's own clock cannot be right: {present.own_clock}.",
            action="Set the clock of the collector's computer; what the loggers send meanwhile is kept, and judged "
            f"by itself once the clock is right. {unsure}",
        )
    elif present.held_rows:
        count = f"{present.held_rows:,d} readings are" if present.held_rows > 1 else "1 reading is"
        yield _Finding(
            weight=_Weight.SILENT, since=present.held_since,
            reason=f"Its logger's clock is {lasting(present.held_ahead_s)} ahead of the collector's: {count} held "
            "until their time has come.",
            action="See which of the two clocks is wrong and set it; a named person can release what is held with "
            f"a correction (`tarnlight quarantine release`). {unsure}",
        )


def _heard(present: Present, now: datetime) -> bool:
    """Whether its latest reading still speaks."""
    held = present.overdue
    return present.last_heard is not None and -held <= now - present.last_heard <= held


def _of_advisory(present: Present, *, heard: bool) -> Iterator[_Finding]:
    """Under-dosed water that went out and that nobody has put right."""
    advisory = present.open_advisory
    if advisory is not None:
        todo = advisory.open_steps
        first = todo[0] if todo else Step.NOTICE_REMOVED
        step = _STEP_ACTION[first] if heard or first not in SENSOR_STEPS else ASK_THERE
        # marginal water may have been known and watched all along: it became too much, or is asked of otherwise now
        little = advisory.severity is Severity.MARGINAL
        late = "" if little or not advisory.after_lift else (
            f"After the lift of {advisory.after_lift} it became known that more water had passed without a full "
            "dose. ")
        # whatever raised it: a sample that failed since is the graver of the two
        failed = "" if advisory.failed_at is None or advisory.cause is Cause.LABORATORY else (
            f" and {_CAUSE_WORDS[Cause.LABORATORY]}")
        cause = _SHORT_BY_LITTLE if little else _CAUSE_WORDS[advisory.cause]
        left = "every step is done"
        if todo:
            left = f"step {advisory.steps.index(first) + 1} of {len(advisory.steps)}: {STEP_WORDS[first]}"
        yield _Finding(
            weight=_Weight.BOIL, since=advisory.happened_from,
            reason=f"{late}{STANDS_BECAUSE}{cause}{failed}"
            f"{_known(advisory)}; {left}.",
            action=f"{NOT_THE_TAP} until a named person lifts the advisory. {step} {AUTHORITY}",
            works=works_of_steps(todo) | (_SEE_IF_LIT if step == ASK_THERE else frozenset()),
        )
    if present.underdosed_since is not None and present.underdosed_l_upper != 0:
        yield _Finding(
            weight=_Weight.BOIL, since=present.underdosed_since,
            reason=f"{_litres(present)} may have reached the taps without a full dose.",
            action=f"{NOT_THE_TAP}; put the notice at the tap and begin the steps of the advisory. {AUTHORITY}",
        )


def _known(advisory: Advisory) -> str:
    """When it became known, where that was well after it had happened."""
    if not advisory.known_late:
        return ""
    return f", known since {advisory.known_at.astimezone(UTC):%Y-%m-%d %H:%M UTC}"


def _of_before(present: Present) -> Iterator[_Finding]:
    """What lies so far back that it is only to be seen by somebody."""
    since, until, most = present.to_note_since, present.to_note_until, present.to_note_l_upper
    if since is not None and until is not None and most is not None:
        first, last = (f"{one.astimezone(UTC):%Y-%m-%d %H:%M UTC}" for one in (since, until))
        yield _Finding(
            weight=_Weight.WATCH, since=since,
            reason=(
                f"Before this unit was first heard live, up to {math.ceil(most):,d} L of water may have passed "
                f"without a full dose, between {first} and {last}. Dosed water has replaced it many times since."),
            action=(
                "A named person can note this as seen (`tarnlight advisory seen`, or the cabin's page). Anybody "
                f"who fell ill then should see a doctor. {AUTHORITY}"),
        )


def _of_hearing(present: Present, now: datetime) -> Iterator[_Finding]:
    """Is the unit heard, and was it all along?"""
    unsure = f"{NOT_THE_TAP} until it is known. {AUTHORITY}"
    if present.own_clock:
        return  # how long ago that was, nobody knows; `_of_clocks` says so
    if present.last_heard is None:
        yield _Finding(
            weight=_Weight.SILENT, reason="This unit has never been heard.",
            action=f"Check that its logger has power and the right address of the broker. {unsure}",
        )
        return
    age = now - present.last_heard
    held, every_s = present.overdue, present.sends_every_s or present.cadence_s
    if age < -held:
        yield _Finding(
            weight=_Weight.SILENT, since=present.last_heard,
            reason="Its latest reading bears a time that is still to come, so the present is not known.",
            action=f"Set the logger's clock. {unsure}",
        )
    elif age > held:
        what = "The link is down and nothing" if present.link_down_since is not None else "Nothing"
        yield _Finding(
            weight=_Weight.SILENT, since=present.last_heard,
            reason=f"{what} has been heard for {_duration(age)}; it should be every {every_s:g} s.",
            action=f"{ASK_THERE} {unsure}", works=_SEE_IF_LIT,
        )
    elif present.link_down_since is not None:
        yield _Finding(
            weight=_Weight.WATCH, since=present.link_down_since, reason="The broker says that the link is down.",
            action="Wait for the link; if it stays down, check the cabin's modem and its power.",
        )
    if timedelta(seconds=min(present.stale_s, 1e9)) < age <= held:
        yield _Finding(
            weight=_Weight.WATCH, since=present.last_heard,
            reason=f"All that is said here is as of {_duration(age)} ago: nothing newer has come.",
            action="Wait for the logger's next message; where more certainty is needed, let it send more often.",
        )
    if present.gap_since is not None:
        yield _Finding(
            weight=_Weight.SILENT, since=present.gap_since,
            reason="For a stretch in the past nothing was heard, and nothing yet explains what the lamp did then.",
            action=(
                "Let the logger send its backlog, or read the lamp's hour counter and the water meter and record "
                f"them. {unsure}"
            ),
        )


def _of_now(present: Present, now: datetime) -> Iterator[_Finding]:
    """What a glass drawn now would get."""
    if present.last_heard is None or now - present.last_heard > present.overdue:
        return  # what was heard then is not the present; `_of_hearing` says so
    if present.lamp_on is False or (present.power_on is False and present.lamp_on is None):
        cut = present.power_on is False
        yield _Finding(
            weight=_Weight.BOIL, since=present.power_since if cut else present.lamp_since,
            reason=f"{'The power is off, and' if cut else 'The power is on, but'} the lamp is dark."
            if present.power_on is not None else "The lamp is dark.",
            action=(
                f"Draw no water to drink. {NOT_THE_TAP}; "
                + ("get the power back" if cut else "have the lamp seen to")
                + f" before the tap is used again. {AUTHORITY}"
            ),
            works=frozenset() if cut else frozenset({Work.SWAP_LAMP, Work.BALLAST}),
        )
        if present.repeated_intensity_w_m2 is not None:
            since = present.repeated_since
            how_long = "" if since is None else f" for {_duration(now - since)}"
            yield _Finding(
                weight=_Weight.WATCH, since=since,
                reason=f"The power is off, yet the logger has repeated {present.repeated_intensity_w_m2:g} W/m2"
                f"{how_long}.",
                action="Look at the gateway: it goes on sending what it read before the power went.",
            )
        return
    if present.lamp_on and present.warm is False:
        yield _Finding(
            weight=_Weight.BOIL, since=present.lamp_since, reason="The lamp is lit but still warming up.",
            action=f"Draw no water to drink until it is warm. {AUTHORITY}",
        )
        return
    if present.power_on is False:
        yield _Finding(
            weight=_Weight.WATCH, since=present.power_since,
            reason="The power is said to be off although the lamp is said to be lit; one of the two is wrong.",
            action="Ask somebody at the cabin to look, and have the sensor checked that is wrong.",
            works=_SEE_IF_LIT | _CHECK_SENSOR,
        )
    if present.lamp_on is None or present.warm is None:
        yield _Finding(
            weight=_Weight.SILENT,
            reason="Whether the lamp is lit and warm is not known.",
            action=f"Check the lamp's status sensor. {NOT_THE_TAP} until it is known. {AUTHORITY}",
            works=_SEE_IF_LIT | _CHECK_SENSOR,
        )
    yield from _of_dose(present)


def _of_dose(present: Present) -> Iterator[_Finding]:
    """Dose at the present flow, and at the most that can flow."""
    target, low, peak_low = present.dose_target_mj_cm2, present.dose_low_mj_cm2, present.dose_peak_low_mj_cm2
    flow = present.flow_l_min
    short_peak = peak_low is not None and peak_low < target
    if flow is not None and flow > 0 and _by_little(present, present.dose_mj_cm2, low, present.tested_range):
        yield _little(
            f"Water flows; by the best estimate its dose meets its target of {target:g} mJ/cm2, but only "
            f"{_down(low or 0.0)} can be shown.", present.dose_since)
        return
    if flow is not None and flow > 0 and (low is None or low < target):
        dose = "is not known"
        if low is not None:
            dose = f"can be shown to reach only {_down(low)} mJ/cm2, below its target of {target:g}"
        yield _Finding(
            weight=_Weight.BOIL, since=present.dose_since,
            reason=f"Water flows and its dose {dose}{_outside(present.tested_range)}.",
            action=f"Close the tap. {NOT_THE_TAP}; have lamp, sleeve and water checked. {AUTHORITY}",
            works=_CHECK_UNIT,
        )
        return
    tap_low = present.dose_tap_low_mj_cm2
    if flow == 0 and _by_little(present, present.dose_tap_mj_cm2, tap_low, present.tested_range):
        yield _little(
            f"No water flows now; by the best estimate one open tap ({TAP_FLOW_L_MIN:g} L/min) would meet the "
            f"target of {target:g} mJ/cm2, but only {_down(tap_low or 0.0)} can be shown.", present.dose_since)
        return
    if flow == 0 and tap_low is not None and tap_low < target:
        yield _Finding(
            weight=_Weight.BOIL, since=present.dose_since,
            reason=(
                f"No water flows now; the water of even one open tap ({TAP_FLOW_L_MIN:g} L/min) could be shown to "
                f"get only {_down(tap_low)} mJ/cm2, below its target of {target:g}"
                f"{_outside(present.tested_range)}."
            ),
            action=f"{NOT_THE_TAP}; have lamp, sleeve and water checked. {AUTHORITY}", works=_CHECK_UNIT,
        )
        return
    if flow is None and (peak_low is None or short_peak):
        yield _Finding(
            weight=_Weight.SILENT, since=present.dose_since,
            reason="The flow is not known, and at peak flow the dose cannot be shown to meet its target"
            f"{_outside(present.tested_range_at_peak)}.",
            action=f"Check the flow sensor. {NOT_THE_TAP} until it is known. {AUTHORITY}", works=_CHECK_SENSOR,
        )
    elif peak_low is None:
        weight = _Weight.SILENT if flow == 0 else _Weight.WATCH
        yield _Finding(
            weight=weight, since=present.dose_since,
            reason="What dose the water would get at peak flow is not known.",
            action=f"Check the intensity sensor and the latest water test. {NOT_THE_TAP} until it is known. "
            f"{AUTHORITY}" if weight is _Weight.SILENT else "Check the intensity sensor and the latest water test.",
            works=_CHECK_SENSOR,
        )
    elif short_peak:
        yield _Finding(
            weight=_Weight.WATCH, since=present.dose_since,
            reason=(
                f"At peak flow ({present.peak_flow_l_min:g} L/min) the dose can be shown to reach only "
                f"{_down(peak_low)} mJ/cm2, below its target of {target:g}{_outside(present.tested_range_at_peak)}."
            ),
            action="Open one tap at a time, and have lamp, sleeve and water checked.", works=_CHECK_UNIT,
        )


def _little(reason: str, since: datetime | None) -> _Finding:
    """Water that is short by little: to be looked at soon, and no reason to boil."""
    return _Finding(
        weight=_Weight.WATCH, reason=reason, action=_CHECK_SOON, since=since, works=_CHECK_UNIT)


def _by_little(
    present: Present, best: float | None, low: float | None, outside: tuple[str, ...]
) -> bool:
    """Is a dose short by its lower bound alone, by little, and no reason to boil here?

    Outside of the tested range no best estimate is anybody's.
    """
    target, least = present.dose_target_mj_cm2, present.marginal_from_mj_cm2
    if present.sensor is not None and present.sensor.findings:
        return False  # nor where the sensor that it rests on is in doubt
    if best is None or low is None or least is None or outside or present.marginal_at_once:
        return False
    return least <= low < target <= best


def _of_untested(present: Present) -> Iterator[_Finding]:
    """A unit that runs where nobody tested it: whatever the model says, no credit rests on it."""
    outside = present.tested_range or present.tested_range_at_peak
    if present.untested and outside:
        yield _Finding(
            weight=_Weight.WATCH,
            reason=f"Outside of what this unit was tested at: {'; '.join(outside)}. "
            "Its dose there earns no credit.",
            action="Have the water tested again. If it stays so, ask the service firm for pre-treatment, a larger "
            f"unit or less flow. {AUTHORITY}",
        )


def _of_little(present: Present) -> Iterator[_Finding]:
    """Water of the last day that was short by its lower bound alone, and by little."""
    most, low = present.marginal_l_upper, present.marginal_low_mj_cm2
    if present.marginal_since is not None and most is not None and low is not None:
        yield _little(
            f"Of up to {math.ceil(most):,d} L of the last day only {_down(low)} of "
            f"{present.dose_target_mj_cm2:g} mJ/cm2 can be shown; by the best estimate it met the target.",
            present.marginal_since)


def _of_samples(present: Present) -> Iterator[_Finding]:
    """Did a laboratory ask for another sample?"""
    taken_at = present.sample_again_at
    if taken_at is not None:
        yield _Finding(
            weight=_Weight.WATCH, since=taken_at,
            reason=f"The sample taken {taken_at.astimezone(UTC):%Y-%m-%d %H:%M UTC} asks for another one: "
            f"{present.sample_again}.",
            action="Have a second sample tested, and ask the local health authority what to drink until its result "
            "is there.",
        )


def _of_upkeep(present: Present) -> Iterator[_Finding]:
    """What needs a look although the water is dosed."""
    if present.clock_fault_since is not None:
        yield _Finding(
            weight=_Weight.WATCH, since=present.clock_fault_since,
            reason="Readings were refused because the logger's clock was wrong.",
            action="Set the logger's clock, and look through the refused readings.",
        )
    yield from _of_valve(present)
    yield from _of_sensor_checks(present)
    if present.uvt_doubt:
        yield _Finding(
            weight=_Weight.WATCH, reason=present.uvt_doubt,
            action="Clean or calibrate the transmittance sensor, hold it against a sample, and record that.",
            works=frozenset())
    if present.water_too_old_days is not None:
        yield _Finding(
            weight=_Weight.WATCH, reason=f"The water was last tested {present.water_too_old_days:,.0f} days ago: "
            "too long to rest a dose on.",
            action="Have the water's transmittance tested on the next trip, and record it.", works=frozenset())
    hours, life = present.lamp_hours, present.lamp_life_h
    if hours is not None and life is not None and hours >= life:
        yield _Finding(
            weight=_Weight.WATCH, reason=f"The lamp has burnt {hours:,.0f} h and is rated for {life:,.0f} h.",
            action="Bring a new lamp on the next trip.", works=frozenset({Work.SWAP_LAMP}),
        )
    volts, low_v = present.battery_v, present.battery_low_v
    if present.battery is not None:
        yield _Finding(
            weight=_Weight.WATCH,
            reason=battery_words(present.battery, lambda at: f"{at.astimezone(UTC):%Y-%m-%d %H:%M UTC}"),
            action="Draw drinking water now, save power at the cabin, or charge the battery, before the lamp goes "
            "dark.")
    elif volts is not None and low_v is not None and volts < low_v:
        yield _Finding(
            weight=_Weight.WATCH, reason=f"The battery is at {volts:.1f} V, below {low_v:g} V.",
            action="Save power at the cabin, or charge the battery, before the lamp goes dark.",
        )


def _of_valve(present: Present) -> Iterator[_Finding]:
    """A shut-off valve past which water went while the lamp was dark. The water itself counts elsewhere."""
    if present.past_valve_since is not None and present.past_valve_l is not None:
        yield _Finding(
            weight=_Weight.WATCH, since=present.past_valve_since,
            reason=f"At least {math.floor(present.past_valve_l)} L passed while the lamp was dark, though the "
            "shut-off valve should have been closed.",
            action="Have the valve looked at, and record it (valve-checked). If it does close, look at the meter, "
            "and at what says that the lamp is dark.", works=_CHECK_VALVE,
        )


def _of_sensor_findings(present: Present) -> Iterator[_Finding]:
    """A duty sensor whose readings show that it is not to be trusted: never clear.

    Silent where no bound of the dose can be had: what the lamp gives is not known then, whatever is read. Watch
    where a bound still holds (`models.dose.sensor_trust.SensorFinding`): the doses bear it already, so one that is
    short for it is a finding of its own. A failed check divides the dose and says so itself.
    """
    if present.sensor is None:
        return
    for one in present.sensor.findings:
        if one.fault is FaultKind.OFF_REFERENCE:
            continue
        known = one.low_ratio is not None
        yield _Finding(
            weight=_Weight.WATCH if known else _Weight.SILENT, since=one.since,
            reason=one.evidence if known else f"{one.evidence} So the dose is not known.",
            action=f"{one.action}. {AUTHORITY}" if known
            else f"{one.action}. {NOT_THE_TAP} until it is known. {AUTHORITY}", works=_CHECK_SENSOR,
        )


def _of_sensor_checks(present: Present) -> Iterator[_Finding]:
    """A duty sensor that read too high at its check, and one that was not checked for very long."""
    if present.sensor is None:
        return
    sensor = present.sensor.checks
    if sensor.divided:
        yield _Finding(
            weight=_Weight.WATCH, since=sensor.checked_at, reason=sensor.divided,
            action="Have the sensor replaced or recalibrated, check it against a reference again, and record that "
            "check.", works=_CHECK_SENSOR,
        )
    if sensor.late_days is not None:
        last = "no check is on its record" if sensor.last_at is None else "its last check is that old"
        yield _Finding(
            weight=_Weight.WATCH, reason=f"For {sensor.late_days:,.0f} days nobody held the sensor against a "
            f"reference: {last}.",
            action="Check the sensor against a reference on the next trip, and record it.", works=_CHECK_SENSOR,
        )


def _fine(present: Present) -> str:
    """Why it is clear, with the evidence."""
    peak = present.dose_peak_low_mj_cm2
    assert peak is not None  # else `_of_dose` had found something
    return (
        f"Heard, lamp lit and warm; even at peak flow the water gets at least {_down(peak)} mJ/cm2, "
        f"target {present.dose_target_mj_cm2:g}{_outside(present.tested_range_at_peak)}."
    )


def _outside(tested_range: tuple[str, ...]) -> str:
    """That a dose lies outside of the range in which the unit was tested, to be added to a sentence."""
    return f" ({'; '.join(tested_range)})" if tested_range else ""


def _down(dose_mj_cm2: float) -> str:
    """A lower bound in words, never rounded up."""
    return f"{math.floor(dose_mj_cm2 * 10) / 10:.1f}"


def _litres(present: Present) -> str:
    """How much water, in words; what is more than a week of all that the supply can deliver, by the day."""
    low, high, since = present.underdosed_l, present.underdosed_l_upper, present.underdosed_since
    if high is None:
        return "An unknown amount of water" if not low else f"At least {math.floor(low)} L of water"
    supply_l_day = present.peak_flow_l_min * MIN_PER_DAY
    if since is not None and high > BY_THE_DAY_AFTER_DAYS * supply_l_day:
        began = f"{since.astimezone(UTC):%Y-%m-%d %H:%M UTC}"
        daily = f"p to {math.ceil(supply_l_day):,d} L of water a day since {began}"
        return f"At least {math.floor(low):,d} L, and u{daily}," if low is not None and low >= 1 else f"U{daily}"
    most = math.ceil(high - 1e-9)  # up: half a litre is not none
    least = 0 if low is None else math.floor(low)
    if least == 0 < most:
        return f"Up to {most} L of water"
    return f"{most} L of water" if low is not None and high - low < 1 else f"{least} to {most} L of water"


def _duration(age: timedelta) -> str:
    """A length of time in words."""
    minutes = age // timedelta(minutes=1)
    if minutes < 60:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours >= 48:
        return f"{hours // 24} days"
    return f"{hours} h {rest} min" if rest else f"{hours} h"
