"""What the power-cut page and the list of advisories say, as pure functions: what happened, now, the next step.

Texts from outside (names, notes) are returned as they are; `dashboard.text.markup` escapes them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from math import ceil, floor

from dashboard.text.measures import Units, between, duration, enough, flow, to_volume, volume, volume_unit
from ingest.queries import UnitStatus
from models.advisory import (
    SENSOR_STEPS,
    STEP_WORDS,
    Advisory,
    Event,
    Exposed,
    How,
    Lifted,
    PlayedAnew,
    Proof,
    Raised,
    RecordWithdrawn,
    Remeasured,
    SampleFailed,
    State,
    Step,
    StepRecorded,
)
from models.advisory.cleaning import Cleaning, Way, ways_words, where_it_may_run
from models.advisory.events import times_words
from models.advisory.notice import litres, local, what_happened
from models.advisory.plumbing import StillThere
from models.advisory.proofs import measured
from models.fleet import Cabin, Contact, Role

NOT_KNOWN = "not known"
DRAWN_AT_MOST = timedelta(days=30)  # a longer drawing shows nothing of the cut
BEFORE_THE_CUT = timedelta(hours=6)
FLUSHES = (Step.FLUSH_COLD, Step.FLUSH_HOT)
SAMPLES = (Step.SAMPLE_1, Step.SAMPLE_2)


class Waits(StrEnum):
    """Whom an open advisory waits for."""

    END = "end"  # under-dosed water may still be passing
    SENSORS = "sensors"
    PERSON = "person"
    LIFT = "lift"


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """The one thing to do next."""

    waits: Waits
    step: Step | None  # None: under-dosed water still passes, or all is done
    title: str
    how: str
    evidence: str = ""
    share: float | None = None  # of what the sensors have to see, 0..1; None: not measured
    button: str = ""  # what a person records

    @property
    def needs_person(self) -> bool:
        """Whether somebody has to do something now: the sensors see a flush, but people open the taps."""
        return self.waits in (Waits.PERSON, Waits.LIFT) or self.step in FLUSHES


# Title, how. A meter cannot tell hot from cold, nor a person see a dose: see `models.advisory.proofs`.
_STEPS: Mapping[Step, tuple[str, str]] = {
    Step.POWER_STABLE: (
        "Keep the power on", "Get power to the unit and keep it steady; the sensors wait for it to last."),
    Step.LAMP_LIT: (
        "Wait until the lamp is warm",
        "The lamp has to burn for a while. If it stays dark, call the service firm."),
    Step.DOSE_BACK: (
        "Wait for the full dose", "Draw no water yet. If the dose stays short, call the service firm."),
    Step.FLUSH_COLD: (
        "Run every cold tap",
        "Open the cold taps fully, one after the other, until the meter has seen enough. Then record from when to "
        "when they ran."),
    Step.FLUSH_HOT: (
        "Clean the hot tank",
        "Open the hot taps, one after the other, until the tank has been replaced. Then record from when to when "
        "they ran."),
    Step.DISINFECT: (
        "Disinfect the plumbing with chlorine",
        "Ask the local health authority first. The plan with the amount of bleach is below; record it when the "
        "chlorine is flushed out again."),
    Step.SAMPLE_1: (
        "Have the water tested",
        "Take a sample as the laboratory says. When its result is there, record when the sample was taken."),
    Step.SAMPLE_2: (
        "Have a second sample tested",
        "Take it long enough after the first. When its result is there, record when the sample was taken."),
    Step.NOTICE_REMOVED: ("Lift the notice", ""),
}
_RECORD: Mapping[Step, str] = {
    Step.SAMPLE_1: "Record the first sample", Step.SAMPLE_2: "Record the second sample",
}


def next_step(advisory: Advisory) -> NextStep:
    """What an open advisory waits for first; the order is that of the work."""
    if advisory.evidence_since is None:
        return NextStep(
            waits=Waits.END, step=None, title="Draw no water to drink",
            how="Water passes without a full dose now, or may. Nothing counts before the lamp is lit, warm and the "
            "dose is back.")
    found = next(
        (one for one in advisory.statuses if not one.done and one.code is not Step.NOTICE_REMOVED), None)
    if found is None:
        return NextStep(
            waits=Waits.LIFT, step=None, title="Lift the notice", button="Lift the notice",
            how="Every step is done. The program never lifts by itself: put your name to it, and take the notice "
            "down.")
    title, how = _STEPS[found.code]
    if _sensors_tell(advisory, found.code):
        return NextStep(
            waits=Waits.SENSORS, step=found.code, title=title, how=how, evidence=found.evidence,
            share=measured_share(found.evidence))
    return NextStep(
        waits=Waits.PERSON, step=found.code, title=title, how=how, evidence=found.evidence,
        share=measured_share(found.evidence) if found.code in FLUSHES else None,
        button=_RECORD.get(found.code, f"Record: {STEP_WORDS[found.code]}"))


def with_litres(
    step: NextStep, asked: Cleaning, cabin: Cabin, flow_l_min: float, units: Units = Units.METRIC
) -> NextStep:
    """The next step with what it asks for behind this unit: litres, minutes, by which way, where it may run.

    Parameters
    ----------
    flow_l_min : float
        The most that the supply can deliver. [L/min]
    """
    if step.step is Step.FLUSH_COLD and asked.cold_l:
        flow_l_min = min(flow_l_min, cabin.well_l_min or flow_l_min)
        litres_here = f"{asked.cold_l} L" if units is Units.METRIC else (
            f"{enough(asked.cold_l, units)} ({asked.cold_l} L)")
        how = (
            f"Open the cold taps fully, one after the other, until the meter has seen {litres_here}: about "
            f"{ceil(asked.cold_l / flow_l_min)} min. Then record from when to when they ran.")
        return replace(step, how=" ".join(filter(None, [how, where_it_may_run(asked.cold_l, cabin)])))
    if step.step is Step.FLUSH_HOT and asked.offered is not None:
        so_far = step.evidence.removeprefix(ways_words(asked.ways)).removeprefix("; ")
        return replace(step, how=" ".join(filter(None, way_lines(asked.offered, cabin)[:2])), evidence=so_far)
    return step


def way_lines(way: Way, cabin: Cabin) -> tuple[str, str, str, str]:
    """What to do, where its water may run (or empty), what to record, and where its numbers come from."""
    runs = where_it_may_run(way.litres, cabin, chlorinated=way.how is How.CHLORINATED)
    why_not = f" Not offered here: {way.why_not}." if way.why_not else ""
    return f"{way.words}{why_not}", runs, f"Record {way.proof}.", f"Source: {way.source}."


def way_label(way: Way) -> str:
    """A way as a line to choose."""
    what = {
        How.FLUSHED: f"Run the hot taps: {way.litres} L, {ceil(way.minutes)} min",
        How.DRAINED: f"Drain and refill it {times_words(way.times or 0)}: {way.litres} L",
        How.HEATED: f"Heat it: {way.degrees_c:g} °C for {way.hold_min:g} min, {way.litres} L" if (
            way.degrees_c is not None and way.hold_min is not None) else "Heat it",
        How.CHLORINATED: f"Chlorinate it with the pipes: {way.litres} L"}[way.how]
    return what + (" (not offered here)" if way.why_not else "")


def _sensors_tell(advisory: Advisory, step: Step) -> bool:
    """Does the step wait for the sensors, so that nothing is asked of a person?"""
    ran = {one.step for one in advisory.records if one.begun_at is not None}  # too little: a person runs them again
    unproven = {one.step for one in advisory.proofs if one.done is False} - ran
    unasked = {one.step for one in advisory.proofs} | (set() if advisory.metered_alone else set(FLUSHES))
    return step in unproven or step is Step.DOSE_BACK or (step in SENSOR_STEPS and step not in unasked)


def measured_share(evidence: str) -> float | None:
    """How much of what is needed is there, from a proof's words ("12 of 36 L metered ..."); None: no such words."""
    found = measured(evidence)
    if found is None:
        return None
    have, needed = found
    return 1.0 if needed <= 0 else max(0.0, min(1.0, have / needed))


