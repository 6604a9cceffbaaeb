"""What is one person told of one shared event? All of it together, a line per cabin, when it changes what they do.

That a tap must not be used, a boil advisory or a worsening of it, and what nobody has confirmed is never held back
for longer than it takes to gather what comes with it, and never capped. What changes what somebody does goes as an
update. The rest goes along with these, or in a report in the morning or in the evening.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from models.advisory.call_order import PARTS
from models.advisory.notice import UNCHECKED, local
from models.advisory.notices_due import BOIL, NoticeKind
from models.advisory.shared_event import SharedEvent, Trouble
from models.fleet import Cabin, ReportHours
from models.wording import Say, Translation, Wording, joined, rendered, worded

# Common practice, no source. The reports of a power cut come within seconds; the warning must come within a minute.
GATHER = timedelta(seconds=15)
UPDATE = timedelta(minutes=30)  # between two messages that only say how it goes on

# What ends what somebody was told of.
_ENDED_BY = (
    (BOIL, NoticeKind.LIFTED), ((NoticeKind.POWER_OFF,), NoticeKind.POWER_BACK),
    ((NoticeKind.SILENT,), NoticeKind.HEARD))
PRESSING = (*BOIL, NoticeKind.POWER_OFF, NoticeKind.NOT_REACHED)
GATHERED = (NoticeKind.POWER_OFF, NoticeKind.SILENT)  # also before a second cabin is known to share it
_HEADS = {
    NoticeKind.NOT_REACHED: "Guests not reached: call",
    NoticeKind.POWER_OFF: worded("Do not use the tap"),
    NoticeKind.RAISED: worded("Boil water"),
    NoticeKind.EXPOSED: worded("Keep boiling"),
    NoticeKind.SAMPLE_FAILED: worded("Water sample failed"),
    NoticeKind.SILENT: worded("Silent"),
    NoticeKind.HEARD: worded("Heard again"),
    NoticeKind.BATTERY_LOW: worded("Battery low"),
    NoticeKind.LAMP_WEAK: worded("Lamp too weak soon"),
    NoticeKind.NEEDS_PEOPLE: worded("Now it needs people"),
    NoticeKind.READY: worded("Ready to lift"),
    NoticeKind.POWER_BACK: worded("Light on again"),
    NoticeKind.LIFTED: worded("Boil notice lifted")}
_TROUBLE = {
    Trouble.POWER_CUT: worded("Power cut"),
    Trouble.DARK: worded("Lamps dark"),
    Trouble.SILENCE: worded("Nothing heard")}
_SENTENCE_ENDS = re.compile(r"(?<=[.?!])\s+(?=[A-ZÀ-ÖØ-Þ¿¡(])")


@dataclass(frozen=True, slots=True, kw_only=True)
class Waits:
    """A message to one person over one channel that is due and was not delivered."""

    key: str
    kind: NoticeKind
    cabin: str
    number: int  # above 1: said again, since nobody confirmed
    due_at: datetime
    title: str
    body: str
    report_at: datetime  # when it goes in a report, where it changes nothing that they do

    @property
    def pressing(self) -> bool:
        """Whether it is never held back."""
        return self.kind in PRESSING


def goes_now(
    waits: Sequence[Waits], *, shared: bool, told: Mapping[str, Collection[NoticeKind]],
    last_told: datetime | None, now: datetime,
) -> bool:
    """Whether what waits for one person of one event is to be sent.

    Parameters
    ----------
    waits : sequence of Waits
        At least one.
    shared : bool
        Whether it is of a shared event; else it is one message, which waits for nothing but others to share it.
    told : mapping of str to collection of NoticeKind
        What that person was told of each cabin of the event; of what nobody shares, what still holds (`holding`).
    last_told : datetime or None
        When they last were told anything of the event.
    """
    gathered = [one for one in waits if now >= one.due_at + GATHER]
    if not shared:
        news = [one for one in waits if changes_what_they_do(one, told.get(one.cabin, ()))]
        return any(one.kind not in GATHERED or one in gathered for one in news)
    if any(one.pressing for one in gathered):
        return True
    free = last_told is None or now >= last_told + UPDATE
    return free and any(changes_what_they_do(one, told.get(one.cabin, ())) for one in gathered)


def holding(told: Mapping[NoticeKind, datetime]) -> set[NoticeKind]:
    """Of what somebody was told of a cabin, and when last, what has not ended since."""
    ended = {kind for kinds, end in _ENDED_BY for kind in kinds if end in told and kind in told
             and told[end] >= told[kind]}
    return set(told) - ended - {end for _, end in _ENDED_BY}


def next_report(at: datetime, zone: ZoneInfo, hours: ReportHours) -> datetime:
    """The first hour of a report from `at` on, by the clock of that zone."""
    here = at.astimezone(zone).date()
    days = (here + timedelta(days=n) for n in range(3))
    coming = (
        datetime.combine(day, time.fromisoformat(text), zone).astimezone(UTC) for day in days
        for text in hours.in_order)
    return next(one for one in coming if one >= at)


def changes_what_they_do(one: Waits, told: Collection[NoticeKind]) -> bool:
    """Whether somebody acts otherwise for it: who is told to keep off a tap keeps off it while nobody hears it."""
    if one.kind is NoticeKind.SILENT:
        off = NoticeKind.POWER_OFF in told and NoticeKind.POWER_BACK not in told
        return not (off or (set(BOIL) & set(told) and NoticeKind.LIFTED not in told))
    if one.kind is NoticeKind.HEARD:  # news for those whom nothing but the silence kept off the tap
        return NoticeKind.SILENT in told and not {NoticeKind.POWER_OFF, *BOIL} & set(told)
    return True


def fold(
    waits: Sequence[Waits], event: SharedEvent, cabins: Mapping[str, Cabin], spoken: Translation | None = None
) -> tuple[str, str]:
    """Several messages of one event as one: title and body.

    Parameters
    ----------
    waits : sequence of Waits
        In any order.
    cabins : mapping
        Every cabin of the messages.
    spoken : Translation or None
        The language of who reads it; None: English.

    Returns
    -------
    tuple of str
        Under a heading for each kind, the gravest first, a line per cabin; what is said alike of all that stand
        there follows once. No sentence is lost.
    """
    first = cabins[min(waits, key=lambda one: (one.due_at, one.cabin)).cabin]
    what, start = _TROUBLE[event.trouble], local(event.start, first)
    since = (
        worded("{what} since {start} until {end}.", what=what, start=start, end=local(event.end, first))
        if event.end else worded("{what} since {start}, and it goes on.", what=what, start=start))
    return _told(waits, cabins, what, since, spoken)


def report(
    waits: Sequence[Waits], cabins: Mapping[str, Cabin], *, morning: bool, spoken: Translation | None = None
) -> tuple[str, str]:
    """What changes nothing that somebody does, of all events together: title and body, as of `fold`."""
    what = worded("Morning report") if morning else worded("Evening report")
    return _told(waits, cabins, what, worded("{what}: nothing here asks anything new of you.", what=what), spoken)


def _told(
    waits: Sequence[Waits], cabins: Mapping[str, Cabin], what: Wording, opening: Wording, spoken: Translation | None
) -> tuple[str, str]:
    """A folded message in a language; while nobody has checked its catalogue, below the English."""
    if spoken is None:
        return _folded(waits, cabins, what, opening, None)
    own_title, own_body = _folded(waits, cabins, what, opening, spoken.say)
    if spoken.reviewed_by:
        return own_title, own_body
    title, body = _folded(waits, cabins, what, opening, None)
    return f"{title} / {own_title}", f"{body}{PARTS}{rendered(UNCHECKED, spoken.say)}\n{own_body}"


def _folded(
    waits: Sequence[Waits], cabins: Mapping[str, Cabin], what: Wording, opening: Wording, say: Say | None
) -> tuple[str, str]:
    def told(text: str) -> str:
        return str(text) if say is None else rendered(text, say)

    mine = {one.cabin for one in waits}
    again = worded("Not confirmed yet: ") if any(one.number > 1 for one in waits) else ""
    kinds = [kind for kind in _HEADS if any(one.kind is kind for one in waits)]
    number = {kind: len({one.cabin for one in waits if one.kind is kind}) for kind in kinds}
    heads = ", ".join(
        told(worded("{what} at {number:d}", what=_small(_HEADS[kind], say), number=number[kind])) for kind in kinds)
    title = f"{told(again)}{told(what)}: {heads}"
    about = worded("This is about {cabins} of yours.", cabins=_cabins(len(mine)))
    lines = [told(joined(opening, about))]
    for kind in kinds:
        some = sorted((one for one in waits if one.kind is kind), key=lambda one: (cabins[one.cabin].name, one.key))
        said = [_SENTENCE_ENDS.split(_own_part(one.body, say)) for one in some]
        # the first names the cabin, whose name may hold a full stop
        alike = [one for one in said[0][1:] if len(some) > 1 and all(one in others[1:] for others in said)]
        lines += ["", told(worded("{head} ({cabins}):", head=_HEADS[kind], cabins=_cabins(number[kind])))]
        for one, sentences in zip(some, said, strict=True):
            repeat = told(worded("Not confirmed yet ({number:d}): ", number=one.number)) if one.number > 1 else ""
            own = [sentences[0], *(each for each in sentences[1:] if each not in alike)]
            lines.append(f"- {repeat}{' '.join(own)}")
        if alike:
            lines.append(told(worded("For each of these: {alike}", alike=" ".join(alike))))
    return title, "\n".join(lines)


def _own_part(body: str, say: Say | None) -> str:
    """Of a message in two languages the part in one of them; of one in a single language, all of it."""
    english, _, other = body.partition(PARTS)
    return english if say is None or not other else other.partition("\n")[2]


def _small(head: str, say: Say | None) -> str:
    """A heading within a line: in English without its capital; in German a noun keeps it."""
    return head.lower() if say is None else head


def _cabins(number: int) -> Wording:
    return worded("1 cabin") if number == 1 else worded("{number:d} cabins", number=number)
