"""The words of the notice at the tap, and of the messages to owner, guest and manager.

Plain sentences for people who may be worried; one message per event, never per reading. No layout here. Times are
shown in the cabin's time zone with its name.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from datetime import date, datetime, timedelta
from typing import Any

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
from models.shortfall import Severity
from models.wording import Translation, Wording, all_of, any_of, joined, moment, rendered, worded

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
UNCHECKED = worded("Nobody has checked this translation: the English text is what counts.")
AUTHORITY = worded("What your local health authority says goes before this notice.")

_CAUSE = {
    Cause.POWER_CUT: worded("while the power was off and the lamp that disinfects it was dark"),
    Cause.LAMP_FAILURE: worded("while the lamp that disinfects it was dark although there was power"),
    Cause.WARM_UP_DRAW: worded("while the lamp that disinfects it was still warming up"),
    Cause.LOW_DOSE: worded("while the light that disinfects it was too weak for so much water"),
    Cause.UNHEARD: worded(
        "while nothing was heard from the lamp that disinfects it, so nobody can say that it was lit"),
    Cause.MANUAL: worded("the person who answers for this water decided so"),
    Cause.LABORATORY: worded("and a sample of it was not satisfactory"),
}

_SEVERITY = {
    Severity.MARGINAL: worded("marginal"), Severity.UNDER_TREATED: worded("under-treated"),
    Severity.UNTREATED: worded("untreated")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Headings:
    """What stands between the parts of the notice."""

    happened: str = worded("What happened")
    ends: str = worded("Who ends this, and whom to call")
    care: str = worded("Take care")
    otherwise: str = worded("If you cannot boil:")
    page: str = worded("This cabin's page: scan, or open")
    plain: str = worded("On a bad line, open")


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
    ask : str
        How one learns how it stands, where no code leads to the page.
    headings : Headings
    unchecked : str
        That nobody has checked this translation; empty: somebody has, or it is none.
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
    ask: str = ""
    headings: Headings = Headings()
    unchecked: str = ""


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
        title=worded("Boil water before drinking"),
        place=place_of(cabin, unit),
        raised=worded("In force since {when}", when=local(advisory.raised_at, cabin)),
        printed=worded("Printed {when}", when=local(printed_at, cabin)),
        what_happened=what_happened(advisory.exposure, cabin, as_of=advisory.updated_at),
        what_to_do=(boil.words, *USES, worded("Leave this notice at the tap until it is lifted.")),
        boil_minutes=boil.minutes,
        boil_words=boil.words,
        boil_authority=worded(
            "Boiling time: {authorities}, for {altitude}.",
            authorities=all_of(boil.authorities), altitude=_altitude(boil.altitude_m)),
        alternatives=ALTERNATIVES,
        cautions=(*CAUTIONS, AUTHORITY),
        who_lifts=_who_lifts(here),
        call=_call(here),
        ask=worded("How it stands now: ask whoever lifts it for the page of {place}.", place=place_of(cabin, unit)),
    )


def notices_in(notice: Notice, spoken: Translation | None) -> tuple[Notice, ...]:
    """The pages to hang: in the language that is spoken there; the English first, while nobody has checked it."""
    if spoken is None:
        return (notice,)
    own = _in_language(notice, spoken)
    return (own,) if spoken.reviewed_by else (notice, replace(own, unchecked=rendered(UNCHECKED, spoken.say)))


def _in_language(value: Any, spoken: Translation) -> Any:
    """The same with every text of it in another language."""
    if isinstance(value, str):
        return rendered(value, spoken.say)
    if isinstance(value, tuple):
        return tuple(_in_language(one, spoken) for one in value)
    if isinstance(value, (Notice, Headings)):
        return replace(value, **{
            field.name: _in_language(getattr(value, field.name), spoken) for field in fields(value)})
    return value


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
            worded("Since {when} this water is not to be drunk unboiled: {cause}.",
                   when=local(exposure.start, cabin), cause=_CAUSE[Cause.MANUAL]),
            worded("How much water is concerned is not stated."),
            worded("Until it is tested it may carry germs that make people ill."),
        )
    if exposure.cause is Cause.LABORATORY:
        return (
            worded("A sample of this water was not satisfactory: taken {when}{found}.",
                   when=local(exposure.start, cabin), found=_found(exposure)),
            worded("How much water is concerned is not known."),
            worded("It may carry germs that make people ill."),
        )
    # Over days it was hardly one stretch, and the cause is the worst of several, not that of each.
    several = exposure.end is not None and exposure.end - exposure.start > ONE_STRETCH
    left = worded(
        "The light leaves nothing in the water that would go on working, so water that stands in the pipes and in "
        "the hot tank may carry germs that make people ill.")
    if exposure.finding:
        left = joined(left, worded("A sample of it was not satisfactory{found}.", found=_found(exposure)))
    amount = litres(exposure, as_of)
    return (
        _when_drawn(exposure, cabin, several=several),
        worded("{amount} reached the pipes without full disinfection.", amount=amount) if exposure.underdosed_l else
        worded("{amount} may have reached the pipes without full disinfection.", amount=amount),
        left,
    )


def _when_drawn(exposure: Exposure, cabin: Cabin, *, several: bool) -> Wording:
    """When and why water was drawn, in a sentence."""
    drawn = worded("water was drawn") if exposure.underdosed_l else worded("water may have been drawn")
    cause, start = _CAUSE[exposure.cause], local(exposure.start, cabin)
    if exposure.end is None:
        return worded("Since {start} {drawn} {cause}.", start=start, drawn=drawn, cause=cause)
    end = local(exposure.end, cabin)
    if several:
        return worded("At times between {start} and {end} {drawn} without full disinfection, at worst {cause}.",
                      start=start, end=end, drawn=drawn, cause=cause)
    if _day(exposure.start, cabin) == _day(exposure.end, cabin):
        first, last = (local(at, cabin, day=False) for at in (exposure.start, exposure.end))
        return worded("Between {first} and {last} on {day} {drawn} {cause}.", first=first, last=last,
                      day=_day(exposure.start, cabin), drawn=drawn, cause=cause)
    return worded("Between {start} and {end} {drawn} {cause}.", start=start, end=end, drawn=drawn, cause=cause)


def _found(exposure: Exposure) -> str:
    """What the laboratory found, to be added to a sentence."""
    return f", {exposure.finding}" if exposure.finding else ""


def messages(
    before: Advisory | None, event: Event, after: Advisory, cabin: Cabin, *, unit: str,
    rules: Iterable[BoilRule] = RULES, contacts: Iterable[Contact] = (),
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
    contacts : iterable of Contact
        The fleet's; guests are told which manager to call.

    Notes
    -----
    Guests hear of what changes what they may drink: raised, lifted. Owners also of exposure and failed samples,
    managers of every step. Proofs are told once, when the sensors have nothing left to prove.
    """
    place = place_of(cabin, unit)
    match event:
        case Raised():
            return _raised(
                after, cabin, place, minutes=boil_advice(cabin.altitude_m, rules).minutes,
                call=whom_to_call(contacts, cabin))
        case Exposed():
            text = joined(
                worded("{place}: more water passed without full disinfection.", place=place),
                worded("In all: {amount}.", amount=_in_all(after)),
                worded("Keep boiling; every step starts again."), _next(after))
            subject = worded("Boil notice goes on: {place}", place=place)
            return _to(text, subject, Role.OWNER, Role.MANAGER, urgent=True)
        case SampleFailed():
            text = joined(
                worded("{place}: a water sample was not satisfactory ({by}).", place=place, by=event.by),
                worded("Keep boiling; flushing, disinfection and samples start again."),
                worded("Tell the local health authority."), _next(after, after.open_steps))
            subject = worded("Water sample failed: {place}", place=place)
            return _to(text, subject, Role.OWNER, Role.MANAGER, urgent=True)
        case Lifted():
            return _lifted(event, after, cabin, place, whom_to_call(contacts, cabin))
        case StepRecorded():
            done = f"{place}: {STEP_WORDS[event.step]} ({event.by}, {local(event.when, cabin)}). {_next(after)}"
            return _to(done, f"Step recorded: {place}", Role.MANAGER, urgent=False)
        case RecordWithdrawn():
            taken = f"{place}: {event.by} withdrew a record ({event.what}): {event.reason}. {_next(after)}"
            return _to(taken, f"Record withdrawn: {place}", Role.MANAGER, urgent=False)
        case Proof():
            if before is None or not _sensing(before) or _sensing(after):
                return ()
            text = joined(
                worded("{place}: the sensors have proven all that they can.", place=place), _next(after))
            subject = worded("Now it needs people: {place}", place=place)
            return _to(text, subject, Role.OWNER, Role.MANAGER, urgent=False)
        case Remeasured() | PlayedAnew() if worsened(before, after):
            text = joined(
                worded("{place}: the water was worse than known: {severity} now.", place=place,
                       severity=_SEVERITY[after.severity]),
                worded("In all: {amount}.", amount=_in_all(after)),
                worded("Keep boiling; more may have to be done."), _next(after))
            subject = worded("Worse than known: {place}", place=place)
            return _to(text, subject, Role.OWNER, Role.MANAGER, urgent=True)
        case Remeasured() | PlayedAnew():
            if before is not None and _in_all(before) == _in_all(after):
                return ()
            corrected = f"{place}: late readings changed what is known. {_in_all(after)} passed. {_next(after)}"
            return _to(corrected, f"Exposure corrected: {place}", Role.MANAGER, urgent=False)


