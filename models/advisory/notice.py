"""The words of the notice at the tap, and of the messages to owner, guest and manager.

Plain sentences for people who may be worried; one message per event, never per reading. No layout here. Times are
shown in the cabin's time zone with its name.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from models.advisory import (
    PERSON_STEPS,
    STEP_WORDS,
    Advisory,
    Cause,
    Event,
    Exposed,
    Exposure,
    Lifted,
    PlayedAnew,
    Proof,
    Raised,
    RecordWithdrawn,
    Remeasured,
    SampleFailed,
    Step,
    StepRecorded,
)
from models.advisory.boil import ALTERNATIVES, CAUTIONS, RULES, USES, BoilRule, boil_advice
from models.advisory.events import SEVERITY_RANK
from models.advisory.work_cautions import Work, brief, works_of_steps
from models.fleet import Cabin, Contact, Role

# SOURCES.md section 6, "After lifting": CDC copy (seen, S47) and a utility's advice (seen, S48).
AFTER_LIFTING = (
    "Run each cold tap for at least 5 minutes, also coolers with their own line.",
    "Run hot taps for 15 minutes, 30 where the tank holds more than 150 L.",
    "Drain and refill a water heater set below 45 C.",
    "Throw old ice away, then make and throw away 3 batches.",
    "Replace filter cartridges, regenerate the softener once, clean the aerators.",
    "Run the dishwasher once, empty and at its hottest.",
)
AFTER_LIFTING_WORKS = frozenset({Work.FLUSH_HOT, Work.DRAIN_TANK, Work.OPEN_HOUSING})  # that it asks for

ONE_STRETCH = timedelta(days=1)  # what lasts longer is told as several stretches
WEEKS = timedelta(days=7)  # over so long, the most that could have flowed is told by the day
LOOSE = 2.0  # a bound of more than this times the least says what could have flowed, not what did
HOUSEHOLD_L_DAY = 1000.0  # common practice, no source: hardly a cabin draws more, so a larger mean is no meter's
AUTHORITY = "What your local health authority says goes before this notice."

_CAUSE = {
    Cause.POWER_CUT: "while the power was off and the lamp that disinfects it was dark",
    Cause.LAMP_FAILURE: "while the lamp that disinfects it was dark although there was power",
    Cause.WARM_UP_DRAW: "while the lamp that disinfects it was still warming up",
    Cause.LOW_DOSE: "while the light that disinfects it was too weak for so much water",
    Cause.UNHEARD: "while nothing was heard from the lamp that disinfects it, so nobody can say that it was lit",
    Cause.MANUAL: "the person who answers for this water decided so",
    Cause.LABORATORY: "and a sample of it was not satisfactory",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One page to hang at the tap.

    Attributes
    ----------
    title : str
        In the largest type.
    place, raised, printed : str
        Cabin and unit; since when it stands; when the page was made.
    what_happened, what_to_do, cautions, alternatives : tuple of str
        Sentences in order.
    boil_minutes : float
        At a rolling boil. [min]
    boil_words, boil_authority : str
        The same as an instruction, and by whose rule.
    who_lifts : str
        Who ends it, and how one learns of it.
    call : tuple of str
        Whom to ask.
    """

    title: str
    place: str
    raised: str
    printed: str
    what_happened: tuple[str, ...]
    what_to_do: tuple[str, ...]
    boil_minutes: float
    boil_words: str
    boil_authority: str
    alternatives: tuple[str, ...]
    cautions: tuple[str, ...]
    who_lifts: str
    call: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageText:
    """One message to one kind of reader. `urgent`: quiet hours never hold it back."""

    role: Role
    subject: str
    body: str
    urgent: bool


def notice(
    advisory: Advisory, cabin: Cabin, *, unit: str, printed_at: datetime, contacts: Iterable[Contact] = (),
    rules: Iterable[BoilRule] = RULES,
) -> Notice:
    """The notice for an advisory that stands.

    Parameters
    ----------
    advisory : Advisory
        Raised or clearing.
    cabin : Cabin
        Its altitude gives the minutes to boil, its zone the times.
    unit : str
        Slug of the unit.
    printed_at : datetime
        Aware.
    contacts : iterable of Contact
        The fleet's; those of this cabin who lift it or may be asked are named.
    rules : iterable of BoilRule
        The fleet's boil rules.

    Raises
    ------
    ValueError
        If the advisory is lifted: no notice hangs any more.
    """
    if advisory.lifted is not None:
        raise ValueError(f"advisory is lifted since {advisory.lifted.at}: there is no notice to print")
    here = [one for one in contacts if not one.cabins or cabin.slug in one.cabins]
    boil = boil_advice(cabin.altitude_m, rules)
    return Notice(
        title="Boil water before drinking",
        place=_place(cabin, unit),
        raised=f"In force since {local(advisory.raised_at, cabin)}",
        printed=f"Printed {local(printed_at, cabin)}",
        what_happened=what_happened(advisory.exposure, cabin, as_of=advisory.updated_at),
        what_to_do=(boil.words, *USES, "Leave this notice at the tap until it is lifted."),
        boil_minutes=boil.minutes,
        boil_words=boil.words,
        boil_authority=f"Boiling time: {' and '.join(boil.authorities)}, for {_altitude(boil.altitude_m)}.",
        alternatives=ALTERNATIVES,
        cautions=(*CAUTIONS, AUTHORITY),
        who_lifts=_who_lifts(here),
        call=_call(here),
    )


