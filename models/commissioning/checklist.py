"""What is looked at when a unit is set up, shut down for the season and started again, and what the record says.

An item is done only by a named person's word, and what speaks against it leaves it open whatever was ticked.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from models.advisory.laboratory import Outcome
from models.advisory.work_cautions import BLEACH, PRACTICE, Work
from models.fleet import Reactor, Unit

# A sensor that reads more than so much of the alarm intensity in the dark adds it to every reading; common
# practice, no source.
ZERO_SHARE_OF_ALARM = 0.02
# Records of one season's work lie no further apart than this: the next one begins a new round; common practice, no
# source.
ROUND_GAP = timedelta(days=120)


class Occasion(StrEnum):
    """What the list is for."""

    COMMISSIONING = "commissioning"
    SHUT_DOWN = "shut-down"
    START_UP = "start-up"


OPPOSITE = {Occasion.SHUT_DOWN: Occasion.START_UP, Occasion.START_UP: Occasion.SHUT_DOWN}


class ItemState(StrEnum):
    """What a named person said of an item."""

    DONE = "done"
    NOT_DONE = "not-done"
    NOT_APPLICABLE = "not-applicable"


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing to look at.

    Attributes
    ----------
    key : str
        Its name in the record.
    how : str
        What to do, and why, for whoever stands there.
    source : str
        Where it comes from, with its mark.
    works : frozenset of Work
        Whose cautions go along.
    value : str
        The figure without which it is not done; empty: none is kept.
    unit : str
        Of that figure.
    """

    key: str
    title: str
    how: str
    source: str
    works: frozenset[Work] = frozenset()
    value: str = ""
    unit: str = ""


SENSOR_ZERO, FIRST_READING, FLOW_CHECK = "sensor-zero", "first-reading", "flow-check"
CHLORINATED, SAMPLES = "chlorinated", "samples"
SAMPLES_NEEDED = 2  # SOURCES.md section 6, from memory
_FIRST_FILL = frozenset({Work.FLUSH_HOT, *BLEACH})

