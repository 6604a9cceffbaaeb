"""What is said of a unit that is set up, shut down or started again: headline, rows of tables, sentences."""

from __future__ import annotations

import math
from datetime import datetime

from dashboard.text import measures
from dashboard.text.measures import UNKNOWN, Units
from dashboard.text.step_facts import bleach_words
from ingest.outlook.commissioning import Commissioning, Transmittance
from models.commissioning import END_OF_LIFE_OUTPUT, Entry, Frost, FrostRisk, Item, ItemState, Line, Occasion
from models.commissioning.checklist import CHLORINATED, FLOW_CHECK
from models.commissioning.frost import NEAR_C
from models.fleet import Unit
from models.water_quality import MG_L_PER_GRAIN, Limit, Mark, WaterFinding

OCCASION_WORDS = {
    Occasion.COMMISSIONING: "Commissioning", Occasion.SHUT_DOWN: "Seasonal shut-down",
    Occasion.START_UP: "Seasonal start-up",
}
STATE_WORDS = {
    ItemState.DONE: "done", ItemState.NOT_DONE: "not done", ItemState.NOT_APPLICABLE: "not applicable",
}
NOT_ACCEPTANCE = (
    "This record does not replace the acceptance by the local health authority, or by whoever local code asks for. "
    "It raises and lifts nothing: an advisory that stands goes on standing until a named person lifts it.")
UNTIL_THEN = {
    Occasion.COMMISSIONING:
        "Of a unit that is newly set up, drink no water until this is finished and the local authority has "
        "accepted it: boil it at a rolling boil, or use bottled water.",
    Occasion.SHUT_DOWN:
        "A shut-down that is recorded here stops no warning: a unit that is dark or silent is still called so.",
    Occasion.START_UP:
        "After a shut-down, drink no water until the start-up is finished: boil it at a rolling boil, or use "
        "bottled water.",
}
LINE_HEADERS = ("Item", "On record", "To do, and where that comes from")
WATER_HEADERS = ("Quantity", "Measured", "Limit, and where it comes from", "State")
ENTRY_HEADERS = ("When", "Item", "State", "Who", "Figure", "Note")


def headline(found: Commissioning, name: str) -> str:
    """Where it stands, in one sentence."""
    what = OCCASION_WORDS[found.occasion]
    if found.finished:
        return f"{name}: {what.lower()} finished"
    left = f"{len(found.open)} of {len(found.lines)} items open"
    if not found.begun:
        return f"{name}: nothing of this {what.lower()} is on record"
    return f"{name}: {what.lower()} not finished, {left}"


def open_words(found: Commissioning) -> list[str]:
    """What still keeps it from being finished."""
    out = [f"Open: {', '.join(one.item.title.lower() for one in found.open)}."] if found.open else []
    if found.occasion is Occasion.COMMISSIONING:
        out += found.water.words  # also where all limits are kept: that this says nothing of fitness to drink
        if not found.size.enough:
            out.append("The unit is not large enough for its supply.")
    return out


def line_row(one: Line, found: Commissioning, units: Units) -> tuple[str, ...]:
    """A row with `LINE_HEADERS`; what to do is told while it is open."""
    return (one.item.title, record_words(one, found, units), how_words(one, found.unit) or f"[{one.item.source}]")


def record_words(one: Line, found: Commissioning, units: Units) -> str:
    """What is on record of an item, by whom and when."""
    return "; ".join(filter(None, (state_words(one, units), said_by(one.entry, found))))


def how_words(one: Line, unit: Unit) -> str:
    """What to do of an item, how much of it, and where that comes from; empty once it is done."""
    if not one.open:
        return ""
    much = f" How much bleach: {bleach_words(unit)}." if one.item.key == CHLORINATED else ""
    return f"{one.item.how}{much} [{one.item.source}]"


def state_words(one: Line, units: Units) -> str:
    """What is on record of an item, and what speaks against it."""
    if one.entry is None:
        return "OPEN: nothing on record"
    value = figure_words(one.item, one.entry.value, units)
    word = STATE_WORDS[one.entry.state] + (f", {value}" if value else "")
    if one.doubt:
        return f"OPEN: called {word}, but {one.doubt}"
    return f"OPEN: {word}" if one.open else word


