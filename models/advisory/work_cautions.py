"""What can hurt whoever works on a unit, and whoever drinks after: each caution once, with its source.

Whatever says a work (a plan of trips, a step, a message) asks here by the work and shows what it gets, once a page.
Marks: "seen" means read in a copy of the source, by the numbers of SOURCES.md; "from memory", known and not read
again; "common practice, no source", what the trade does. Local codes and licensed trades go before all of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from models.advisory.events import How, Step
from models.wording import joined, worded

PLUMBING_LIMIT_MG_L = 200.0  # of chlorine; more attacks seals and metals (from memory)
DRINKABLE_MG_L = 4.0  # most chlorine at a tap, 40 CFR 141.65 (from memory)
PRACTICE = "common practice, no source"


class Work(StrEnum):
    """What somebody is asked to do."""

    SEE_IF_LIT = "see whether the lamp is lit"
    SWAP_LAMP = "swap the lamp"
    CLEAN_SLEEVE = "clean the sleeve"
    OPEN_HOUSING = "open a housing, change a filter"
    CHECK_SENSOR = "check a sensor"
    CHECK_VALVE = "look at the shut-off valve"
    BALLAST = "work at the ballast"
    FLUSH_HOT = "flush hot water"
    HEAT = "heat the water"
    DRAIN_TANK = "drain a tank"
    CHLORINATE = "disinfect with chlorine"
    FILL_WITH_BLEACH = "fill the plumbing with bleach"
    FROST_PROTECTION = "protect the plumbing from frost"


LAMP_OUT = frozenset({Work.SWAP_LAMP, Work.CLEAN_SLEEVE})
WET = LAMP_OUT | {Work.OPEN_HOUSING, Work.CHECK_SENSOR, Work.CHECK_VALVE}
UNIT = WET | {Work.BALLAST}
HOT = frozenset({Work.FLUSH_HOT, Work.HEAT, Work.DRAIN_TANK})
BLEACH = frozenset({Work.CHLORINATE, Work.FILL_WITH_BLEACH})
FILL = frozenset({Work.FILL_WITH_BLEACH})


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One caution.

    Attributes
    ----------
    words : str
        A sentence or two that stand alone.
    works : frozenset of Work
        To which works it belongs.
    source : str
        Where it comes from, with its mark.
    brief : str
        The same in a few words for a message on a telephone; empty where a message leaves it to the page.
    afterwards : bool
        It still holds once the work is done.
    """

    words: str
    works: frozenset[Work]
    source: str
    brief: str = ""
    afterwards: bool = False