def share_words(step: NextStep) -> str:
    """How much of it the sensors have seen; that all of it is seen does not do the step where a person is asked."""
    told = f"{floor(100 * (step.share or 0.0) + 1e-9)} % of what the sensors have to see"
    return f"{told}; now a person records it" if step.share == 1.0 and step.waits is Waits.PERSON else told


def happened(advisory: Advisory, cabin: Cabin, units: Units) -> tuple[str, ...]:
    """Three sentences: when and why, how much, what that means; times in the cabin's zone."""
    as_of = advisory.updated_at
    found = what_happened(advisory.exposure, cabin, as_of=as_of)
    if units is Units.METRIC:
        return found
    exposure = advisory.exposure
    low, high = (
        None if one is None else to_volume(one, units)
        for one in (exposure.underdosed_l, exposure.underdosed_l_upper))
    scaled = litres(replace(exposure, underdosed_l=low, underdosed_l_upper=high), as_of)
    told = scaled.replace(" L of water", f" {volume_unit(units)} of water")
    return tuple(one.replace(litres(exposure, as_of), told) for one in found)


def now_words(status: UnitStatus, now: datetime, units: Units) -> str:
    """How the unit is at this moment, in one or two sentences."""
    state = status.state
    if state is None:
        return "This unit has never been heard, so nothing is known of it."
    ago = duration(now - state.at)
    if not status.heard:
        return f"Nothing has been heard for {ago}, so nobody can say how it is now."
    power = {True: "the power is on", False: "the power is off", None: "whether there is power is not known"}
    lamp = {True: "the lamp is lit", False: "the lamp is dark", None: "whether the lamp is lit is not known"}
    water = f"{flow(state.flow_l_min, units)} of water flow" if state.flow_l_min else "no water flows"
    if state.flow_l_min is None:
        water = "whether water flows is not known"
    first = power[state.power_on]
    return f"{first[0].upper()}{first[1:]}, {lamp[state.lit]}, {water}. Heard {ago} ago."