def worsened(before: Advisory | None, after: Advisory) -> bool:
    """Has water passed that was treated less than all that was known of in this advisory?"""
    return before is None or SEVERITY_RANK[after.severity] > SEVERITY_RANK[before.severity]


def litres(exposure: Exposure, as_of: datetime | None = None) -> Wording:
    """How much under-dosed water, in words; an upper bound is rounded up, an unknown said to be one.

    `as_of` is the instant of the litres of an exposure that goes on; over weeks, a bound that no meter set is told
    by the day (`a_day_l`).
    """
    amount, a_day = _amount(exposure, as_of)
    return worded("{amount},", amount=amount) if a_day else amount


def _amount(exposure: Exposure, as_of: datetime | None) -> tuple[Wording, bool]:
    """The same as it ends a sentence, and whether it is told by the day."""
    low, high = exposure.underdosed_l, exposure.underdosed_l_upper
    if high is None:
        return worded("At least {least:.0f} L of water", least=low) if low else worded(
            "An unknown amount of water"), False
    until = exposure.end or as_of
    daily = None if until is None else a_day_l(low, high, until - exposure.start)
    if daily is not None:
        most_day = math.ceil(daily - 1e-9)
        if low is not None and low >= 1:
            return worded("At least {least:,d} L, and up to {most:,d} L of water a day, on average",
                          least=math.floor(low), most=most_day), True
        return worded("Up to {most:,d} L of water a day, on average", most=most_day), True
    most = math.ceil(high - 1e-9)
    if low is None or round(low) == 0 < most:
        return worded("Up to {most:d} L of water", most=most), False
    if high - low < 1:
        return worded("About {most:d} L of water", most=most), False
    return worded("Between {least:d} and {most:d} L of water", least=math.floor(low), most=most), False


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


