"""What people are told of: the news in an advisory's record, and silence; one per event, never per reading.

Each has a key that follows from the record alone, and its words for each kind of reader (`models.advisory.notice`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from models.advisory import (
    PERSON_STEPS,
    Advisory,
    Cause,
    Event,
    Exposed,
    Lifted,
    PlayedAnew,
    Proof,
    Raised,
    Remeasured,
    SampleFailed,
    Step,
    StepRecorded,
    advance,
)
from models.advisory.events import StepPolicy
from models.advisory.next_stay import WeakInStay
from models.advisory.notice import (
    MessageText,
    day_of,
    local,
    messages,
    place_of,
    what_happened,
    whom_to_call,
    worsened,
)
from models.advisory.work_cautions import Work, brief
from models.battery import Outlook, battery_words
from models.fleet import Cabin, Contact, Role, Unit
from models.wording import Wording, joined, worded


class NoticeKind(StrEnum):
    """What somebody is told of."""

    RAISED = "raised"
    EXPOSED = "exposed"  # more under-dosed water after steps had begun, or worse water than known
    SAMPLE_FAILED = "sample-failed"
    NEEDS_PEOPLE = "needs-people"  # the sensors have proven what they can
    READY = "ready"  # every step is done: a named person may lift it
    LIFTED = "lifted"
    SILENT = "silent"
    HEARD = "heard"  # again
    POWER_OFF = "power-off"  # or the lamp is dark: before anybody draws water
    POWER_BACK = "power-back"
    BATTERY_LOW = "battery-low"  # it will likely not last the night
    LAMP_WEAK = "lamp-weak"  # it will likely be too weak before the next guests have left
    NOT_REACHED = "not-reached"  # no guest took what they had to hear: somebody has to call


# A boil advisory begins or gets worse: quiet hours never hold it back, and somebody has to confirm it.
BOIL = (NoticeKind.RAISED, NoticeKind.EXPOSED, NoticeKind.SAMPLE_FAILED)
# Told at any hour; the others may wait for the morning.
URGENT = (*BOIL, NoticeKind.POWER_OFF, NoticeKind.NOT_REACHED, NoticeKind.BATTERY_LOW)
# Somebody may use the water again for these: never said any more once one of the others came after it.
ALL_CLEAR = (NoticeKind.POWER_BACK, NoticeKind.LIFTED)
OVERTAKES = (NoticeKind.POWER_OFF, NoticeKind.RAISED)
ENDS = (NoticeKind.LIFTED, NoticeKind.HEARD, NoticeKind.POWER_BACK)  # of what somebody was told of before
ASKED = (Role.OWNER, Role.MANAGER)  # who is asked to confirm, in order; guests and service firm are told once
TO_ALL = (NoticeKind.POWER_OFF, NoticeKind.NOT_REACHED)  # there is no time to wait for who confirms
FLAPS_WITHIN = timedelta(hours=6)  # two outages in it: a supply that flaps; common practice, no source
# What is said of an open advisory, to whom it is theirs to end: with an estimate of when that can be.
WITH_ESTIMATE = (*BOIL, NoticeKind.NEEDS_PEOPLE)
# What was stored while nobody listened comes in pieces: none of them is the present while the next one may follow.
# Common practice, no source.
BACKLOG_RESTS = timedelta(seconds=30)
AUTHORITY_FIRST = worded("What your local health authority says goes before this.")
TELL_THEM = "Tell them: do not drink the tap water, and do not use the tap until you say so."
LAMP_CAUSES = (Cause.LAMP_FAILURE, Cause.LOW_DOSE)  # what the service firm is told of
LAMP_WORKS = frozenset({Work.SWAP_LAMP, Work.CLEAN_SLEEVE, Work.BALLAST})  # and what that may ask of it


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """How insistent messages are. Common practice, no source. [min]"""

    repeat_min: float = 30.0  # after a delivery that nobody confirmed
    escalate_min: float = 15.0  # to the next contact in order
    silent_min: float = 30.0  # short losses of the link are no news
    exposed_gap_min: float = 30.0  # a lamp that stays dark exposes water at every draw

    def __post_init__(self) -> None:
        for name in ("repeat_min", "escalate_min", "silent_min", "exposed_gap_min"):
            if not 0 < getattr(self, name) <= 24 * 60:
                raise ValueError(f"{name} must be above 0 and at most 1440 min; got {getattr(self, name)!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeDue:
    """One thing that people are told of, with the words for each kind of reader."""

    kind: NoticeKind
    cabin: Cabin
    unit: str
    at: datetime
    mark: str  # tells it from others of its kind
    advisory: str = ""
    not_before: datetime | None = None
    messages: tuple[MessageText, ...] = ()

    @property
    def key(self) -> str:
        """The same for the same event, however often it is worked out."""
        return f"{self.advisory or f'{self.cabin.slug}/{self.unit}'}:{self.kind}:{self.mark}"

    def message(self, role: Role) -> MessageText | None:
        """The words for that reader; a service firm that heard of a beginning hears of its end."""
        found = next((one for one in self.messages if one.role is role), None)
        if found is None and role is Role.SERVICE and self.kind is NoticeKind.LIFTED:
            return self.message(Role.MANAGER)
        return found


def notices_due(
    number: str, cabin: Cabin, unit: str, record: Sequence[tuple[int, Event]], *, after: int = 0,
    policy: Policy | None = None, estimate: Callable[[Advisory], str] | None = None,
    contacts: Iterable[Contact] = (),
) -> tuple[NoticeDue, ...]:
    """What people are to be told of one advisory's record.

    Parameters
    ----------
    number : str
        Of the advisory.
    cabin, unit
        Where.
    record : sequence of (int, Event)
        The whole record, in order of sequence.
    after : int
        Only of events with a later sequence number.
    estimate : callable, optional
        When an open advisory can be over, in a sentence or two for whom it is theirs to end; or empty.
    contacts : iterable of Contact
        The fleet's, of whom guests are told whom to call.

    Returns
    -------
    tuple of Happening
        In order. Of an advisory that is lifted, the lifting alone: what came before is over.

    Notes
    -----
    Words about a standing advisory use what is known now, not at the event: late data may have raised the litres.
    A second exposure within `exposed_gap_min` of the last word is told when that time is over, and those after it
    in the same time with it.
    """
    states = _states([event for _, event in record])
    if not states:
        return ()
    now = states[-1]
    out: list[NoticeDue] = []
    told: set[tuple[NoticeKind, str]] = set()
    for one in _news(record, states, policy or Policy()):
        if (one.kind, one.mark) in told:
            continue
        told.add((one.kind, one.mark))
        if one.seq > after and (now.lifted is None or one.kind is NoticeKind.LIFTED):
            state = now if one.kind in BOIL else one.state
            over = estimate(state) if estimate and one.kind in WITH_ESTIMATE and state.lifted is None else ""
            words = _words(
                one.kind, one.before, one.event, state, cabin, unit, number, over=over, contacts=contacts)
            out.append(NoticeDue(
                kind=one.kind, cabin=cabin, unit=unit, at=one.event.at, mark=one.mark, advisory=number,
                not_before=one.not_before, messages=words))
    return tuple(out)


@dataclass(frozen=True, slots=True, kw_only=True)
class _News:
    """What one event of a record is news of, between the advisory before it and after it."""

    seq: int
    event: Event
    before: Advisory | None
    state: Advisory
    kind: NoticeKind
    mark: str
    not_before: datetime | None


def _news(record: Sequence[tuple[int, Event]], states: Sequence[Advisory], policy: Policy) -> Iterator[_News]:
    """The news in a record, in order; a mark that comes twice is news once."""
    rounds, last_word = 0, None
    for (seq, event), before, state in zip(record, [None, *states[:-1]], states, strict=True):
        kind, mark, not_before = _kind_of(before, event, state), str(seq), None
        if kind in (NoticeKind.EXPOSED, NoticeKind.SAMPLE_FAILED):
            rounds += 1
        if kind is NoticeKind.EXPOSED and last_word is not None and not worsened(before, state):
            if event.at < last_word:
                continue  # a word about this time is in line already
            not_before = max(event.at, last_word + timedelta(minutes=policy.exposed_gap_min))
        if kind in (NoticeKind.NEEDS_PEOPLE, NoticeKind.READY):  # proofs may untick and tick again: once a round
            mark = f"round-{rounds}"
        if kind in BOIL:
            last_word = max(not_before or event.at, last_word or event.at)
        if kind is not None:
            yield _News(
                seq=seq, event=event, before=before, state=state, kind=kind, mark=mark, not_before=not_before)


def _states(events: Iterable[Event]) -> list[Advisory]:
    """The advisory after each event."""
    out: list[Advisory] = []
    for event in events:
        out.append(advance(out[-1] if out else None, event))
    return out


def _kind_of(before: Advisory | None, event: Event, after: Advisory) -> NoticeKind | None:
    """What an event is news of; None: of nothing."""
    match event:
        case Raised():
            return NoticeKind.RAISED
        case Exposed():
            return NoticeKind.EXPOSED
        case Remeasured() | PlayedAnew() if before is not None and worsened(before, after):
            return NoticeKind.EXPOSED  # a worsening is never held back
        case SampleFailed():
            return NoticeKind.SAMPLE_FAILED
        case Lifted():
            return NoticeKind.LIFTED
        case Proof() | StepRecorded() if before is not None:
            if _all_done(after) and not _all_done(before):
                return NoticeKind.READY
            if isinstance(event, Proof) and _sensors_done(after) and not _sensors_done(before):
                return NoticeKind.NEEDS_PEOPLE
    return None


def _all_done(advisory: Advisory) -> bool:
    """Is only the lifting itself left?"""
    return set(advisory.open_steps) <= {Step.NOTICE_REMOVED}


def _sensors_done(advisory: Advisory) -> bool:
    """Have the sensors answered all that they are asked?"""
    answered = {proof.step for proof in advisory.proofs if proof.done is None} & set(PERSON_STEPS)
    asked = (Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK, Step.FLUSH_COLD, Step.FLUSH_HOT)
    return not any(step in asked and step not in answered for step in advisory.open_steps)


def _words(
    kind: NoticeKind, before: Advisory | None, event: Event, state: Advisory, cabin: Cabin, unit: str, number: str,
    *, over: str = "", contacts: Iterable[Contact] = (),
) -> tuple[MessageText, ...]:
    """The words for each reader."""
    place = place_of(cabin, unit)
    if kind is NoticeKind.READY:
        text = joined(
            worded("{place}: every step of boil advisory {number} is done.", place=place, number=number),
            worded("It stands until a named person lifts it; keep boiling until then."))
        return _to(text, worded("Ready to lift: {place}", place=place), ASKED)
    found = messages(before, event, state, cabin, unit=unit, contacts=contacts)
    if over:
        found = tuple(
            replace(one, body=joined(one.body, over)) if one.role in ASKED else one for one in found)
    service_hears = any(one.role is Role.SERVICE for one in found)
    if kind is NoticeKind.RAISED and state.cause in LAMP_CAUSES and not service_hears:
        first = what_happened(state.exposure, cabin)[0]
        lamp = (
            f"{place}: {first} A boil advisory ({number}) stands. Lamp, ballast, sleeve or water need a look. "
            f"{brief(LAMP_WORKS)}")
        found = (*found, *_to(lamp, f"Lamp trouble: {place}", (Role.SERVICE,)))
    if kind not in BOIL:
        return found
    ask = {
        Role.OWNER: joined(
            worded("Confirm that you have read this on the cabin's page."),
            worded("Until somebody confirms, it is said again.")),
        Role.MANAGER: (
            f"Confirm on the page that you have read boil advisory {number}. Until somebody confirms, it is said "
            "again.")}
    return tuple(
        MessageText(role=one.role, subject=one.subject, body=joined(one.body, ask[one.role]), urgent=True)
        if one.role in ASKED else one
        for one in found)


def hearing(
    cabin: Cabin, unit: Unit, *, last_heard: datetime, listening_since: datetime, open_silence: str | None,
    now: datetime, policy: Policy | None = None,
) -> NoticeDue | None:
    """Whether a unit fell silent, or is heard again.

    Parameters
    ----------
    last_heard : datetime
        Its latest reading.
    listening_since : datetime
        Since when the collector runs: while it did not, silence was its own.
    open_silence : str or None
        The mark of a silence that was told and has not ended.
    now : datetime
        Aware.
    """
    policy = policy or Policy()
    place, age = place_of(cabin, unit.slug), now - last_heard
    if open_silence is not None:
        if abs(age) > timedelta(seconds=unit.overdue_s):
            return None
        text = joined(
            worded("{place}: heard again since {when}.", place=place, when=local(last_heard, cabin)),
            worded("Nobody may have seen what the lamp did in between: until that is explained, boil the water or "
                   "use bottled water."),
            worded("See the page."))
        return NoticeDue(
            kind=NoticeKind.HEARD, cabin=cabin, unit=unit.slug, at=now, mark=open_silence,
            messages=_to(text, worded("Heard again: {place}", place=place), ASKED))
    if now - max(last_heard, listening_since) < timedelta(minutes=policy.silent_min):
        return None
    text = joined(
        worded("{place}: nothing heard since {when}, so nobody can say whether the water is disinfected.",
               place=place, when=local(last_heard, cabin)),
        worded(
            "Boil it or use bottled water until that is known, and ask somebody there whether there is power and "
            "the lamp is lit."),
        brief({Work.SEE_IF_LIT}), AUTHORITY_FIRST)
    return NoticeDue(
        kind=NoticeKind.SILENT, cabin=cabin, unit=unit.slug, at=now,
        mark=f"{last_heard.astimezone(UTC):%Y%m%dT%H%M%SZ}",
        messages=_to(text, worded("Silent: {place}", place=place), ASKED))


def power_off(
    cabin: Cabin, unit: Unit, *, since: datetime, power_on: bool | None, guests_told: bool,
    contacts: Iterable[Contact] = (),
) -> NoticeDue:
    """That the light is off where somebody may be there: told before water is drawn, once per outage.

    Parameters
    ----------
    since : datetime
        When the power went, or the lamp.
    power_on : bool or None
        False: the power is off. Else the lamp is dark, and None: nobody knows of the power.
    guests_told : bool
        Whether this goes to anybody in the cabin; else the manager is asked to call.
    contacts : iterable of Contact
        The fleet's, of whom guests are told whom to call.
    """
    place, when = place_of(cabin, unit.slug), local(since, cabin)
    what = _what_is_dark(place, when, power_on)
    stop = worded("Do not drink the tap water, and do not use the tap until you are told.")
    flows = _still_flows(unit, power_on=power_on)
    drawn = joined(worded("Drink bottled water."), worded("Boil what was drawn since then."), AUTHORITY_FIRST)
    call = "" if guests_told else "Nobody there was reached: call them."
    subject = worded("Do not use the tap: {place}", place=place)
    return NoticeDue(
        kind=NoticeKind.POWER_OFF, cabin=cabin, unit=unit.slug, at=since,
        mark=f"{since.astimezone(UTC):%Y%m%dT%H%M%SZ}",
        messages=(
            _do_not_use(place, subject, whom_to_call(contacts, cabin)),
            MessageText(role=Role.OWNER, subject=subject, urgent=True, body=joined(what, stop, flows, drawn)),
            MessageText(role=Role.MANAGER, subject=subject, urgent=True, body=joined(
                what, call, TELL_THEM, flows, drawn))))


def still_off(
    cabin: Cabin, unit: str, *, at: datetime, mark: str, contacts: Iterable[Contact] = ()
) -> NoticeDue:
    """The same, for guests alone who came while the light was off: of the notice that began at `at` with `mark`."""
    place = place_of(cabin, unit)
    subject = worded("Do not use the tap: {place}", place=place)
    return NoticeDue(
        kind=NoticeKind.POWER_OFF, cabin=cabin, unit=unit, at=at, mark=mark,
        messages=(_do_not_use(place, subject, whom_to_call(contacts, cabin)),))


def not_reached(
    cabin: Cabin, unit: str, *, of: NoticeKind, event: str, advisory: str, now: datetime, others: bool = False
) -> NoticeDue:
    """That guests did not take what they had to hear, so that somebody calls them.

    Parameters
    ----------
    of, event : NoticeKind, str
        What they were to hear, and the key of it.
    advisory : str
        Its number; empty where the light is off.
    others : bool
        Whether it was delivered to some, as on a day on which guests leave and others come.
    """
    place = place_of(cabin, unit)
    tell = (
        TELL_THEM if of is NoticeKind.POWER_OFF else
        "Tell them to boil the tap water, or to use bottled water.")
    what = (
        f"{place}: not everybody there was reached: call them. To some of those in the cabin no message was "
        "delivered yet." if others else
        f"{place}: nobody there was reached: call them. No message to those in the cabin was delivered yet.")
    text = joined(what, tell, AUTHORITY_FIRST)
    return NoticeDue(
        kind=NoticeKind.NOT_REACHED, cabin=cabin, unit=unit, at=now, mark=event, advisory=advisory,
        messages=(MessageText(
            role=Role.MANAGER, body=text, urgent=True,
            subject=f"{'Not everybody' if others else 'Nobody'} there was reached: {place}"),))


def _do_not_use(place: str, subject: Wording, call: Wording) -> MessageText:
    """What guests are told while the light is off: no figures, what to do, and whom to call."""
    return MessageText(role=Role.GUEST, subject=subject, urgent=True, body=joined(
        worded("{place}: the water is not disinfected now.", place=place),
        worded("Do not drink the tap water, and do not use the tap until you are told."),
        worded("Drink bottled water."), worded("Boil what you have drawn already."), call, AUTHORITY_FIRST))


def _what_is_dark(place: str, when: Wording, power_on: bool | None) -> Wording:
    if power_on is False:
        return worded("{place}: the power is off since {when}, and the lamp with it.", place=place, when=when)
    if power_on:
        return worded("{place}: the lamp is dark since {when}, though the power is on.", place=place, when=when)
    return joined(
        worded("{place}: the lamp is dark since {when}.", place=place, when=when),
        worded("Nobody knows whether there is power."))


def _still_flows(unit: Unit, *, power_on: bool | None) -> Wording:
    """What the tap still gives while the light is off."""
    if unit.gravity_fed:
        return worded("Water still runs, for no pump feeds it, and none of it is disinfected.")
    if power_on is not False:
        return worded("Water still runs, and none of it is disinfected.")
    if unit.drawdown_l > 0:
        return worded("The tank still gives up to {most:d} L, and none of it is disinfected.",
                      most=math.ceil(unit.drawdown_l))
    return worded("What still comes from the tap is not disinfected.")


def battery_low(cabin: Cabin, unit: Unit, outlook: Outlook, *, now: datetime) -> NoticeDue:
    """That a battery will likely not last, told while there is time to do something about it."""
    place = place_of(cabin, unit.slug)
    text = joined(
        worded("{place}: {what}", place=place, what=battery_words(outlook, lambda at: local(at, cabin))),
        worded("Then the lamp goes dark, and the tap must not be used until it is lit again."),
        worded(
            "Before that: draw drinking water for the night, turn off what is not needed, or charge the battery."),
        AUTHORITY_FIRST)
    return NoticeDue(
        kind=NoticeKind.BATTERY_LOW, cabin=cabin, unit=unit.slug, at=now,
        mark=f"{outlook.likely.astimezone(UTC):%Y%m%dT%H%MZ}",
        messages=tuple(
            MessageText(role=role, subject=worded("Battery low: {place}", place=place), body=text, urgent=True)
            for role in ASKED))


def lamp_weak(
    cabin: Cabin, unit: Unit, weak: WeakInStay, *, action: str, since: str, now: datetime
) -> NoticeDue:
    """That a lamp will likely be too weak before the next guests have left, told while it can be changed.

    Parameters
    ----------
    action : str
        What the forecast advises (`models.lamp.diagnosis.Action`).
    since : str
        When lamp or sleeve were last seen to: until that is done again, it is told once.
    """
    place = place_of(cabin, unit.slug)
    today = now.astimezone(cabin.zone).date()
    days = {name: day_of(getattr(weak, name)) for name in ("arrives", "leaves", "likely", "early")}
    what = (
        worded("{place}: the lamp is likely too weak already, and there is a stay from {arrives} to {leaves}.",
               place=place, arrives=days["arrives"], leaves=days["leaves"]) if weak.likely <= today else
        worded(
            "{place}: the lamp will likely be too weak before the stay of {arrives} to {leaves} is over: about "
            "{likely}, perhaps from {early} on.", place=place, **days))
    text = joined(
        what, _before_they_come(action) if weak.arrives > today else _at_once(action),
        worded("An estimate, no promise."), brief(LAMP_WORKS), AUTHORITY_FIRST)
    return NoticeDue(
        kind=NoticeKind.LAMP_WEAK, cabin=cabin, unit=unit.slug, at=now, mark=since or "first",
        messages=_to(text, worded("Lamp too weak soon: {place}", place=place), ASKED))


def _before_they_come(action: str) -> Wording:
    if action == "swap lamp":
        return worded("Have the lamp changed before the guests come.")
    if action == "clean sleeve":
        return worded("Have the sleeve cleaned before the guests come.")
    return worded("Have the unit looked at before the guests come.")


def _at_once(action: str) -> Wording:
    """The same where guests are there, or come today."""
    if action == "swap lamp":
        return worded("Have the lamp changed as soon as can be.")
    if action == "clean sleeve":
        return worded("Have the sleeve cleaned as soon as can be.")
    return worded("Have the unit looked at as soon as can be.")


def told_on_again(*, times_off: int, lit_for: timedelta, policy: StepPolicy | None = None) -> bool:
    """Whether it is time to say that a light which is lit and warm is on again.

    Parameters
    ----------
    times_off : int
        How often it was told within `FLAPS_WITHIN` that it was off.
    lit_for : timedelta
        How long it has been lit without a break.
    policy : StepPolicy or None
        Where the light went off repeatedly, it has to be as steady as after an exposure. Until then people keep off
        the tap, and the next outage is nothing new to them.
    """
    steady = timedelta(minutes=(policy or StepPolicy()).power_stable_min)
    return times_off < 2 or lit_for >= steady


def power_back(
    cabin: Cabin, unit: Unit, *, since: datetime | None, advisory: str | None, mark: str, now: datetime
) -> NoticeDue:
    """That the light is on again, and whether the tap may be used.

    Parameters
    ----------
    since : datetime or None
        Since when the lamp is lit; None: nobody knows.
    advisory : str or None
        The boil advisory that stands; None: none does, and what passes is dosed.
    mark : str
        Of the notice that the light was off.
    """
    place = place_of(cabin, unit.slug)
    lit = (
        worded("{place}: the lamp is lit and warm again, on since {when}.", place=place, when=local(since, cabin))
        if since else worded("{place}: the lamp is lit and warm again.", place=place))
    stands = (
        worded("The tap may be used again, and no boil advisory stands.") if advisory is None else
        worded(
            "Boil advisory {number} stands: boil the water, or use bottled water, until a named person lifts it.",
            number=advisory))
    return NoticeDue(
        kind=NoticeKind.POWER_BACK, cabin=cabin, unit=unit.slug, at=now, mark=mark,
        messages=_to(joined(lit, stands, AUTHORITY_FIRST), worded("Light on again: {place}", place=place),
                     (Role.GUEST, *ASKED)))


def _to(body: str, subject: str, roles: Iterable[Role]) -> tuple[MessageText, ...]:
    """The same words for some."""
    return tuple(MessageText(role=role, subject=subject, body=body, urgent=False) for role in roles)