def what_happened(exposure: Exposure, cabin: Cabin, *, as_of: datetime | None = None) -> tuple[str, ...]:
    """Three sentences: when and why, how much, and what that means.

    Parameters
    ----------
    exposure : Exposure
        Of the advisory.
    cabin : Cabin
        For its time zone.
    as_of : datetime, optional
        Of what instant the litres of an exposure that goes on are.
    """
    if exposure.cause is Cause.MANUAL:
        return (
            f"Since {local(exposure.start, cabin)} this water is not to be drunk unboiled: {_CAUSE[Cause.MANUAL]}.",
            "How much water is concerned is not stated.",
            "Until it is tested it may carry germs that make people ill.",
        )
    if exposure.cause is Cause.LABORATORY:
        return (
            f"A sample of this water was not satisfactory: taken {local(exposure.start, cabin)}{_found(exposure)}.",
            "How much water is concerned is not known.",
            "It may carry germs that make people ill.",
        )
    if exposure.end is None:
        when = f"Since {local(exposure.start, cabin)}"
    elif _day(exposure.start, cabin) == _day(exposure.end, cabin):
        start, end = (local(at, cabin, day=False) for at in (exposure.start, exposure.end))
        when = f"Between {start} and {end} on {_day(exposure.start, cabin)}"
    else:
        when = f"Between {local(exposure.start, cabin)} and {local(exposure.end, cabin)}"
    reached = "reached" if exposure.underdosed_l else "may have reached"
    drawn = f"water {'was' if exposure.underdosed_l else 'may have been'} drawn"
    # Over days it was hardly one stretch, and the cause is the worst of several, not that of each.
    several = exposure.end is not None and exposure.end - exposure.start > ONE_STRETCH
    return (
        f"At times b{when[1:]} {drawn} without full disinfection, at worst {_CAUSE[exposure.cause]}." if several
        else f"{when} {drawn} {_CAUSE[exposure.cause]}.",
        f"{litres(exposure, as_of)} {reached} the pipes without full disinfection.",
        "The light leaves nothing in the water that would go on working, so water that stands in the pipes and in "
        "the hot tank may carry germs that make people ill." + (
            f" A sample of it was not satisfactory{_found(exposure)}." if exposure.finding else ""),
    )


def _found(exposure: Exposure) -> str:
    """What the laboratory found, to be added to a sentence."""
    return f", {exposure.finding}" if exposure.finding else ""