CAUTIONS = (  # in the order in which they are needed
    Caution(
        words="Before anything is opened: power off and unplugged.", works=UNIT,
        brief=worded("power off and unplugged before anything is opened"),
        source="from memory: 29 CFR 1910.147(a)(2)(iii)(A), plug pulled and in sight of whoever works"),
    Caution(
        words="Never look at a lit lamp: its UV-C light harms eyes and skin.", works=UNIT | {Work.SEE_IF_LIT},
        brief=worded("never look at a lit lamp"),
        source="from memory: ICNIRP, limits of exposure to ultraviolet radiation, Health Physics 87(2), 2004"),
    Caution(
        words="The unit's own light or display says whether the lamp is lit: open nothing to see it.",
        works=frozenset({Work.SEE_IF_LIT}), source=PRACTICE),
    Caution(
        words="Keep your hands and the floor dry at the ballast and its plug.", works=UNIT, source=PRACTICE),
    Caution(
        words="Shut the water off on both sides and let the pressure out before you loosen anything.", works=WET,
        brief=worded("water shut off and pressure let out"), source=PRACTICE),
    Caution(
        words="Let the lamp cool. Hold it by its ends, with a clean cloth or gloves, and keep it dry.",
        works=LAMP_OUT, source=PRACTICE),
    Caution(
        words="Quartz breaks, lamp and sleeve alike: wear gloves and safety glasses, force nothing.",
        works=LAMP_OUT, source=PRACTICE),
    Caution(
        words="A broken lamp holds mercury: air the room, use no vacuum cleaner, dispose of the pieces as local "
        "rules say.", works=LAMP_OUT, brief=worded("a broken lamp holds mercury: air the room"),
        source="from memory: US EPA, cleaning up a broken fluorescent lamp"),
    Caution(
        words="The old lamp holds mercury too: dispose of it as local rules say.",
        works=frozenset({Work.SWAP_LAMP}), afterwards=True,
        source="from memory: 40 CFR 273.5 (lamps as universal waste)"),
    Caution(
        words="What was opened is dosed again, or chlorinated and flushed, before anybody drinks from it.",
        works=WET, afterwards=True, source=PRACTICE),
    Caution(
        words="Until the valve was seen to close with the power off, it keeps no water back: while the lamp is "
        "dark, draw none to drink.", works=frozenset({Work.CHECK_VALVE}), source=PRACTICE),
    Caution(
        words="Ask the local health authority before you chlorinate; where local code asks for a licensed person, "
        "let one do it.", works=BLEACH, source=PRACTICE),
    Caution(
        words="Plain, unscented household bleach only, with its strength on the label, less than 3 months old.",
        works=BLEACH, source="seen: S53 (3 months); plain and unscented from memory"),
    Caution(
        words="Never mix bleach with acids, ammonia, cleaners or other chemicals: that makes poisonous gas.",
        works=BLEACH, brief=worded("never mix bleach with acids or ammonia"), source="seen: S55"),
    Caution(
        words="Wear goggles and gloves, air the room, and never climb into a well pit.", works=BLEACH,
        brief=worded("air the room"), source="seen: S55; airing from memory"),
    Caution(
        words="Switch the power off before you open a well cap.", works=FILL, source="seen: S55"),
    Caution(
        words="Heater off before a tank is drained, electric at its breaker, gas at its valve, and on again only "
        "when it is full.",
        works=frozenset({Work.DRAIN_TANK}), brief=worded("heater off before a tank is drained"), source=PRACTICE),
    Caution(
        words="What runs out of a tank's drain scalds until it has cooled: lead it away by a hose that bears the "
        "heat.",
        works=frozenset({Work.DRAIN_TANK}), source=PRACTICE),
    Caution(
        words="Turn the water heater off and let it cool, or drain and refill it with cold water: bleach does not "
        "work in hot water.", works=FILL, source="seen: S56"),
    Caution(
        words="Water of 60 C (140 F) and more scalds in seconds: open hot taps slowly, keep hands and children "
        "away.", works=HOT, brief=worded("hot water scalds"),
        source="from memory: US Consumer Product Safety Commission 5098, 6 s at 60 C and 2 s at 66 C for adults"),
    Caution(
        words="Before a tank is heated, see that its relief valve is there and free, and never plug it: it opens "
        "near 99 C (210 F).", works=frozenset({Work.HEAT}), brief=worded("leave the tank's relief valve free"),
        source="from memory: ANSI Z21.22, 210 F and 150 psi"),
    Caution(
        words="Set the heater by its own dial and open no cover: behind it is mains voltage, or a burner.",
        works=frozenset({Work.HEAT}), source=PRACTICE),
    Caution(
        words="Set the heater back when the hot taps have run. Until it has cooled, no child is left alone at a "
        "tap or bath.", works=frozenset({Work.HEAT}), afterwards=True, source=PRACTICE),
    Caution(
        words="While the tank is heated, every hot tap runs hotter: tell all who are in the cabin.",
        works=frozenset({Work.HEAT}), source=PRACTICE),
    Caution(
        words="Bypass carbon filters and softeners, and take filter cartridges out.", works=FILL,
        source="from memory (SOURCES.md, section 7)"),
    Caution(
        words=f"No more than {PLUMBING_LIMIT_MG_L:g} mg/L in the plumbing: more attacks seals and metals and works "
        "no better, because it makes the water alkaline.", works=FILL,
        source="seen: S53 (alkaline); the limit from memory"),
    Caution(
        words="Draw chlorinated water to every cold and hot tap until it smells of chlorine, then close them.",
        works=FILL, source="from memory (SOURCES.md, section 7)"),
    Caution(
        words="Nobody drinks, cooks or bathes with chlorinated water until it is flushed out.", works=BLEACH,
        afterwards=True, source="seen: S55, S54"),
    Caution(
        words="Do not flush it into the septic system, a stream, the lake or a lawn; ask what local code allows.",
        works=FILL, afterwards=True, source="from memory (SOURCES.md, section 7)"),
    Caution(
        words=f"Flush until the chlorine is below {DRINKABLE_MG_L:g} mg/L, sample for coliforms as the advisory "
        "says, and once more after 1 to 2 weeks.", works=FILL, afterwards=True,
        source="from memory: 40 CFR 141.65; the weeks from memory"),
    Caution(
        words="Antifreeze only of the kind sold for drinking water pipes (propylene glycol): that of cars "
        "(ethylene glycol) is poisonous.",
        works=frozenset({Work.FROST_PROTECTION}), source="from memory (SOURCES.md, section 15)"),
    Caution(
        words="Whatever antifreeze went in is flushed out at every tap before anybody drinks.",
        works=frozenset({Work.FROST_PROTECTION}), afterwards=True, source=PRACTICE),
    Caution(
        words="Chlorine does not control Cryptosporidium: the lamp has to be back at its dose before you begin.",
        works=FILL, source="from memory (SOURCES.md, section 6)"),
)