def standing_words(found: StillThere | None, units: Units) -> tuple[str, ...]:
    """Where the under-dosed water is: in the pipes, at the cold tap, in the hot tank."""
    if found is None:
        return ("How much of that water still stands in the plumbing is not known: treat all of it as that water.",)
    if found.pipe_l > 0:
        tap = "the next glass from the cold tap is of it" if found.cold_tap > 0 else "it comes to the tap next"
        lines = [f"In the cold pipes: up to {volume(found.pipe_l, units)} of it; {tap}."]
    else:
        lines = ["In the cold pipes: none, by the meter; taps and branches that were not run may still hold some."]
    if found.tank_l_upper > 0:
        lines.append(
            f"In the hot tank: up to {volume(found.tank_l_upper, units)} of it, as the meter cannot tell hot from "
            f"cold; {volume(found.tank_l, units)} if all that was drawn since was drawn hot.")
    return tuple(lines)


def drawing_since(advisory: Advisory | None, now: datetime) -> datetime:
    """Where the drawing of the last days begins: some hours before the exposure, and at most a month back."""
    if advisory is None:
        return now - timedelta(days=3)
    return max(now - DRAWN_AT_MOST, min(advisory.exposure.start - BEFORE_THE_CUT, now - timedelta(hours=6)))


def whom_to_call(contacts: Iterable[Contact], cabin: str) -> tuple[str, ...]:
    """The local health authority first, then the manager; who is not enrolled is said to be missing."""
    here = sorted((one for one in contacts if not one.cabins or cabin in one.cabins), key=lambda one: one.order)

    def reach(role: Role) -> str:
        return "; ".join(
            one.name + (f", {one.phone}" if one.phone.strip() else "") for one in here if one.role is role)

    authority = reach(Role.HEALTH_AUTHORITY) or "not among the contacts enrolled for this cabin; ask for its number"
    manager = reach(Role.MANAGER) or "not among the contacts enrolled for this cabin"
    return f"Local health authority (it decides): {authority}", f"Manager: {manager}"


