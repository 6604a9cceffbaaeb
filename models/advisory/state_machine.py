"""The boil advisory of one unit: raised -> clearing -> lifted, as a value and its transitions.

The record is the list of events (`models.advisory.events`); an `Advisory` is what they add up to. The program
raises and keeps the proofs; only a named person lifts. Nothing here reads a clock: every event brings its instant.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TypeVar

from models.advisory.chlorination import CONTACT_MIN_H
from models.advisory.events import (
    CLEANING_STEPS,
    FLUSH_STEPS,
    NO_CRYPTOSPORIDIUM,
    OF_PEOPLE,
    PERSON_STEPS,
    SENSOR_STEPS,
    SEVERITY_RANK,
    STEP_WORDS,
    Cause,
    Event,
    Exposed,
    Exposure,
    How,
    Lifted,
    NotAllowed,
    PlayedAnew,
    Proof,
    Raised,
    RecordWithdrawn,
    Remeasured,
    SampleFailed,
    State,
    Step,
    StepPolicy,
    StepRecorded,
    known_late,
)
from models.advisory.pieces import AGAIN_L, MORE_L, MORE_SHARE, more_beyond
from models.shortfall import Severity

_OfStep = TypeVar("_OfStep", Proof, StepRecorded)  # what is known of one step


@dataclass(frozen=True, slots=True, kw_only=True)
class StepStatus:
    """One step of an advisory: is it done, since when, and by what evidence."""

    code: Step
    done: bool
    evidence: str
    since: datetime | None  # when it was done; None where it is not


@dataclass(frozen=True, slots=True, kw_only=True)
class Advisory:
    """What the events so far add up to.

    Attributes
    ----------
    evidence_since : datetime or None
        Flushing, dose and samples count from here: the last under-dosed litre, or a failed sample taken later.
        None while under-dosed water may still be passing; nothing counts then.
    after_lift : str
        Number of the lifted advisory after whose lift its water became known; or empty.
    metered_alone : bool
        Whether a meter alone proves a flush (records of before a person had to name the time of one).
    sized : bool
        Whether its cleaning is sized to the exposure and done in its order (all but records of before that).
    forgiven_l : float
        What may have passed after the present end, all told, and started nothing again for being so little. [L]
    played_known_at : datetime or None
        When history that was loaded made it known; None: its record was not played.
    touched : bool
        Whether a person ever recorded, withdrew or found anything of it, whatever came of that.
    """

    raised_at: datetime
    updated_at: datetime
    exposure: Exposure
    severity: Severity
    steps: tuple[Step, ...]
    sample_gap_h: float
    evidence_since: datetime | None
    failed_at: datetime | None = None  # when the latest sample that failed was taken
    raised_by: str = ""
    after_lift: str = ""
    metered_alone: bool = False
    sized: bool = False
    forgiven_l: float = 0.0
    played_known_at: datetime | None = None
    touched: bool = False
    proofs: tuple[Proof, ...] = ()  # `at` is since when `done` has been as it is
    records: tuple[StepRecorded, ...] = ()
    withdrawn: tuple[RecordWithdrawn, ...] = ()
    lifted: Lifted | None = None
    undone_at_lift: tuple[Step, ...] = ()

    @property
    def cause(self) -> Cause:
        """Why it stands."""
        return self.exposure.cause

    @property
    def happened_from(self) -> datetime:
        """When what it is about began: the first under-dosed litre, the sample, or the decision."""
        return self.exposure.start

    @property
    def happened_to(self) -> datetime | None:
        """When that ended; None while it goes on."""
        return self.exposure.end

    @property
    def known_late(self) -> bool:
        """Whether it became known only well after it had begun."""
        return known_late(self.exposure, self.known_at)

    @property
    def known_at(self) -> datetime:
        """When it became known: as it was raised, or, where its record was played, when that history came."""
        return self.played_known_at or self.raised_at

    @property
    def untouched(self) -> bool:
        """Whether its record was played, and no person has done anything about it since."""
        return self.played_known_at is not None and not (self.touched or self.lifted or self.failed_at)

    @property
    def ready_reasons(self) -> tuple[str, ...]:
        """What was taken back of what had made the water look worse: reasons that stand ready at the lifting."""
        return tuple(one.as_reason for one in self.withdrawn if one.worse)

    @property
    def proven_from(self) -> datetime | None:
        """From when evidence may tick a step anew: a record's withdrawal brings no proof of before back."""
        return max((one.at for one in self.withdrawn if one.worse), default=None)

    @property
    def state(self) -> State:
        """Raised, clearing or lifted."""
        if self.lifted is not None:
            return State.LIFTED
        return State.CLEARING if any(status.done for status in self.statuses) else State.RAISED

    @property
    def statuses(self) -> tuple[StepStatus, ...]:
        """Every step that applies, in the order of work."""
        found: dict[Step, StepStatus] = {}
        for step in self.steps:
            found[step] = self._status(step, found)
        return tuple(found.values())

    @property
    def open_steps(self) -> tuple[Step, ...]:
        """The steps still to do."""
        return tuple(status.code for status in self.statuses if not status.done)

    def _status(self, step: Step, before: Mapping[Step, StepStatus]) -> StepStatus:
        """The step, given those before it."""
        if step is Step.NOTICE_REMOVED and self.lifted is not None:
            words = f"{self.lifted.by} lifted the advisory and takes the notice down"
            return StepStatus(code=step, done=True, evidence=words, since=self.lifted.at)
        if self.evidence_since is None:
            return _undone(step, "under-dosed water may still be passing; nothing counts before that ends")
        proof, record = _of_step(self.proofs, step), _of_step(self.records, step)
        if proof is not None and self._settles(proof):
            since = max(proof.since or proof.at, self.evidence_since) if proof.done else None
            return StepStatus(code=step, done=bool(proof.done), evidence=proof.evidence, since=since)
        if record is None:
            return _undone(step, proof.evidence if proof else self._lacks(step))
        return self._by_record(record, proof, before)

    def _by_period(self, step: Step) -> bool:
        """Is it a flush that counts only in the time that a person names?"""
        return step in FLUSH_STEPS and not self.metered_alone

    def _settles(self, proof: Proof) -> bool:
        """Does the proof say by itself whether its step is done? Litres alone tick no flush, but may untick one."""
        by_record = proof.done and self._by_period(proof.step) and not proof.alone
        return proof.done is not None and not by_record

    def _lacks(self, step: Step) -> str:
        """What a step waits for of which nothing is known."""
        if self._by_period(step):
            return "record from when to when the taps ran"
        return "nothing measured yet" if step in SENSOR_STEPS else "not recorded yet"

    def _by_record(
        self, record: StepRecorded, proof: Proof | None, before: Mapping[Step, StepStatus]
    ) -> StepStatus:
        """A step as a person recorded it, with what a meter says of the same time."""
        began = "" if record.begun_at is None else f"{in_utc(record.begun_at)} to "
        words = f"{record.by}, {began}{in_utc(record.when)}" + (f": {record.note}" if record.note.strip() else "")
        if record.how_words:
            words += f"; {record.how_words}"
        elif self._by_period(record.step):
            words += f"; {proof.evidence}" if proof is not None and proof.done else "; not confirmed by a meter"
        if why := self._too_early(record.step, record.began, before, record.how):
            return _undone(record.step, f"{words}; does not count: {why}")
        return StepStatus(code=record.step, done=True, evidence=words, since=record.when)

    def _too_early(self, step: Step, when: datetime, before: Mapping[Step, StepStatus], how: str = "") -> str:
        """Why a step done then does not count; empty where it does."""
        if self.evidence_since is None or when < self.evidence_since:
            return "done before the last exposure of the water was over"
        if step in (Step.SAMPLE_1, Step.SAMPLE_2, Step.NOTICE_REMOVED):
            needed = [one for one in before.values() if step is Step.NOTICE_REMOVED or one.code in CLEANING_STEPS]
            for one in needed:
                if one.since is None or when < one.since:
                    return f"it comes after {one.code} ({STEP_WORDS[one.code]})"
        if self.sized:
            flushes, why = _first_flushed(step, how)
            for one in before.values():
                if one.code in flushes and (one.since is None or when < one.since):
                    return f"it comes after {one.code} ({STEP_WORDS[one.code]}): {why}"
            if how == How.CHLORINATED and when < self.evidence_since + timedelta(hours=CONTACT_MIN_H):
                return f"chlorine takes {CONTACT_MIN_H:g} h at least from the last exposure on, and the rinse"
        if step is Step.SAMPLE_2:
            first = before[Step.SAMPLE_1].since if Step.SAMPLE_1 in before else None
            if first is None or when < first + timedelta(hours=self.sample_gap_h):
                return f"it is taken at least {self.sample_gap_h:g} h after a sample_1 that counts"
        return ""