def local(at: datetime, cabin: Cabin, *, day: bool = True) -> Wording:
    """An instant in the cabin's time zone, with the zone's name: clocks that change make an hour come twice."""
    there = at.astimezone(cabin.zone)
    return moment(there, "%d %b %Y %H:%M %Z") if day else moment(there, "%H:%M %Z")


def _in_all(advisory: Advisory) -> Wording:
    """All the water of an advisory, in words, as it ends a sentence."""
    return _amount(advisory.exposure, advisory.updated_at)[0]


def _raised(
    advisory: Advisory, cabin: Cabin, place: str, *, minutes: float, call: Wording
) -> tuple[MessageText, ...]:
    """The first word of it, to everybody."""
    first, amount, _ = what_happened(advisory.exposure, cabin, as_of=advisory.updated_at)
    boil = (
        worded("until it boils") if minutes == 0 else worded("for 1 minute at a rolling boil") if minutes == 1 else
        worded("for {minutes:g} minutes at a rolling boil", minutes=minutes))
    subject, happened = worded("Boil water: {place}", place=place), worded(
        "{place}: {happened}", place=place, happened=first)
    return (
        MessageText(
            role=Role.GUEST, subject=subject, urgent=True,
            body=joined(
                worded("{place}: do not drink the tap water unboiled.", place=place),
                worded("Boil it {boil}, or use bottled water, also for ice, teeth, baby food and pets.", boil=boil),
                worded("You will be told when this is over; your local health authority can advise."), call)),
        MessageText(
            role=Role.OWNER, subject=subject, urgent=True,
            body=joined(
                happened, amount, worded("Boil drinking water {boil}, and hang the notice at the tap.", boil=boil),
                _next(advisory), worded("Questions of health: your local health authority."))),
        MessageText(
            role=Role.MANAGER, subject=subject, urgent=True,
            body=joined(happened, amount, "Tell guests and hang the notice.", _next(advisory))),
    )


