"""What can happen to a boil advisory: frozen events, the exposure that they rest on, the steps that they ask for.

Which steps apply stands in one place, `StepPolicy`. An event keeps the steps that were asked for when it was made,
so that a later change of policy never rewrites an old advisory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import ClassVar

from models.advisory.pieces import Piece
from models.shortfall import MARGINAL_SHARE_OF_MONTH, Severity
from models.wording import Wording, worded

SEVERITY_RANK = {one: rank for rank, one in enumerate(Severity)}  # worst last

# Known within this of its beginning, it is told as it happens: the notice at the tap is the word to guests.
# Common practice, no source.
KNOWN_AT_ONCE = timedelta(minutes=30)


class State(StrEnum):
    """Where an advisory stands."""

    RAISED = "raised"  # no step is done
    CLEARING = "clearing"  # some are
    LIFTED = "lifted"  # a named person ended it; nothing changes any more


class Cause(StrEnum):
    """Why it was raised."""

    POWER_CUT = "power-cut"
    LAMP_FAILURE = "lamp-failure"
    WARM_UP_DRAW = "warm-up-draw"
    LOW_DOSE = "low-dose"
    UNHEARD = "unheard"
    MANUAL = "manual"  # a person raised it
    LABORATORY = "laboratory"  # a sample was not satisfactory


OF_PEOPLE = (Cause.MANUAL, Cause.LABORATORY)  # no litre was seen: not measured by what the sensors say


class Step(StrEnum):
    """What has to be done, in the order in which it is done."""

    POWER_STABLE = "power_stable"
    LAMP_LIT = "lamp_lit"
    DOSE_BACK = "dose_back"
    FLUSH_COLD = "flush_cold"
    FLUSH_HOT = "flush_hot"
    DISINFECT = "disinfect"
    SAMPLE_1 = "sample_1"
    SAMPLE_2 = "sample_2"
    NOTICE_REMOVED = "notice_removed"


class How(StrEnum):
    """By what way the hot tank was cleaned; any one of them is enough."""

    FLUSHED = "flushed"  # run through the hot taps
    DRAINED = "drained"  # drained and refilled
    HEATED = "heated"
    CHLORINATED = "chlorinated"  # with the tank in the loop


NO_CRYPTOSPORIDIUM = "chlorine does not kill Cryptosporidium"  # SOURCES.md section 6, from memory


SENSOR_STEPS = (Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK, Step.FLUSH_COLD, Step.FLUSH_HOT)
FLUSH_STEPS = (Step.FLUSH_COLD, Step.FLUSH_HOT)
CLEANING_STEPS = (Step.FLUSH_COLD, Step.FLUSH_HOT, Step.DISINFECT)  # before any sample counts
# A dose cannot be seen by eye, so no person's word replaces the sensor; the other proofs may be recorded by a
# named person where the unit has no such sensor.
PERSON_STEPS = tuple(step for step in Step if step is not Step.DOSE_BACK)

STEP_WORDS: Mapping[Step, Wording] = {
    Step.POWER_STABLE: worded("power back and steady"),
    Step.LAMP_LIT: worded("lamp lit and warm"),
    Step.DOSE_BACK: worded("dose back above its target"),
    Step.FLUSH_COLD: worded("cold pipes flushed"),
    Step.FLUSH_HOT: worded("hot tank and hot pipes cleaned"),
    Step.DISINFECT: worded("plumbing disinfected with chlorine"),
    Step.SAMPLE_1: worded("first water sample satisfactory"),
    Step.SAMPLE_2: worded("second water sample satisfactory"),
    Step.NOTICE_REMOVED: worded("notice taken down"),
}


class NotAllowed(ValueError):
    """An event that the advisory cannot take; the message says why and what would be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """All the under-dosed water of one advisory, from its first litre to its last; not an increment.

    Attributes
    ----------
    cause : Cause
        The worst that let it pass.
    start, end : datetime
        From the first under-dosed litre to the last, aware; `end` None while it goes on. Where it comes from stored
        intervals, `end` is the end of the one that holds the last litre: never before the litre, and up to an hour
        after it, since they are cut at the last reading of each UTC hour. So evidence rather begins late.
    underdosed_l, underdosed_l_upper : float or None
        What passed, and the most that can have passed. None (NaN is taken too): not known. [L]
    dose_low_mj_cm2, dose_target_mj_cm2 : float or None
        Lowest lower bound of dose that the water is known to have got, and the unit's target. [mJ/cm2]
    pieces : tuple of Piece
        The stretches of which it consists, as they are known: what a lift answers. None of a manual one.
    finding : str
        What a laboratory found in it, in half a sentence; empty where none did.
    """

    cause: Cause
    start: datetime
    end: datetime | None
    underdosed_l: float | None = None
    underdosed_l_upper: float | None = None
    dose_low_mj_cm2: float | None = None
    dose_target_mj_cm2: float | None = None
    pieces: tuple[Piece, ...] = ()
    finding: str = ""

    @property
    def known_pieces(self) -> tuple[Piece, ...]:
        """Its pieces; of a record of before pieces were kept, one for all of it."""
        if self.pieces or self.cause in OF_PEOPLE or self.underdosed_l_upper == 0:
            return self.pieces
        kind = {Cause.UNHEARD: "unheard", Cause.LOW_DOSE: "weak", Cause.WARM_UP_DRAW: "warming"}
        most = math.inf if self.underdosed_l_upper is None else self.underdosed_l_upper
        return (Piece(
            start=self.start, end=self.end or self.start, kind=kind.get(self.cause, "dark"), cause="",
            underdosed_l=self.underdosed_l or 0.0, underdosed_l_upper=most, dose_low_mj_cm2=self.dose_low_mj_cm2),)

    def __post_init__(self) -> None:
        object.__setattr__(self, "cause", Cause(self.cause))
        object.__setattr__(self, "pieces", tuple(self.pieces))
        require_instant("start", self.start)
        if self.end is not None:
            require_instant("end", self.end)
            if self.end < self.start:
                raise ValueError(f"end must not lie before start ({self.start}); got {self.end}")
        for name in ("underdosed_l", "underdosed_l_upper", "dose_low_mj_cm2", "dose_target_mj_cm2"):
            value = getattr(self, name)
            if value is not None and math.isnan(value):
                object.__setattr__(self, name, None)
            elif value is not None:
                require_at_least_0(name, value)