def advance(advisory: Advisory | None, event: Event) -> Advisory:
    """The advisory after one more event.

    Parameters
    ----------
    advisory : Advisory or None
        As it stood; None before the first event.
    event : Event
        What happened. Its `at` is not before the last event's.

    Raises
    ------
    NotAllowed
        If the event cannot follow; the message says why and what could.
    """
    if advisory is None:
        return _begun(event)
    if advisory.lifted is not None:
        raise NotAllowed(
            f"lifted by {advisory.lifted.by} {in_utc(advisory.lifted.at)}: nothing changes any more; raise a new "
            "one"
        )
    if event.at < advisory.updated_at:
        raise NotAllowed(f"at must not lie before the last event ({advisory.updated_at}); got {event.at}")
    by_person = isinstance(event, (StepRecorded, SampleFailed, RecordWithdrawn))
    advisory = replace(advisory, updated_at=event.at, touched=advisory.touched or by_person)
    match event:
        case Raised():
            raise NotAllowed("this advisory is raised already; new exposure is 'exposed'")
        case Exposed() | Remeasured() | PlayedAnew():
            return _water_told(advisory, event)
        case Proof():
            return _proven(advisory, event)
        case StepRecorded():
            return _recorded(advisory, event)
        case SampleFailed():
            return _failed(advisory, event)
        case RecordWithdrawn():
            return _taken_back(advisory, event)
        case Lifted():
            return _lifted(advisory, event)