def _lifted(
    event: Lifted, advisory: Advisory, cabin: Cabin, place: str, call: Wording
) -> tuple[MessageText, ...]:
    """Its end, by whom, and what is left to do at the taps."""
    left = worded(
        "Undone: {steps}. Reason given: {reason}.", reason=event.reason.strip(),
        steps=joined(*(STEP_WORDS[step] for step in advisory.undone_at_lift), between=", "),
    ) if advisory.undone_at_lift else ""
    subject = worded("Boil notice lifted: {place}", place=place)
    body = worded("{place}: {by} lifted the boil notice, {when}.", place=place, by=event.by,
                  when=local(event.at, cabin))
    return (
        MessageText(
            role=Role.GUEST, subject=subject, urgent=False, body=joined(
                body, worded("Run each cold tap for 5 minutes first; throw away ice made before."), call)),
        *(
            MessageText(
                role=role, subject=subject, urgent=False,
                body=joined(
                    body, left, worded("Take the notice down."),
                    worded(
                        "Then run cold taps 5 minutes and hot taps 15 or more, and replace filter cartridges; the "
                        "cabin's page has the whole list."),
                    brief({Work.FLUSH_HOT, Work.OPEN_HOUSING})))
            for role in (Role.OWNER, Role.MANAGER)
        ),
    )


def _to(body: str, subject: str, *roles: Role, urgent: bool) -> tuple[MessageText, ...]:
    """The same message to some."""
    return tuple(MessageText(role=role, subject=subject, body=body, urgent=urgent) for role in roles)


def _next(advisory: Advisory, said: Iterable[Step] = ()) -> Wording:
    """What it waits for, with the cautions of that and of other steps that were `said`."""
    todo = [step for step in advisory.open_steps if step is not Step.NOTICE_REMOVED]
    if not todo:
        return worded("Every step is done: a named person may lift it.")
    first = STEP_WORDS[todo[0]]
    return joined(
        worded("Next: {step}, then {more:d} more.", step=first, more=len(todo) - 1) if len(todo) > 1 else
        worded("Next: {step}.", step=first), brief(works_of_steps({*todo[:1], *said})))


def _sensing(advisory: Advisory) -> bool:
    """Is a step open that the sensors are to prove?"""
    answered = {proof.step for proof in advisory.proofs if proof.done is None} & set(PERSON_STEPS)
    sensors = (Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK, Step.FLUSH_COLD, Step.FLUSH_HOT)
    return any(step in sensors and step not in answered for step in advisory.open_steps)


def _who_lifts(here: list[Contact]) -> Wording:
    """Who ends it."""
    managers = [one for one in sorted(here, key=lambda one: one.order) if one.role is Role.MANAGER]
    who = any_of([_reach(one) for one in managers]) if managers else worded("the person who answers for this water")
    return worded(
        "Only a person can lift this notice, never the program: {who}. Until then it stands.", who=who)


def _call(here: list[Contact]) -> tuple[str, ...]:
    """Whom to ask: the health authority first."""
    authorities = [one for one in sorted(here, key=lambda one: one.order) if one.role is Role.HEALTH_AUTHORITY]
    lines = [worded("Local health authority: {who}", who=_reach(one)) for one in authorities]
    return tuple(lines) or (worded("Local health authority: its number is not recorded here; ask for it."),)


def whom_to_call(contacts: Iterable[Contact], cabin: Cabin) -> Wording:
    """Whom guests call: the first manager with a telephone, else whoever gave them the cabin."""
    managers = sorted(
        (one for one in contacts if one.role is Role.MANAGER and one.phone.strip()
         and (not one.cabins or cabin.slug in one.cabins)), key=lambda one: (one.order, one.name))
    if not managers:
        return worded("Questions: call whoever gave you this cabin.")
    return worded("Questions: call {who}.", who=_reach(managers[0]))


def _reach(contact: Contact) -> str:
    """Name and telephone."""
    return f"{contact.name}, {contact.phone}" if contact.phone.strip() else contact.name


def place_of(cabin: Cabin, unit: str) -> str:
    """Cabin, and the unit where the cabin has several."""
    if len(cabin.units) <= 1:
        return cabin.name
    return worded("{cabin}, unit {unit}", cabin=cabin.name, unit=unit)


def _altitude(altitude_m: float | None) -> Wording:
    """The altitude in words."""
    return worded("an altitude that is not known") if altitude_m is None else worded(
        "{altitude:,.0f} m above the sea", altitude=altitude_m)


def _day(at: datetime, cabin: Cabin) -> Wording:
    """The cabin's date."""
    return day_of(at.astimezone(cabin.zone))


def day_of(at: date) -> Wording:
    """A day, or that of an instant in its own time zone."""
    return moment(at, "%d %b %Y")