def known_late(exposure: Exposure, raised_at: datetime) -> bool:
    """Whether people may have drunk of an exposure for a while before anybody was told."""
    return raised_at - exposure.start > KNOWN_AT_ONCE


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPolicy:
    """Which steps an exposure asks for, and how much evidence each proof needs. One per fleet.

    ============================  ==========  =========================================================
    exposure                      severity    steps, by default
    ============================  ==========  =========================================================
    power-cut, lamp-failure       untreated   all
    unheard, manual, laboratory   untreated   all: what is not known counts as untreated
    warm-up-draw, low-dose with   under-      all but `disinfect` and `sample_2`: one sample then decides
    at least `partial_share` of   treated     whether the plumbing needs more
    the target dose known, and 3
    log of both protozoa
    warm-up-draw, low-dose with   untreated   all
    less, or the dose unknown
    low-dose by the lower bound   marginal    no advisory, but where it is much, lasts, or is asked for
    alone, by at most 0.5 log                 (`models.advisory.marginal`); then no flush and one sample
    ============================  ==========  =========================================================

    `flush_hot` drops out where a unit is known to have no hot tank.

    Notes
    -----
    That water standing in the plumbing re-infects what the unit treats, so that its exposure asks for
    chlorination, is common practice, no source. Two satisfactory samples about 24 h apart: SOURCES.md
    section 6, "Lifting" (from memory; public supplies). The minutes are common practice, no source. Local rules
    and the local health authority go before all of them.
    """

    untreated: tuple[Step, ...] = tuple(Step)
    under_treated: tuple[Step, ...] = tuple(
        step for step in Step if step not in (Step.DISINFECT, Step.SAMPLE_2))
    marginal: tuple[Step, ...] = (
        Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK, Step.SAMPLE_1, Step.NOTICE_REMOVED)
    marginal_at_once: bool = False  # whether marginal water is an advisory from its first litre
    marginal_share: float = MARGINAL_SHARE_OF_MONTH  # of 30 days' water; above it, an advisory
    marginal_h: float = 24.0  # without water in between that met the target; from then on, an advisory
    partial_share: float = 0.5  # of the target dose; below it water counts as untreated
    power_stable_min: float = 30.0
    lamp_lit_min: float = 10.0  # beyond any usual warm-up
    dose_back_min: float = 10.0
    sample_gap_h: float = 24.0

    def __post_init__(self) -> None:
        for name in ("untreated", "under_treated", "marginal"):
            strange = [step for step in getattr(self, name) if step not in list(Step)]
            if strange:
                raise ValueError(f"{name} must be a list of {', '.join(Step)}; got {strange[0]!r}")
            steps = tuple(Step(step) for step in getattr(self, name))
            if Step.SAMPLE_2 in steps and Step.SAMPLE_1 not in steps:
                raise ValueError(f"{name} asks for sample_2 without sample_1; ask for both, or for sample_1 alone")
            if not steps:
                raise ValueError(f"{name} must ask for at least one step of {', '.join(Step)}")
            object.__setattr__(self, name, tuple(step for step in Step if step in steps))
        if not isinstance(self.marginal_at_once, bool):
            raise ValueError(f"marginal_at_once must be true or false; got {self.marginal_at_once!r}")
        if not 0 <= self.marginal_share <= 1:
            raise ValueError(f"marginal_share must lie between 0 and 1, as 0.05; got {self.marginal_share!r}")
        for name in ("power_stable_min", "lamp_lit_min", "dose_back_min", "sample_gap_h", "marginal_h"):
            require_at_least_0(name, getattr(self, name))
        if not 0 < self.partial_share <= 1:
            raise ValueError(f"partial_share must be above 0 and at most 1; got {self.partial_share!r}")

    def severity(self, exposure: Exposure) -> Severity:
        """How much treatment the exposed water may have missed; unknown counts as untreated.

        The worst of its pieces; of a record of before these had a severity, by its cause and its lowest dose.
        """
        found = {one.severity for one in exposure.pieces}
        if found and "" not in found and exposure.cause not in OF_PEOPLE:
            return max((Severity(one) for one in found), key=SEVERITY_RANK.__getitem__)
        lit = exposure.cause in (Cause.LOW_DOSE, Cause.WARM_UP_DRAW)
        dose, target = exposure.dose_low_mj_cm2, exposure.dose_target_mj_cm2
        partly = lit and dose is not None and target is not None and dose >= self.partial_share * target
        return Severity.UNDER_TREATED if partly else Severity.UNTREATED

    def steps(self, severity: Severity, *, hot_tank_l: float | None) -> tuple[Step, ...]:
        """The steps that an exposure of this severity asks for, at a unit with this hot tank. [L]

        0: there is none. None: not known, so there may be one.
        """
        steps = {
            Severity.UNTREATED: self.untreated, Severity.UNDER_TREATED: self.under_treated,
            Severity.MARGINAL: self.marginal}[severity]
        no_tank = hot_tank_l is not None and hot_tank_l <= 0
        return tuple(step for step in steps if step is not Step.FLUSH_HOT or not no_tank)