def lifted_words(advisory: Advisory, cabin: Cabin) -> str:
    """Who ended it, when, and what was left undone."""
    lifted = advisory.lifted
    if lifted is None:
        raise ValueError("the advisory stands: nobody lifted it")
    undone = ", ".join(STEP_WORDS[step] for step in advisory.undone_at_lift)
    left = f" Undone: {undone}. Reason given: {lifted.reason.strip()}." if undone else " Every step was done."
    return f"Lifted by {lifted.by}, {local(lifted.at, cabin)}.{left}"


def waits_words(advisory: Advisory) -> str:
    """What an open advisory waits for, in one line of the manager's list."""
    found = next_step(advisory)
    match found.waits:
        case Waits.END:
            return "The end of the under-dosed water: it passes now, or may."
        case Waits.LIFT:
            return "A named person who lifts it: every step is done."
        case Waits.SENSORS:
            who = "Somebody who opens the taps" if found.needs_person else "The sensors"
            return f"{who}, for {STEP_WORDS[found.step] if found.step else ''} ({found.evidence})."
    if found.step in FLUSHES:
        return f"Somebody who opens the taps, for {STEP_WORDS[found.step]} ({found.evidence})."
    left = len([step for step in advisory.open_steps if step is not Step.NOTICE_REMOVED]) - 1
    then = f", then {left} more" if left else ""
    return f"A person, for {STEP_WORDS[found.step] if found.step else ''}{then}."


def open_headline(found: Iterable[Advisory]) -> str:
    """How many advisories stand, in one sentence."""
    standing = [one for one in found if one.state is not State.LIFTED]
    if not standing:
        return "No boil advisory stands."
    people = sum(next_step(one).needs_person for one in standing)
    count = "One boil advisory stands" if len(standing) == 1 else f"{len(standing)} boil advisories stand"
    waits = {0: "none waits for a person now", 1: "one waits for a person now"}.get(
        people, f"{people} wait for a person now")
    return f"{count}; {waits}."


EVENT_HEADERS = ("When", "What", "Who", "On what")


def event_row(event: Event, cabin: Cabin, units: Units) -> tuple[str, str, str, str]:
    """One event of an advisory's record as a row with `EVENT_HEADERS`."""
    when = local(event.at, cabin)
    match event:
        case Raised() | Exposed() | Remeasured() | PlayedAnew():
            what = {"raised": "Raised", "exposed": "More under-dosed water", "remeasured": "Exposure better known",
                    "played-anew": "More history loaded"}
            one = event.exposure
            amount = between(
                one.underdosed_l, one.underdosed_l_upper, units, length=(one.end or event.at) - one.start)
            who = event.by if isinstance(event, Raised) and event.by else "the program"
            return when, what[event.kind], who, f"{amount} under-dosed, {event.exposure.cause}"
        case Proof():
            word = {True: "proven", False: "not proven", None: "cannot be told"}[event.done]
            return when, f"{STEP_WORDS[event.step]}: {word}", "the sensors", event.evidence
        case StepRecorded():
            note = "; ".join(filter(None, [event.how_words, event.note.strip()]))
            return when, STEP_WORDS[event.step], event.by, _done(event.when, note, cabin)
        case SampleFailed():
            return when, "Water sample not satisfactory", event.by, _done(event.when, event.note, cabin)
        case RecordWithdrawn():
            return when, "Record withdrawn", event.by, f"{event.what}: {event.reason}"
        case Lifted():
            return when, "Lifted", event.by, event.reason


def _done(when: datetime, note: str, cabin: Cabin) -> str:
    """When it was done, and the note."""
    return f"done {local(when, cabin)}" + (f"; {note.strip()}" if note.strip() else "")