CHECKLISTS: Mapping[Occasion, tuple[Item, ...]] = {
    Occasion.COMMISSIONING: (
        Item(key="room", title="Room to pull the lamp", source=PRACTICE,
             how="Measure the free length beside the unit's end: lamp and sleeve come out at their full length."),
        Item(key="level", title="Hung level, or upright", source=PRACTICE,
             how="Hold a spirit level to it: air that stays in the chamber leaves water without its dose."),
        Item(key="valves", title="Valves on either side", source=PRACTICE,
             how="A shut-off before and one after the unit, both of which close; no open way around it."),
        Item(key="metal-pipe", title="Metal pipe where the light leaks",
             source="UV-C makes plastics brittle: from memory (SOURCES.md, section 15)",
             how="The pipe that the lamp's light can reach at both ends is metal, or shaded by a bend of metal."),
        Item(key="prefilter", title="Sediment filter before the unit",
             source="5 um: trade usage, not a standard (SOURCES.md, section 5)",
             how="A cartridge of 5 um or finer stands before the unit, clean and the right way round."),
        Item(key=SENSOR_ZERO, title="Sensor's zero", source=PRACTICE, works=frozenset({Work.CHECK_SENSOR}),
             value="reading in the dark", unit="W/m2",
             how="With the unit unplugged, read what its sensor shows in the dark, and record that number."),
        Item(key="lamp-lit", title="Lamp lit and logged", source=PRACTICE, works=frozenset({Work.SEE_IF_LIT}),
             how="The unit's own light says that the lamp is lit, and its readings arrive here."),
        Item(key=FLOW_CHECK, title="Flow checked with a bucket", source=PRACTICE, value="flow", unit="L/min",
             how="Open the taps that run together, fill a bucket of known size and take the time: no more than the "
             "peak flow enrolled, and what the unit's meter shows."),
        Item(key=CHLORINATED, title="Plumbing behind the unit disinfected",
             source="SOURCES.md, section 7; that new plumbing is chlorinated first: common practice, no source",
             works=_FIRST_FILL,
             how="Disinfect with chlorine once, and flush: what grew in the pipes before, the lamp never sees."),
        Item(key=SAMPLES, title="First samples satisfactory",
             source="two about 24 h apart: SOURCES.md, section 6, from memory",
             how="Have a laboratory test two samples of the tap, about 24 h apart, and record what it found."),
        Item(key=FIRST_READING, title="First reading at 100 h",
             source="output is rated from 100 h on: SOURCES.md, section 8, from memory",
             value="first reading", unit="W/m2",
             how="Once the lamp has burnt for 100 h: its reading, lit and settled, stays the unit's own 100 %."),
    ),
    Occasion.SHUT_DOWN: (
        Item(key="supply-off", title="Supply off", source=PRACTICE,
             how="Switch the pump off at its breaker and shut the valve before the unit."),
        Item(key="lamp-off", title="Lamp's power off", source=PRACTICE, works=frozenset({Work.BALLAST}),
             how="Unplug the unit once no water runs: a lamp that burns in an empty chamber grows hot."),
        Item(key="drained", title="Drained", source=PRACTICE, works=frozenset({Work.DRAIN_TANK}),
             how="Open the highest and the lowest taps and let pipes, pressure tank, hot tank, filter housings and "
             "the unit's chamber run empty."),
        Item(key="sleeve", title="Sleeve emptied and stored", source=PRACTICE,
             works=frozenset({Work.CLEAN_SLEEVE}),
             how="Water that freezes around the sleeve breaks the quartz: take lamp and sleeve out, or see that "
             "the chamber is dry; clean the sleeve and keep both dry."),
        Item(key="frost", title="Frost protection", source=PRACTICE, works=frozenset({Work.FROST_PROTECTION}),
             how="Blow traps, low pipes and the sensor's port empty with air, or protect them as local code "
             "allows; where heat stays on, see that it comes on."),
        Item(key="notice", title="Notice at the taps", source=PRACTICE,
             how="A notice says that the water is off, and that none is drunk before the start-up is finished."),
    ),
    Occasion.START_UP: (
        Item(key="sleeve", title="Sleeve clean and tight", source=PRACTICE,
             works=frozenset({Work.CLEAN_SLEEVE}),
             how="Look for cracks, clean the sleeve, fit it with new seals, and see that nothing drips."),
        Item(key="filters", title="Filters changed", source=PRACTICE, works=frozenset({Work.OPEN_HOUSING}),
             how="New cartridges before the unit: what stood in them all winter has grown."),
        Item(key="filled", title="Filled slowly, air let out", source=PRACTICE,
             how="Shut the drains, open the highest tap, and fill until no air comes; then look for leaks."),
        Item(key="lamp-warm", title="Lamp lit and warm", source="warm-up: SOURCES.md, section 8, from memory",
             works=frozenset({Work.SEE_IF_LIT}),
             how="Plug the unit in with the taps shut, and wait for its warm-up before any water is drawn."),
        Item(key="flushed", title="Flushed", source="SOURCES.md, section 14", works=frozenset({Work.FLUSH_HOT}),
             how="Run every cold tap, then every hot tap, until what stood in pipes and tank is gone; antifreeze "
             "first of all, where there was some."),
        Item(key=CHLORINATED, title="Plumbing disinfected", source="SOURCES.md, section 7", works=_FIRST_FILL,
             how="Disinfect with chlorine and rinse it out. The lamp stays lit."),
        Item(key=SAMPLES, title="Samples satisfactory",
             source="two about 24 h apart: SOURCES.md, section 6, from memory",
             how="Have a laboratory test two samples of the tap, about 24 h apart, and record what it found."),
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One record of an item: what a named person said of it, and when that was so."""

    occasion: Occasion
    item: str
    state: ItemState
    at: datetime
    who: str
    value: float | None = None
    note: str = ""
    recorded_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What else is on record of a unit, that can speak against a tick.

    Attributes
    ----------
    samples : tuple of (taken at, outcome)
        Results of a laboratory that nobody withdrew, in any order.
    chlorinated_at : datetime or None
        The latest service record that the plumbing was chlorinated; None: none is.
    samples_apart : timedelta
        How far apart two samples have to be, by the fleet's own rule for advisories.
    """

    samples: tuple[tuple[datetime, Outcome], ...] = ()
    chlorinated_at: datetime | None = None
    samples_apart: timedelta = timedelta(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """An item with what is on record of it.

    Attributes
    ----------
    entry : Entry or None
        The latest that counts; None: nobody said anything.
    doubt : str
        What speaks against it, in words; empty: nothing.
    """

    item: Item
    entry: Entry | None
    doubt: str = ""

    @property
    def open(self) -> bool:
        """Whether something is still to be done: it is, unless somebody said otherwise and nothing contradicts."""
        return self.entry is None or self.entry.state is ItemState.NOT_DONE or bool(self.doubt)


def item_of(occasion: Occasion, key: str) -> Item:
    """The item of that key.

    Raises
    ------
    ValueError
        If the list has no such item; the message names those that it has.
    """
    for one in CHECKLISTS[occasion]:
        if one.key == key:
            return one
    known = ", ".join(one.key for one in CHECKLISTS[occasion])
    raise ValueError(f"the list of {occasion} has no item {key!r}; it has: {known}")


def standing_entries(occasion: Occasion, entries: Iterable[Entry], now: datetime) -> dict[str, Entry]:
    """The latest entry of each item that counts for this occasion; a later word replaces an earlier one.

    Commissioning is done once. A season's list begins anew with the other season, and where more than `ROUND_GAP`
    lies between one record and the next, or between the last one and now: last year's ticks say nothing of this
    year.
    """
    told = sorted(entries, key=lambda one: (one.at, one.recorded_at))
    mine = [one for one in told if one.occasion is occasion]
    if occasion in OPPOSITE:
        other = [one.at for one in told if one.occasion is OPPOSITE[occasion]]
        mine = _last_round([one for one in mine if not other or one.at > max(other)], now)
    return {one.item: one for one in mine}


def _last_round(entries: list[Entry], now: datetime) -> list[Entry]:
    """Of entries in order of time, those of the round that goes on at `now`."""
    out: list[Entry] = []
    following = now
    for one in reversed(entries):
        if following - one.at > ROUND_GAP:
            break
        out.append(one)
        following = one.at
    return out[::-1]


def lines(
    occasion: Occasion, entries: Iterable[Entry], now: datetime, *, reactor: Reactor, unit: Unit, facts: Facts
) -> tuple[Line, ...]:
    """Every item of a list with what is on record of it, in the order of the work.

    Parameters
    ----------
    entries : iterable of Entry
        All of this unit, of any occasion.
    facts : Facts
        What the records of service and of the laboratory say.
    """
    entries = tuple(entries)
    told = standing_entries(occasion, entries, now)
    since = _since(occasion, entries, told)
    out = []
    for item in CHECKLISTS[occasion]:
        entry = told.get(item.key)
        done = entry is not None and entry.state is ItemState.DONE
        doubt = _doubt(item, entry, reactor, unit, facts, since) if entry and done else ""
        out.append(Line(item=item, entry=entry, doubt=doubt))
    return tuple(out)


def _since(occasion: Occasion, entries: Iterable[Entry], told: Mapping[str, Entry]) -> datetime | None:
    """From when on a sample or a chlorination belongs to this work: some were recorded before the first tick."""
    if not told:
        return None
    began = min(one.at for one in told.values()) - ROUND_GAP
    other = [one.at for one in entries if one.occasion is OPPOSITE.get(occasion)]
    return max([began, *other])


def _doubt(
    item: Item, entry: Entry, reactor: Reactor, unit: Unit, facts: Facts, since: datetime | None
) -> str:
    """What speaks against an item that somebody called done."""
    value = math.nan if entry.value is None else entry.value
    if item.value and math.isnan(value):
        return f"its {item.value} in {item.unit} was not recorded"
    if item.key == SENSOR_ZERO:
        most = ZERO_SHARE_OF_ALARM * reactor.alarm_intensity_w_m2
        return "" if abs(value) <= most else (
            f"the sensor reads {value:g} W/m2 in the dark, more than {most:.2g}: it adds that to every reading, so "
            "have the sensor checked")
    if item.key == FLOW_CHECK and value > unit.peak_flow_l_min:
        return "that is more than the peak flow enrolled: enrol what the supply gives, or have the flow held back"
    if item.key == CHLORINATED and not _within(facts.chlorinated_at, since):
        return "no chlorination is on record of service since then"
    if item.key == SAMPLES:
        return _sample_doubt(facts, since)
    return ""


def _within(at: datetime | None, since: datetime | None) -> bool:
    return at is not None and (since is None or at >= since)


def _sample_doubt(facts: Facts, since: datetime | None) -> str:
    """Two satisfactory samples so far apart, and none worse after them."""
    told = sorted(one for one in facts.samples if _within(one[0], since))
    if not told:
        return "no laboratory's result is on record of this work"
    if told[-1][1] is not Outcome.SATISFACTORY:
        return f"the latest result on record is: {str(told[-1][1]).replace('-', ' ')}"
    fine = [at for at, outcome in told if outcome is Outcome.SATISFACTORY]
    if fine[-1] - fine[0] < facts.samples_apart or len(fine) < SAMPLES_NEEDED:
        return f"{SAMPLES_NEEDED} satisfactory samples, far enough apart, are not on record"
    return ""