def advanced(advisory: Advisory, events: Iterable[Event]) -> Advisory:
    """The advisory after these events, in their order.

    Raises
    ------
    NotAllowed
        As `advance`, of the first that cannot follow.
    """
    for event in events:
        advisory = advance(advisory, event)
    return advisory


def replay(events: Iterable[Event]) -> Advisory:
    """The advisory that a whole record adds up to; events in any order, equal instants in their order of sequence.

    Raises
    ------
    NotAllowed
        If the record is empty or an event cannot follow the one before.
    """
    advisory: Advisory | None = None
    for event in sorted(events, key=lambda one: one.at):  # stable: sequence decides between equal instants
        advisory = advance(advisory, event)
    if advisory is None:
        raise NotAllowed("no event: an advisory begins with 'raised'")
    return advisory


def exposure_event(
    advisory: Advisory | None, exposure: Exposure, *, at: datetime, hot_tank_l: float | None,
    policy: StepPolicy | None = None, by: str = "", after_lift: str = "", exactly: bool = False,
) -> Raised | Exposed | Remeasured | None:
    """The event that an exposure asks for, if any.

    Parameters
    ----------
    advisory : Advisory or None
        The unit's open advisory; None, or a lifted one, where there is none.
    exposure : Exposure
        All under-dosed water of this advisory as it is known now.
    at : datetime
        Now. Where the clock went back, the event takes the last event's instant.
    hot_tank_l : float or None
        0: the unit feeds none. None: not known. [L]
    policy : StepPolicy, optional
        The fleet's; by default the safe one.
    by : str
        Who raises it, for a manual one.
    after_lift : str
        Number of a lifted advisory after whose lift this became known.
    exactly : bool
        Record any difference, as before a lift: what is answered then is what is known then.

    Returns
    -------
    event : Raised, Exposed, Remeasured or None
        None where nothing can have passed (the upper bound is known to be 0), or nothing new is known: litres have
        to differ by a stated step (`models.advisory.pieces`), or the cause or the severity.
    """
    policy = policy or StepPolicy()
    severity = policy.severity(exposure)
    steps = policy.steps(severity, hot_tank_l=hot_tank_l)
    if advisory is None or advisory.state is State.LIFTED:
        if exposure.underdosed_l_upper == 0 and exposure.cause is not Cause.MANUAL:
            return None
        return Raised(
            at=at, exposure=exposure, severity=severity, steps=steps, sample_gap_h=policy.sample_gap_h, by=by,
            after_lift=after_lift, metered_alone=False, sized=True)
    if exposure.underdosed_l_upper == 0 and exposure.cause not in OF_PEOPLE:
        # late data explained all of it: how bad water was that never passed says nothing worse of it
        severity, steps = advisory.severity, advisory.steps
    again = _more_water(advisory, exposure)
    if _later(exposure, advisory.exposure):
        start = min(exposure.start, advisory.exposure.start)  # it adds to what stands
        # stored intervals grow with each reading of an hour; the last litre passed when it passed
        exposure = replace(exposure, start=start) if again else replace(
            exposure, start=start, end=advisory.exposure.end, pieces=exposure.known_pieces)
    kind = Exposed if again else Remeasured
    worse = SEVERITY_RANK[severity] > SEVERITY_RANK[advisory.severity]
    known = exposure == advisory.exposure or not (
        exactly or again or worse or _differs(exposure, advisory.exposure))
    if known:
        return None
    return kind(at=max(at, advisory.updated_at), exposure=exposure, severity=severity, steps=steps)


