"""What the page of a shared event says, as pure functions: its cabins, the steps of each, who did them and when."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.text.measures import local
from ingest.record.advisory_log import KeptAdvisory
from models.advisory import SENSOR_STEPS, STEP_WORDS, Step, StepStatus
from models.advisory.shared_event import SharedEvent, Trouble
from models.fleet import Cabin, Fleet

TROUBLE_WORDS = {
    Trouble.POWER_CUT: "power cut", Trouble.DARK: "lamps dark, power not known", Trouble.SILENCE: "silence"}
NOT_ASKED = "– not asked"


def event_title(event: SharedEvent, fleet: Fleet) -> str:
    """What happened, where and when."""
    zone = fleet.cabin(event.members[0].cabin).zone
    line = f" on {event.supply_line}" if event.supply_line else ""
    until = f"to {local(event.end, zone)}" if event.end else "and it goes on"
    words = TROUBLE_WORDS[event.trouble]
    return f"{words[0].upper()}{words[1:]}{line} at {len(event.cabins)} cabins, {local(event.start, zone)} {until}"


def place_words(one: KeptAdvisory, fleet: Fleet) -> str:
    """Whose advisory it is, always by both names, with its number."""
    return f"{fleet.cabin(one.cabin).name}, {one.unit} ({one.id})"


def step_headers(found: Sequence[KeptAdvisory]) -> tuple[Step, ...]:
    """Every step that any of them asks for, in the order of work."""
    asked = {step for one in found for step in one.advisory.steps}
    return tuple(step for step in Step if step in asked)


def event_row(one: KeptAdvisory, steps: Sequence[Step], fleet: Fleet) -> tuple[str, ...]:
    """A cabin's row: done or open by shape and word, who and when."""
    known = {status.code: status for status in one.advisory.statuses}
    cabin = fleet.cabin(one.cabin)
    return (place_words(one, fleet), *(
        _cell(known[step], one, cabin) if step in known else NOT_ASKED for step in steps))


def headers(steps: Sequence[Step]) -> tuple[str, ...]:
    """Of such rows."""
    return ("Cabin", *(STEP_WORDS[step] for step in steps))


def _cell(status: StepStatus, one: KeptAdvisory, cabin: Cabin) -> str:
    if not status.done:
        return "☐ open"
    record = next((each for each in one.advisory.records if each.step is status.code), None)
    who = record.by if record is not None else "the sensors" if status.code in SENSOR_STEPS else ""
    when = f"{status.since.astimezone(cabin.zone):%a %d %b %H:%M}" if status.since is not None else ""
    return f"✓ done: {', '.join(part for part in (who, when) if part)}"