def figure_words(item: Item, value: float | None, units: Units) -> str:
    """The figure of an item in the reader's units; empty: there is none."""
    if value is None:
        return ""
    return measures.flow(value, units) if item.key == FLOW_CHECK else f"{value:g} {item.unit}"


def said_by(entry: Entry | None, found: Commissioning) -> str:
    """Who said it, when, and with which note."""
    if entry is None:
        return ""
    note = f" ({entry.note})" if entry.note else ""
    return f"{entry.who}, {measures.local(entry.at, found.cabin.zone)}{note}"


def entry_rows(found: Commissioning, titles: dict[tuple[Occasion, str], Item], units: Units, most: int
               ) -> list[tuple[str, ...]]:
    """All that was said of any list, newest first, with `ENTRY_HEADERS`."""
    return [(
        measures.local(one.at, found.cabin.zone),
        f"{OCCASION_WORDS[one.occasion]}: {titles[one.occasion, one.item].title.lower()}", STATE_WORDS[one.state],
        one.who, figure_words(titles[one.occasion, one.item], one.value, units), one.note,
    ) for one in found.entries[::-1][:most]]


def quantity(value: float | None, limit: Limit) -> str:
    """A figure of the water; hardness in both usual units."""
    if value is None:
        return UNKNOWN
    unit = f" {limit.unit}" if limit.unit else ""
    grains = f" ({value / MG_L_PER_GRAIN:.1f} grains per US gallon)" if limit.name == "hardness_mg_l" else ""
    return f"{value:.4g}{unit}{grains}"


def water_row(one: WaterFinding, found: Commissioning) -> tuple[str, ...]:
    """A row with `WATER_HEADERS`; what nobody measured is not known, and never passes."""
    limit = f"{one.limit.side} {quantity(one.limit.value, one.limit)}: {source_words(one.limit)}"
    return (one.limit.title, _measured(one, found), limit, water_state(one))


def water_state(one: WaterFinding) -> str:
    """Whether a limit is kept, and what to do where it is not, or nobody knows."""
    if one.kept:
        return "kept"
    if one.kept is False:
        return f"NOT KEPT: it {one.limit.effect}. {one.limit.remedy}"
    where = "with the service, as water-tested" if one.limit.name == "uvt_pct" else "here"
    return f"NOT KNOWN. Have the water before the unit tested, and record it {where}."


def _measured(one: WaterFinding, found: Commissioning) -> str:
    """The figure, by whom and when."""
    if one.limit.name == "uvt_pct":
        return f"{found.transmittance.uvt_pct:.4g} %, {transmittance_words(found.transmittance)}"
    figure = found.figures.get(one.limit.name)
    if figure is None:
        return UNKNOWN
    note = f", {figure.note}" if figure.note else ""
    return (f"{quantity(figure.value, one.limit)}, {figure.who}, {measures.local(figure.at, found.cabin.zone)}"
            f"{note}")


def source_words(limit: Limit) -> str:
    """Where a limit comes from, with its mark."""
    if limit.mark is Mark.ENROLLED:
        return limit.source
    memory = ", from memory" if limit.mark is Mark.MEMORY else ""
    return f"{limit.source}{memory} (SOURCES.md, section 5)"


def transmittance_words(one: Transmittance) -> str:
    """How the transmittance is known."""
    if one.live:
        return "by its own sensor of late"
    if math.isnan(one.age_days):
        return "as enrolled; nobody said when it was tested"
    days = round(one.age_days)
    return "tested today" if days <= 0 else f"tested {days} day{'s' if days > 1 else ''} ago"