def new_proofs(advisory: Advisory, found: Iterable[Proof]) -> tuple[Proof, ...]:
    """Those of `found` that tick or untick a step of the advisory: what the append-only record has to keep.

    Between two of them only the words change (litres still counting): show those with `advance`, unstored. Nor is
    it an event that the sensors cannot tell for a while: a logger that sends in packs falls silent with each.
    """
    known = {proof.step: proof for proof in advisory.proofs}
    return tuple(
        proof for proof in found
        if proof.step in advisory.steps and (
            proof.step not in known or (proof.done is not None and known[proof.step].done is not proof.done)
            or (known[proof.step].alone and not proof.alone))
    )


def unknown_proofs(advisory: Advisory, found: Iterable[Proof], step: Step) -> tuple[Proof, ...]:
    """That a step's proof is not known any more, where the record says otherwise.

    A silence between two packs of a logger is no event; a person who records the step because its sensor is silent
    makes it one.
    """
    known = {proof.step: proof for proof in advisory.proofs}
    return tuple(
        proof for proof in found
        if proof.step is step and proof.done is None and step in advisory.steps and step in known
        and known[step].done is not None and not _outlasts(known[step], proof))


def _begun(event: Event) -> Advisory:
    """An advisory by its first event."""
    if not isinstance(event, Raised):
        raise NotAllowed(f"an advisory begins with 'raised'; got {event.kind!r}")
    return Advisory(
        raised_at=event.at, updated_at=event.at, exposure=event.exposure, severity=event.severity,
        steps=event.steps, sample_gap_h=event.sample_gap_h, evidence_since=event.exposure.end,
        raised_by=event.by, after_lift=event.after_lift, metered_alone=event.metered_alone,
        sized=event.sized, played_known_at=event.known_at,
        failed_at=event.exposure.end if event.exposure.cause is Cause.LABORATORY else None,
    )


def _water_told(advisory: Advisory, event: Exposed | Remeasured | PlayedAnew) -> Advisory:
    """What is known of its water is another now."""
    match event:
        case Exposed():
            return _exposed(advisory, event)
        case Remeasured():
            return _remeasured(advisory, event)
        case PlayedAnew():
            return _played_anew(advisory, event)


def _exposed(advisory: Advisory, event: Exposed) -> Advisory:
    """Everything starts again; nothing that was asked for drops out."""
    end, known = event.exposure.end, advisory.evidence_since
    return replace(
        _asked(advisory, event), proofs=(), records=(), forgiven_l=0.0,
        evidence_since=None if end is None else max(
            one for one in (end, known, advisory.failed_at) if one is not None),
    )


def _remeasured(advisory: Advisory, event: Remeasured) -> Advisory:
    """Figures change; what was done after the exposure stays done."""
    if _later(event.exposure, advisory.exposure):
        raise NotAllowed(
            f"the exposure ends later ({event.exposure.end}) than known ({advisory.exposure.end}): "
            "that is 'exposed'"
        )
    asked = replace(_asked(advisory, event), forgiven_l=_forgiven_l(advisory, event.exposure))
    if advisory.evidence_since is not None or event.exposure.end is None:
        return asked
    # It has ended now. What was proven while it went on proves nothing of the time after; and where it ended only
    # because a record was withdrawn, nothing of the time before that.
    since = max(one for one in (event.exposure.end, advisory.proven_from, advisory.failed_at) if one is not None)
    return replace(asked, evidence_since=since, proofs=())


