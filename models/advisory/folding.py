"""What is one person told of one shared event? All of it together, a line per cabin, when it changes what they do.

That a tap must not be used, a boil advisory or a worsening of it, and what nobody has confirmed is never held back
for longer than it takes to gather what comes with it, and never capped. Everything else goes along, or waits.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from models.advisory.notice import local
from models.advisory.notices_due import BOIL, NoticeKind
from models.advisory.shared_event import SharedEvent, Trouble
from models.fleet import Cabin

# Common practice, no source. The reports of a power cut come within seconds; the warning must come within a minute.
GATHER = timedelta(seconds=15)
UPDATE = timedelta(minutes=30)  # between two messages that only say how it goes on
DIGEST = timedelta(hours=12)  # what changes nothing that anybody does waits so long for something to go with

PRESSING = (*BOIL, NoticeKind.POWER_OFF, NoticeKind.NOT_REACHED)
GATHERED = (NoticeKind.POWER_OFF, NoticeKind.SILENT)  # also before a second cabin is known to share it
_HEADS = {
    NoticeKind.NOT_REACHED: "Nobody there was reached: call",
    NoticeKind.POWER_OFF: "Do not use the tap", NoticeKind.RAISED: "Boil water", NoticeKind.EXPOSED: "Keep boiling",
    NoticeKind.SAMPLE_FAILED: "Water sample failed", NoticeKind.SILENT: "Silent", NoticeKind.HEARD: "Heard again",
    NoticeKind.BATTERY_LOW: "Battery low",
    NoticeKind.NEEDS_PEOPLE: "Now it needs people", NoticeKind.READY: "Ready to lift",
    NoticeKind.POWER_BACK: "Light on again", NoticeKind.LIFTED: "Boil notice lifted"}
_TROUBLE = {
    Trouble.POWER_CUT: "Power cut", Trouble.DARK: "Lamps dark", Trouble.SILENCE: "Nothing heard"}
_SENTENCE_ENDS = re.compile(r"(?<=[.?!])\s+(?=[A-Z(])")


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
        What that person was told of each cabin of the event.
    last_told : datetime or None
        When they last were told anything of the event.
    """
    gathered = [one for one in waits if now >= one.due_at + GATHER]
    if not shared:
        return any(one.kind not in GATHERED for one in waits) or bool(gathered)
    if any(one.pressing for one in gathered):
        return True
    free = last_told is None or now >= last_told + UPDATE
    if free and any(_changes_what_they_do(one, told.get(one.cabin, ())) for one in gathered):
        return True
    return any(now >= one.due_at + DIGEST for one in waits)


def _changes_what_they_do(one: Waits, told: Collection[NoticeKind]) -> bool:
    """Whether somebody acts otherwise for it: who is told to keep off a tap keeps off it while nobody hears it."""
    if one.kind is NoticeKind.SILENT:
        off = NoticeKind.POWER_OFF in told and NoticeKind.POWER_BACK not in told
        return not (off or (set(BOIL) & set(told) and NoticeKind.LIFTED not in told))
    if one.kind is NoticeKind.HEARD:  # news for those whom nothing but the silence kept off the tap
        return NoticeKind.SILENT in told and not {NoticeKind.POWER_OFF, *BOIL} & set(told)
    return True


def fold(waits: Sequence[Waits], event: SharedEvent, cabins: Mapping[str, Cabin]) -> tuple[str, str]:
    """Several messages of one event as one: title and body.

    Parameters
    ----------
    waits : sequence of Waits
        In any order.
    cabins : mapping
        Every cabin of the messages.

    Returns
    -------
    tuple of str
        Under a heading for each kind, the gravest first, a line per cabin; what is said alike of all that stand
        there follows once. No sentence is lost.
    """
    first = cabins[min(waits, key=lambda one: (one.due_at, one.cabin)).cabin]
    mine = {one.cabin for one in waits}
    again = "Not confirmed yet: " if any(one.number > 1 for one in waits) else ""
    kinds = [kind for kind in _HEADS if any(one.kind is kind for one in waits)]
    number = {kind: len({one.cabin for one in waits if one.kind is kind}) for kind in kinds}
    what = ", ".join(f"{_HEADS[kind].lower()} at {number[kind]}" for kind in kinds)
    title = f"{again}{_TROUBLE[event.trouble]}: {what}"
    until = f" until {local(event.end, first)}" if event.end else ", and it goes on"
    lines = [f"{_TROUBLE[event.trouble]} since {local(event.start, first)}{until}. "
             f"This is about {_cabins(len(mine))} of yours."]
    for kind in kinds:
        some = sorted((one for one in waits if one.kind is kind), key=lambda one: (cabins[one.cabin].name, one.key))
        said = [_SENTENCE_ENDS.split(one.body) for one in some]
        # the first names the cabin, whose name may hold a full stop
        alike = [one for one in said[0][1:] if len(some) > 1 and all(one in others[1:] for others in said)]
        lines += ["", f"{_HEADS[kind]} ({_cabins(number[kind])}):"]
        for one, sentences in zip(some, said, strict=True):
            repeat = f"Not confirmed yet ({one.number}): " if one.number > 1 else ""
            own = [sentences[0], *(each for each in sentences[1:] if each not in alike)]
            lines.append(f"- {repeat}{' '.join(own)}")
        if alike:
            lines.append(f"For each of these: {' '.join(alike)}")
    return title, "\n".join(lines)


def _cabins(number: int) -> str:
    return "1 cabin" if number == 1 else f"{number} cabins"