# Events ------------------------------------------------------------------------------------------------------
# `at` is when the event entered the record and never falls from one event to the next; when something was done
# is `done_at`. So the order of the record and the order in time are one, and a replay cannot differ.


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """An advisory begins.

    Attributes
    ----------
    by : str
        The person who raised it, where the cause is manual.
    after_lift : str
        Number of a lifted advisory after whose lift this became known although it had happened before; or empty.
    metered_alone : bool
        Whether a meter alone proves a flush, as in records of before a person had to name the time of one.
    sized : bool
        Whether its cleaning is sized to what may stand behind the unit; records of before that go by the litres
        that replace 99.9 %, where these are fewer.
    known_at : datetime or None
        When it became known, where the record was played in the time in which it happened (history that was
        loaded); None: at `at`.
    """

    kind: ClassVar[str] = "raised"
    at: datetime
    exposure: Exposure
    severity: Severity
    steps: tuple[Step, ...]
    sample_gap_h: float = 24.0
    by: str = ""
    after_lift: str = ""
    metered_alone: bool = True
    sized: bool = False
    known_at: datetime | None = None

    def __post_init__(self) -> None:
        _check_asked(self)
        if self.known_at is not None:
            require_instant("known_at", self.known_at)
        if self.exposure.cause is Cause.MANUAL and not self.by.strip():
            raise NotAllowed("by must name the person who raises a manual advisory; got an empty name")


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposed:
    """More under-dosed water after the evidence had begun: all proofs and records start again."""

    kind: ClassVar[str] = "exposed"
    at: datetime
    exposure: Exposure
    severity: Severity
    steps: tuple[Step, ...]

    def __post_init__(self) -> None:
        _check_asked(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Remeasured:
    """The same exposure, better known (it ended, or late data changed the litres): proofs and records stay."""

    kind: ClassVar[str] = "remeasured"
    at: datetime
    exposure: Exposure
    severity: Severity
    steps: tuple[Step, ...]

    def __post_init__(self) -> None:
        _check_asked(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedAnew:
    """More history was loaded of before anybody did anything about the advisory: it is as all of that tells it.

    `raised_at` is when it begins by that. Proofs start again; the program's words of before stay in the record.
    """

    kind: ClassVar[str] = "played-anew"
    at: datetime
    raised_at: datetime
    exposure: Exposure
    severity: Severity
    steps: tuple[Step, ...]

    def __post_init__(self) -> None:
        _check_asked(self)
        require_instant("raised_at", self.raised_at)


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What the sensors say of a step: done, not done, or None where they cannot tell.

    `since` is when, in the time of the readings, the evidence of a done step was complete; None: not known, then
    `at` stands for it. A backlog tells late of what was done long before: what people did in between counts.
    `alone`: of a flush, that nothing has to be drawn, so that nobody has to name a time in which taps ran.
    """

    kind: ClassVar[str] = "proof"
    at: datetime
    step: Step
    done: bool | None
    evidence: str
    since: datetime | None = None
    alone: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "step", Step(self.step))
        require_instant("at", self.at)
        if self.since is not None:
            require_instant("since", self.since)
            if self.since > self.at:
                raise ValueError(f"since must not lie after the record ({self.at}); got {self.since}")
        if self.alone and self.step not in FLUSH_STEPS:
            raise ValueError(f"alone is said of {', '.join(FLUSH_STEPS)}; got {self.step}")
        if self.step not in SENSOR_STEPS:
            raise NotAllowed(f"step {self.step} is recorded by a person; sensors prove {', '.join(SENSOR_STEPS)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRecorded:
    """A named person did a step at `done_at` (None: at `at`). For a sample: it was taken then and satisfactory.

    `begun_at` is when a flush began, whose end is `done_at`: the meter confirms the litres of that time.
    `service`: id of the record of service that it came from; empty where the step itself was recorded.
    `how`: of the hot tank, by what way (`How`); empty: flushed. What proves it: `degrees_c` and `minutes` of a tank
    that was heated, `times` of one that was drained and refilled. [C], [min]
    """

    kind: ClassVar[str] = "step-recorded"
    at: datetime
    step: Step
    by: str
    done_at: datetime | None = None
    note: str = ""
    begun_at: datetime | None = None
    service: str = ""
    how: str = ""
    degrees_c: float | None = None
    minutes: float | None = None
    times: int | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "step", Step(self.step))
        _check_person(self)
        _check_way(self)
        if self.begun_at is not None:
            require_instant("begun_at", self.begun_at)
            if self.begun_at >= self.when:
                raise NotAllowed(f"a flush ends after it began ({self.begun_at}); got {self.when}")

    @property
    def when(self) -> datetime:
        """When it was done."""
        return self.done_at or self.at

    @property
    def began(self) -> datetime:
        """When it began, as far as that was told."""
        if self.begun_at is None and self.minutes is not None:
            return self.when - timedelta(minutes=self.minutes)
        return self.begun_at or self.when

    @property
    def ran_taps(self) -> bool:
        """Whether it is a flush through the taps, whose litres a meter can confirm."""
        return self.step in FLUSH_STEPS and self.how in ("", How.FLUSHED)

    @property
    def how_words(self) -> str:
        """By what way, in words; empty where taps ran."""
        match self.how:
            case How.DRAINED:
                return f"drained and refilled {times_words(self.times or 0)}"
            case How.HEATED:
                return f"heated, {self.degrees_c:g} C at the hot tap for {self.minutes:g} min"
            case How.CHLORINATED:
                return f"chlorinated with the tank in the loop ({NO_CRYPTOSPORIDIUM})"
        return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleFailed:
    """A sample was not satisfactory: flushing, disinfection and the samples start again from when it was taken.

    `steps`: what the policy asks for of untreated water, which join those asked for so far; empty in records of
    before they were kept, where disinfection alone joined.
    """

    kind: ClassVar[str] = "sample-failed"
    at: datetime
    by: str
    done_at: datetime | None = None
    note: str = ""
    service: str = ""  # as of `StepRecorded`
    steps: tuple[Step, ...] = ()

    def __post_init__(self) -> None:
        _check_person(self)
        object.__setattr__(self, "steps", tuple(Step(step) for step in self.steps))

    @property
    def when(self) -> datetime:
        """When it was taken."""
        return self.done_at or self.at


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordWithdrawn:
    """A named person took a record of service back: steps that it had ticked are undone.

    `worse`: it had made the water look worse. Then nothing closes and no proof comes back by itself; the withdrawal
    stands ready as a reason at the lifting.
    """

    kind: ClassVar[str] = "record-withdrawn"
    at: datetime
    by: str
    reason: str
    service: str  # id of the record
    what: str  # the record, in words
    worse: bool = False

    def __post_init__(self) -> None:
        require_instant("at", self.at)
        if not self.by.strip() or not self.reason.strip():
            raise NotAllowed("by must name the person who withdraws a record, and reason say why; got an empty one")
        if not self.service:
            raise ValueError("service must be the id of the record that is withdrawn")

    @property
    def as_reason(self) -> str:
        """In words that can be given as the reason of a lifting."""
        return f"withdrawn since: {self.what} (by {self.by}: {self.reason})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lifted:
    """A named person ends the advisory and takes the notice down. `reason` is needed while steps are undone."""

    kind: ClassVar[str] = "lifted"
    at: datetime
    by: str
    reason: str = ""

    def __post_init__(self) -> None:
        require_instant("at", self.at)
        if not self.by.strip():
            raise NotAllowed("by must name the person who lifts it; the program never lifts by itself")


Event = Raised | Exposed | Remeasured | PlayedAnew | Proof | StepRecorded | SampleFailed | RecordWithdrawn | Lifted


def require_instant(name: str, value: object) -> None:
    """Refuse what is no aware instant."""
    if not isinstance(value, datetime) or value.utcoffset() is None:
        raise ValueError(f"{name} must be an instant with an offset from UTC; got {value!r}")


def require_at_least_0(name: str, value: float) -> None:
    """Refuse what is not finite or below 0."""
    if not 0 <= value < math.inf:
        raise ValueError(f"{name} must be a finite number, at least 0; got {value!r}")


def _check_asked(event: Raised | Exposed | Remeasured | PlayedAnew) -> None:
    """An event that asks for steps has some, in the order of work."""
    require_instant("at", event.at)
    steps = tuple(Step(step) for step in event.steps)
    if not steps:
        raise ValueError(f"steps must hold at least one of {', '.join(Step)}")
    object.__setattr__(event, "steps", tuple(step for step in Step if step in steps))
    object.__setattr__(event, "severity", Severity(event.severity))


def times_words(number: int) -> str:
    """How often, in words."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


MOST_DEGREES_C, MOST_MINUTES, MOST_TIMES = 100.0, 7 * 24 * 60.0, 20  # beyond is a slip of the pen


def _check_way(event: StepRecorded) -> None:
    """A way belongs to the hot tank, and brings what proves it."""
    proof = {
        How.HEATED: ("degrees_c", "minutes"), How.DRAINED: ("times",)}
    given = [name for name in ("degrees_c", "minutes", "times") if getattr(event, name) is not None]
    if event.how not in ("", *How):
        raise NotAllowed(f"how must be one of {', '.join(How)}; got {event.how!r}")
    if event.how and event.step is not Step.FLUSH_HOT:
        raise NotAllowed(f"how is said of {Step.FLUSH_HOT} alone; got {event.how!r} of {event.step}")
    asked = proof.get(How(event.how), ()) if event.how else ()
    if strange := [name for name in given if name not in asked]:
        raise NotAllowed(f"{strange[0]} says nothing of a step that was {event.how or 'done by its taps'}")
    if missing := [name for name in asked if name not in given]:
        raise NotAllowed(f"{event.how} is proven by {' and '.join(asked)}; {missing[0]} is missing")
    for name, value, most, hint in (
            ("degrees_c", event.degrees_c, MOST_DEGREES_C, " (degrees Celsius)"),
            ("minutes", event.minutes, MOST_MINUTES, "")):
        if value is not None and not 0 < value <= most:
            raise NotAllowed(f"{name} must be above 0 and at most {most:g}{hint}; got {value!r}")
    if event.times is not None and not (type(event.times) is int and 1 <= event.times <= MOST_TIMES):
        raise NotAllowed(f"times must be a whole number from 1 to {MOST_TIMES}; got {event.times!r}")
    if event.how in (How.DRAINED, How.HEATED, How.CHLORINATED) and event.begun_at is not None:
        raise NotAllowed(f"from is when taps began to run; a tank that was {event.how} needs none")


def _check_person(event: StepRecorded | SampleFailed) -> None:
    """A record has a name, and nothing is recorded before it was done."""
    require_instant("at", event.at)
    if not event.by.strip():
        raise NotAllowed("by must name the person who did it; got an empty name")
    if event.done_at is not None:
        require_instant("done_at", event.done_at)
        if event.done_at > event.at:
            raise NotAllowed(f"done_at must not lie after the record ({event.at}); got {event.done_at}")