def _played_anew(advisory: Advisory, event: PlayedAnew) -> Advisory:
    """As all of the loaded history tells it: nothing of before rests on what a person did."""
    if not advisory.untouched:
        raise NotAllowed("only what loaded history raised and nobody has seen to is played anew")
    return replace(
        advisory, raised_at=event.raised_at, exposure=event.exposure,
        severity=event.severity, steps=event.steps, evidence_since=event.exposure.end, proofs=(), forgiven_l=0.0)


def _asked(advisory: Advisory, event: Exposed | Remeasured) -> Advisory:
    """Exposure as known now; severity and steps only ever grow."""
    worst = max((advisory.severity, event.severity), key=SEVERITY_RANK.__getitem__)
    return replace(
        advisory, exposure=event.exposure, severity=worst,
        steps=tuple(step for step in Step if step in advisory.steps or step in event.steps),
    )


def _proven(advisory: Advisory, event: Proof) -> Advisory:
    """Keep what the sensors say; while it stays the same, since when stays too."""
    if event.step not in advisory.steps:
        return advisory
    old = _of_step(advisory.proofs, event.step)
    if _outlasts(old, event):
        return advisory
    same = old is not None and old.done is event.done
    kept = replace(event, at=old.at, since=old.since) if same and old is not None else event
    return replace(advisory, proofs=(*_without(advisory.proofs, event.step), kept))


def _first_flushed(step: Step, how: str) -> tuple[tuple[Step, ...], str]:
    """Flushes that come before a step of cleaning, and why."""
    if step is Step.DISINFECT:
        return FLUSH_STEPS, f"{NO_CRYPTOSPORIDIUM}, so what stands there runs out first"
    if step is Step.FLUSH_HOT and how in (How.DRAINED, How.HEATED):
        return (Step.FLUSH_COLD,), "what stands in the cold pipes runs into the clean tank"
    return (), ""


def _outlasts(old: Proof | None, new: Proof) -> bool:
    """Litres once metered stay so through a silence; had water passed undosed in it, that is `Exposed`."""
    flushed = old is not None and old.done is True and not old.alone and new.step in FLUSH_STEPS
    return flushed and new.done is None


def _recorded(advisory: Advisory, event: StepRecorded) -> Advisory:
    """Keep a person's record; refuse one that could not count."""
    _require_countable(advisory, event)
    shown = advisory.proofs
    if event.step in FLUSH_STEPS:  # what the meter said of another time says nothing of this one
        shown = _without(shown, event.step)
    return replace(advisory, records=(*_without(advisory.records, event.step), event), proofs=shown)


def _require_countable(advisory: Advisory, event: StepRecorded) -> None:
    """Refuse a record of a step that is not asked for, that the sensors deny, or that comes too early."""
    if event.step not in advisory.steps:
        raise NotAllowed(f"step {event.step} is not asked for here; these are: {', '.join(advisory.steps)}")
    if event.step not in PERSON_STEPS:
        raise NotAllowed(f"step {event.step} is proven by the sensors alone; nobody can see a dose")
    if advisory.evidence_since is None:
        raise NotAllowed("under-dosed water may still be passing: no step counts before that ends")
    by_period = advisory._by_period(event.step)
    told_anew = by_period and _of_step(advisory.records, event.step) is not None
    proof = _of_step(advisory.proofs, event.step)
    if proof is not None and proof.done is False and not told_anew:  # the proof is of the time told before
        raise NotAllowed(f"step {event.step} cannot count yet: the evidence is: {proof.evidence}")
    if by_period and event.ran_taps and event.begun_at is None:
        raise NotAllowed(f"step {event.step} needs the time in which the taps ran: from when to when")
    began = event.began
    before = _before(advisory, event.step)
    if event.step is Step.DISINFECT:
        before = _as_recorded(advisory, before)
    if why := advisory._too_early(event.step, began, before, event.how):
        raise NotAllowed(f"step {event.step} at {in_utc(began)} cannot count: {why}")


def _as_recorded(advisory: Advisory, before: Mapping[Step, StepStatus]) -> dict[Step, StepStatus]:
    """With flushes that a person recorded and of which no litre may be heard yet: what follows waits for them."""
    told = {one.step: one.when for one in advisory.records if one.step in FLUSH_STEPS}
    return {
        step: replace(one, since=told[step]) if one.since is None and step in told else one
        for step, one in before.items()}