def messages(
    before: Advisory | None, event: Event, after: Advisory, cabin: Cabin, *, unit: str,
    rules: Iterable[BoilRule] = RULES,
) -> tuple[MessageText, ...]:
    """Who is to hear what of one event; empty for what nobody needs to hear.

    Parameters
    ----------
    before, after : Advisory
        Around the event (`before` None for the first).
    event : Event
        What happened.
    cabin : Cabin
        Where.
    unit : str
        Slug of the unit.
    rules : iterable of BoilRule
        The fleet's boil rules.

    Notes
    -----
    Guests hear of what changes what they may drink: raised, lifted. Owners also of exposure and failed samples,
    managers of every step. Proofs are told once, when the sensors have nothing left to prove.
    """
    place = _place(cabin, unit)
    match event:
        case Raised():
            return _raised(after, cabin, place, boil_advice(cabin.altitude_m, rules).minutes)
        case Exposed():
            text = (
                f"{place}: more water passed without full disinfection. In all: {_in_all(after)}. "
                f"Keep boiling; every step starts again. {_next(after)}"
            )
            return _to(text, f"Boil notice goes on: {place}", Role.OWNER, Role.MANAGER, urgent=True)
        case SampleFailed():
            text = (
                f"{place}: a water sample was not satisfactory ({event.by}). Keep boiling; flushing, disinfection "
                f"and samples start again. Tell the local health authority. {_next(after, after.open_steps)}"
            )
            return _to(text, f"Water sample failed: {place}", Role.OWNER, Role.MANAGER, urgent=True)
        case Lifted():
            return _lifted(event, after, cabin, place)
        case StepRecorded():
            text = f"{place}: {STEP_WORDS[event.step]} ({event.by}, {local(event.when, cabin)}). {_next(after)}"
            return _to(text, f"Step recorded: {place}", Role.MANAGER, urgent=False)
        case RecordWithdrawn():
            text = f"{place}: {event.by} withdrew a record ({event.what}): {event.reason}. {_next(after)}"
            return _to(text, f"Record withdrawn: {place}", Role.MANAGER, urgent=False)
        case Proof():
            if before is None or not _sensing(before) or _sensing(after):
                return ()
            text = f"{place}: the sensors have proven all that they can. {_next(after)}"
            return _to(text, f"Now it needs people: {place}", Role.OWNER, Role.MANAGER, urgent=False)
        case Remeasured() | PlayedAnew() if worsened(before, after):
            text = (
                f"{place}: the water was worse than known: {after.severity} now. In all: {_in_all(after)}. "
                f"Keep boiling; more may have to be done. {_next(after)}"
            )
            return _to(text, f"Worse than known: {place}", Role.OWNER, Role.MANAGER, urgent=True)
        case Remeasured() | PlayedAnew():
            if before is not None and _in_all(before) == _in_all(after):
                return ()
            text = f"{place}: late readings changed what is known. {_in_all(after)} passed. {_next(after)}"
            return _to(text, f"Exposure corrected: {place}", Role.MANAGER, urgent=False)


def worsened(before: Advisory | None, after: Advisory) -> bool:
    """Has water passed that was treated less than all that was known of in this advisory?"""
    return before is None or SEVERITY_RANK[after.severity] > SEVERITY_RANK[before.severity]


def litres(exposure: Exposure, as_of: datetime | None = None) -> str:
    """How much under-dosed water, in words; an upper bound is rounded up, an unknown said to be one.

    `as_of` is the instant of the litres of an exposure that goes on; over weeks, a bound that no meter set is told
    by the day (`a_day_l`).
    """
    low, high = exposure.underdosed_l, exposure.underdosed_l_upper
    if high is None:
        return "An unknown amount of water" if not low else f"At least {low:.0f} L of water"
    until = exposure.end or as_of
    daily = None if until is None else a_day_l(low, high, until - exposure.start)
    if daily is not None:
        most = f"p to {math.ceil(daily - 1e-9):,d} L of water a day, on average,"
        return f"At least {math.floor(low):,d} L, and u{most}" if low is not None and low >= 1 else f"U{most}"
    most_l = math.ceil(high - 1e-9)
    if low is None or round(low) == 0 < most_l:
        return f"Up to {most_l} L of water"
    return f"About {most_l} L of water" if high - low < 1 else f"Between {math.floor(low)} and {most_l} L of water"


def a_day_l(least_l: float | None, most_l: float | None, length: timedelta) -> float | None:
    """A bound over weeks as litres a day: the sum of what could have flowed in a month is no figure for people.

    Parameters
    ----------
    least_l, most_l : float or None
        What passed at least and at most; None or NaN is not known. [L]
    length : timedelta
        Over which time.

    Returns
    -------
    float or None
        The mean of the bound a day [L]; None where the sum is to be told: over less than a week, where the bound
        is close to the least, or where it is no more than a cabin may draw.

    Examples
    --------
    Nobody heard the unit for 25 days, its supply could deliver 12 L/min: up to 17,280 L a day, not 432,000 L.

    >>> a_day_l(0.0, 432000.0, timedelta(days=25))
    17280.0
    """
    if most_l is None or not math.isfinite(most_l) or length < WEEKS:
        return None
    least = 0.0 if least_l is None or math.isnan(least_l) else least_l
    mean = most_l / (length / timedelta(days=1))
    return mean if most_l > LOOSE * least and mean > HOUSEHOLD_L_DAY else None


def local(at: datetime, cabin: Cabin, *, day: bool = True) -> str:
    """An instant in the cabin's time zone, with the zone's name: clocks that change make an hour come twice."""
    return at.astimezone(cabin.zone).strftime("%d %b %Y %H:%M %Z" if day else "%H:%M %Z")


def _in_all(advisory: Advisory) -> str:
    """All the water of an advisory, in words, as it ends a sentence."""
    return litres(advisory.exposure, advisory.updated_at).rstrip(",")