def size_words(found: Commissioning, units: Units) -> list[str]:
    """The unit against its supply, in sentences; the first says whether it is large enough."""
    size = found.size
    lamp = (f"With a lamp at the end of its life ({100 * END_OF_LIFE_OUTPUT:.0f} % of its output at 100 h) and "
            "nothing on its sleeve")
    water = f"water of {size.uvt_pct:.4g} % ({transmittance_words(found.transmittance)})"
    peak = measures.flow(size.peak_flow_l_min, units)
    if size.outside:
        first = (f"NOT KNOWN TO BE LARGE ENOUGH. {lamp} nothing is promised: {'; '.join(size.outside)}.")
    else:
        word = "Large enough" if size.enough else "NOT LARGE ENOUGH"
        first = (f"{word}. {lamp}, {water} gets at least {measures.dose_low(size.dose_low_mj_cm2)} at the peak of "
                 f"{peak} (best estimate {measures.dose(size.dose_mj_cm2)}); its target is "
                 f"{measures.dose(size.dose_target_mj_cm2)}.")
    most = "no flow" if size.most_flow_l_min <= 0 else f"at most {measures.flow(size.most_flow_l_min, units)}"
    out = [first, f"Such a lamp reads {size.intensity_w_m2:.1f} W/m2, and carries {most} in this water."]
    if not math.isnan(size.least_uvt_pct):
        out.append(f"At the peak the water may be as cloudy as {_up_tenth(size.least_uvt_pct):g} %.")
    if size.below_alarm:
        out.append(f"That is below the alarm intensity of {found.reactor.alarm_intensity_w_m2:g} W/m2: the alarm "
                   "comes before the lamp is that weak.")
    if not size.enough:
        out.append("Have the flow held back, the water made clearer, or a larger unit fitted.")
    return out


def _up_tenth(value: float) -> float:
    """Rounded up to a tenth: a least value is never told too low."""
    return math.ceil(round(value * 10, 6)) / 10


def first_words(found: Commissioning) -> list[str]:
    """The unit's own 100 %, and what is left of it."""
    out = []
    if found.first_w_m2 is None:
        out.append("No first reading is kept as this unit's own 100 %.")
    elif found.now_pct is None:
        out.append(f"Its first reading is {found.first_w_m2:g} W/m2; what it reads now is not known.")
    else:
        out.append(f"It now reads {found.now_pct:.0f} % of its first reading ({found.now_w_m2:g} of "
                   f"{found.first_w_m2:g} W/m2): lamp, sleeve and water together.")
    one = found.proposed
    if one is None:
        out.append("No day at 100 h of its present lamp is on record here: read it off and type it.")
    elif found.first_w_m2 is None:
        out.append(f"By its own record the first reading is {one.intensity_w_m2:g} W/m2: the median of "
                   f"{one.days} day{'s' if one.days > 1 else ''} from {found.proposed_on}, lit and settled, the "
                   f"lamp {one.lamp_hours:.0f} h old.")
    return out


def frost_words(risk: FrostRisk, now: datetime, units: Units) -> str:
    """What the water's temperature says of frost; where it says nothing, that."""
    colder = "Pipes in a wall, outside or under a floor are colder than the water at the unit."
    if risk.frost is Frost.NOT_KNOWN or risk.temp_c is None:
        heard = f"the latest was {measures.age(risk.at, now)}" if risk.at else "none of the last ten days"
        return f"Frost: not known. No temperature of the water of the last day is on record ({heard})."
    temp = f"{measures.temperature(risk.temp_c, units)} ({measures.age(risk.at, now)})"
    near = measures.temperature(NEAR_C, units)
    if risk.frost is Frost.FREEZING:
        return f"FROST: the water is at {temp}. What stands in the pipes may freeze now. {colder}"
    if risk.frost is Frost.NEAR and risk.temp_c <= NEAR_C:
        return f"FROST IS NEAR: the water is at {temp}, at or below {near} (common practice, no source). {colder}"
    pace = "" if risk.days_to_near is None else (
        f" At the pace of the last days it is at {near} in about {max(1, round(risk.days_to_near))} days.")
    word = "FROST IS NEAR" if risk.frost is Frost.NEAR else "Frost is not near by the water's temperature"
    return f"{word}: it is at {temp}.{pace} {colder}"