# Names of tasks as plans say them (`ingest.outlook.visit_tasks`, `models.lamp.diagnosis.Action`).
TASK_WORKS: Mapping[str, frozenset[Work]] = {
    "swap lamp": frozenset({Work.SWAP_LAMP}), "clean sleeve": frozenset({Work.CLEAN_SLEEVE}),
    "change filter": frozenset({Work.OPEN_HOUSING}), "check sensor": frozenset({Work.CHECK_SENSOR}),
    "see why nothing is heard": frozenset({Work.SEE_IF_LIT, Work.BALLAST}), "test water": frozenset(),
    "look at the valve": frozenset({Work.CHECK_VALVE}),
    # work of an advisory (`models.advisory.site_work`)
    "see whether the lamp is lit": frozenset({Work.SEE_IF_LIT}),
    "flush the cold pipes": frozenset(), "flush the hot tank": frozenset({Work.FLUSH_HOT}),
    "drain and refill the hot tank": frozenset({Work.FLUSH_HOT, Work.DRAIN_TANK}),
    "clean the hot tank": frozenset({Work.FLUSH_HOT, Work.DRAIN_TANK, Work.HEAT}),  # by whichever way
    "heat the hot tank": frozenset({Work.FLUSH_HOT, Work.DRAIN_TANK, Work.HEAT}),
    "disinfect with chlorine": BLEACH, "rinse the chlorine out": frozenset({Work.CHLORINATE, Work.FLUSH_HOT}),
    "take the first sample": frozenset(), "take the second sample": frozenset(),
    "see that the boil notice hangs": frozenset(), "take the boil notice down": frozenset(),
}
STEP_WORKS: Mapping[Step, frozenset[Work]] = {
    Step.LAMP_LIT: frozenset({Work.SEE_IF_LIT}),
    Step.FLUSH_HOT: frozenset({Work.FLUSH_HOT, Work.DRAIN_TANK, Work.HEAT}),  # by whichever way
    Step.DISINFECT: frozenset({Work.CHLORINATE}),
}
WAY_WORKS: Mapping[How, frozenset[Work]] = {
    How.FLUSHED: frozenset({Work.FLUSH_HOT}), How.DRAINED: frozenset({Work.FLUSH_HOT, Work.DRAIN_TANK}),
    How.HEATED: frozenset({Work.FLUSH_HOT, Work.DRAIN_TANK, Work.HEAT}),
    How.CHLORINATED: frozenset({Work.FLUSH_HOT, *BLEACH}),
}
RECORD_WORKS: Mapping[str, frozenset[Work]] = {  # kinds of `tarnlight service record`
    "lamp-swapped": frozenset({Work.SWAP_LAMP}), "sleeve-cleaned": frozenset({Work.CLEAN_SLEEVE}),
    "filter-changed": frozenset({Work.OPEN_HOUSING}), "sensor-checked": frozenset({Work.CHECK_SENSOR}),
    "uvt-sensor-checked": frozenset(),
    "chlorinated": BLEACH, "valve-checked": frozenset({Work.CHECK_VALVE}),
}


def cautions(works: Iterable[Work], *, afterwards: bool = False) -> tuple[Caution, ...]:
    """The cautions of these works, in the order in which they are needed, none twice.

    Parameters
    ----------
    works : iterable of Work
        May be empty, and may name a work twice.
    afterwards : bool
        Only those that still hold once the work is done.
    """
    wanted = frozenset(works)
    return tuple(one for one in CAUTIONS if one.works & wanted and (one.afterwards or not afterwards))


def sentences(works: Iterable[Work], *, afterwards: bool = False) -> tuple[str, ...]:
    """The same as sentences."""
    return tuple(one.words for one in cautions(works, afterwards=afterwards))


def brief(works: Iterable[Work]) -> str:
    """The gravest of them in one sentence for a message; empty where the works have none."""
    told = joined(*(one.brief for one in cautions(works)), between="; ")
    return worded("Take care: {told}.", told=told) if told else ""


def works_of_tasks(tasks: Iterable[str]) -> frozenset[Work]:
    """Works behind the tasks of a plan ("annex: swap lamp unless it then reads 31 W/m2 or more").

    A task that nobody has sorted yet counts as every work at the unit: rather a caution too many.
    """
    return frozenset[Work]().union(*(_works_of_task(one) for one in tasks))


def works_of_steps(steps: Iterable[Step]) -> frozenset[Work]:
    """Works behind steps of an advisory."""
    return frozenset[Work]().union(*(STEP_WORKS.get(step, frozenset()) for step in steps))


def _works_of_task(task: str) -> frozenset[Work]:
    """Works behind one task."""
    known = [works for name, works in TASK_WORKS.items() if name in task]
    return frozenset[Work]().union(*known) if known else UNIT