def _raised(advisory: Advisory, cabin: Cabin, place: str, minutes: float) -> tuple[MessageText, ...]:
    """The first word of it, to everybody."""
    first, amount, _ = what_happened(advisory.exposure, cabin, as_of=advisory.updated_at)
    unit = "minute" if minutes == 1 else "minutes"
    boil = "until it boils" if minutes == 0 else f"for {minutes:g} {unit} at a rolling boil"
    subject = f"Boil water: {place}"
    return (
        MessageText(
            role=Role.GUEST, subject=subject, urgent=True,
            body=(
                f"{place}: do not drink the tap water unboiled. Boil it {boil}, or use bottled water, also for "
                "ice, teeth, baby food and pets. You will be told when this is over; your local health authority "
                "can advise."
            ),
        ),
        MessageText(
            role=Role.OWNER, subject=subject, urgent=True,
            body=f"{place}: {first} {amount} Boil drinking water {boil}, and hang the notice at the tap. "
                 f"{_next(advisory)} Questions of health: your local health authority.",
        ),
        MessageText(
            role=Role.MANAGER, subject=subject, urgent=True,
            body=f"{place}: {first} {amount} Tell guests and hang the notice. {_next(advisory)}",
        ),
    )


def _lifted(event: Lifted, advisory: Advisory, cabin: Cabin, place: str) -> tuple[MessageText, ...]:
    """Its end, by whom, and what is left to do at the taps."""
    when = local(event.at, cabin)
    undone = ", ".join(STEP_WORDS[step] for step in advisory.undone_at_lift)
    left = f" Undone: {undone}. Reason given: {event.reason.strip()}." if undone else ""
    subject = f"Boil notice lifted: {place}"
    body = f"{place}: {event.by} lifted the boil notice, {when}."
    return (
        MessageText(
            role=Role.GUEST, subject=subject, urgent=False,
            body=f"{body} Run each cold tap for 5 minutes first; throw away ice made before.",
        ),
        *(
            MessageText(
                role=role, subject=subject, urgent=False,
                body=(
                    f"{body}{left} Take the notice down. Then run cold taps 5 minutes and hot taps 15 or more, and "
                    "replace filter cartridges; the cabin's page has the whole list. "
                    + brief({Work.FLUSH_HOT, Work.OPEN_HOUSING})
                ),
            )
            for role in (Role.OWNER, Role.MANAGER)
        ),
    )


def _to(body: str, subject: str, *roles: Role, urgent: bool) -> tuple[MessageText, ...]:
    """The same message to some."""
    return tuple(MessageText(role=role, subject=subject, body=body, urgent=urgent) for role in roles)


def _next(advisory: Advisory, said: Iterable[Step] = ()) -> str:
    """What it waits for, with the cautions of that and of other steps that were `said`."""
    todo = [step for step in advisory.open_steps if step is not Step.NOTICE_REMOVED]
    if not todo:
        return "Every step is done: a named person may lift it."
    then = f", then {len(todo) - 1} more" if len(todo) > 1 else ""
    return f"Next: {STEP_WORDS[todo[0]]}{then}. {brief(works_of_steps({*todo[:1], *said}))}".rstrip()


def _sensing(advisory: Advisory) -> bool:
    """Is a step open that the sensors are to prove?"""
    answered = {proof.step for proof in advisory.proofs if proof.done is None} & set(PERSON_STEPS)
    sensors = (Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK, Step.FLUSH_COLD, Step.FLUSH_HOT)
    return any(step in sensors and step not in answered for step in advisory.open_steps)


def _who_lifts(here: list[Contact]) -> str:
    """Who ends it."""
    managers = [one for one in sorted(here, key=lambda one: one.order) if one.role is Role.MANAGER]
    who = " or ".join(_reach(one) for one in managers) or "the person who answers for this water"
    return f"Only a person can lift this notice, never the program: {who}. Until then it stands."


def _call(here: list[Contact]) -> tuple[str, ...]:
    """Whom to ask: the health authority first."""
    authorities = [one for one in sorted(here, key=lambda one: one.order) if one.role is Role.HEALTH_AUTHORITY]
    lines = [f"Local health authority: {_reach(one)}" for one in authorities]
    return tuple(lines) or ("Local health authority: its number is not recorded here; ask for it.",)


def _reach(contact: Contact) -> str:
    """Name and telephone."""
    return f"{contact.name}, {contact.phone}" if contact.phone.strip() else contact.name


def _place(cabin: Cabin, unit: str) -> str:
    """Cabin, and the unit where the cabin has several."""
    return f"{cabin.name}, unit {unit}" if len(cabin.units) > 1 else cabin.name


def _altitude(altitude_m: float | None) -> str:
    """The altitude in words."""
    return "an altitude that is not known" if altitude_m is None else f"{altitude_m:,.0f} m above the sea"


def _day(at: datetime, cabin: Cabin) -> str:
    """The cabin's date."""
    return at.astimezone(cabin.zone).strftime("%d %b %Y")