def _before(advisory: Advisory, step: Step) -> dict[Step, StepStatus]:
    """The steps that come before it in the order of work."""
    return {one.code: one for one in advisory.statuses if _rank(one.code) < _rank(step)}


def _failed(advisory: Advisory, event: SampleFailed) -> Advisory:
    """The plumbing is not clean: clean it again, then sample again."""
    again = (*CLEANING_STEPS, Step.SAMPLE_1, Step.SAMPLE_2, Step.NOTICE_REMOVED)
    since = advisory.evidence_since
    return replace(
        advisory,
        steps=tuple(step for step in Step if step in (*advisory.steps, *event.steps, Step.DISINFECT)),
        severity=Severity.UNTREATED if event.steps else advisory.severity,
        proofs=tuple(one for one in advisory.proofs if one.step not in again),
        records=tuple(one for one in advisory.records if one.step not in again),
        evidence_since=None if since is None else max(since, event.when),
        failed_at=event.when if advisory.failed_at is None else max(advisory.failed_at, event.when),
    )


def _taken_back(advisory: Advisory, event: RecordWithdrawn) -> Advisory:
    """A step that rested on the withdrawn record is undone again."""
    gone = {one.step for one in advisory.records if one.service == event.service}
    # what the meter said of a flush that is taken back says nothing of the next one
    said = tuple(one for one in advisory.proofs if advisory.metered_alone or one.step not in (
        gone & set(FLUSH_STEPS)))
    return replace(
        advisory, withdrawn=(*advisory.withdrawn, event), proofs=said,
        records=tuple(one for one in advisory.records if one.step not in gone))


def _lifted(advisory: Advisory, event: Lifted) -> Advisory:
    """A named person lifts it: with every step done, or with a reason."""
    undone = tuple(step for step in advisory.open_steps if step is not Step.NOTICE_REMOVED)
    if undone and not event.reason.strip():
        raise NotAllowed(
            f"still undone: {', '.join(undone)}; do them, or lift with a reason, which is kept"
        )
    return replace(advisory, lifted=event, undone_at_lift=undone)


def _later(new: Exposure, old: Exposure) -> bool:
    """Does the new exposure reach beyond the old one's end?"""
    if old.end is None:
        return False
    return new.end is None or new.end > old.end


def _more_water(advisory: Advisory, new: Exposure) -> bool:
    """Has more under-dosed water passed after what was taken for the end?"""
    if not _later(new, advisory.exposure):
        return False
    return new.underdosed_l_upper is None or _forgiven_l(advisory, new) > AGAIN_L


def _forgiven_l(advisory: Advisory, new: Exposure) -> float:
    """All that may have passed after the known end, this exposure's included; 0 while there is none. [L]

    Added up from one record to the next: as often as a little more is told, it is the same little that may pass.
    What turns out to be less is taken off again, and nothing more: it allows no water in advance.
    """
    known = advisory.exposure
    if known.end is None:
        return 0.0
    return max(0.0, advisory.forgiven_l + more_beyond(new.known_pieces, known.known_pieces, known.end))


def _differs(new: Exposure, old: Exposure) -> bool:
    """Is what is known of an exposure another by more than the stated step?"""
    if new.cause is not old.cause or (new.end is None) is not (old.end is None) or new.start < old.start:
        return True
    was, now = (math.nan if one.underdosed_l_upper is None else one.underdosed_l_upper for one in (old, new))
    if math.isnan(was) or math.isnan(now):
        return math.isnan(was) is not math.isnan(now)
    step = max(MORE_L, MORE_SHARE * was) if new.end is None and now >= was else AGAIN_L
    return abs(now - was) > step


def _undone(step: Step, evidence: str) -> StepStatus:
    """A step still to do, and why."""
    return StepStatus(code=step, done=False, evidence=evidence, since=None)


def _of_step(found: Iterable[_OfStep], step: Step) -> _OfStep | None:
    """What is there of the step, if anything: of each step there is one at most."""
    return next((one for one in found if one.step is step), None)


def _without(found: Iterable[_OfStep], step: Step) -> tuple[_OfStep, ...]:
    """What is there of the other steps."""
    return tuple(one for one in found if one.step is not step)


def _rank(step: Step) -> int:
    """Place in the order of work."""
    return list(Step).index(step)


def in_utc(at: datetime) -> str:
    """An instant in words that carry no guess at the reader's time zone."""
    return at.astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")
