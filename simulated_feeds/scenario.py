"""The scenario: the fleet that is enrolled, and what of each cabin only nature knows."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from importlib.resources import files
from typing import Any

from simulated_feeds.streams import stream

REFERENCE_DATE = date(2026, 11, 25)  # the dates in fleet.toml are as of this day
SENSORS = ("intensity", "flow", "total", "temp", "lit")  # "uvt" only where a cabin says so
FAULTS = ("power-cut", "draw", "link-loss", "lamp-failure", "cloudy")

_FIRST = ("amber", "brook", "copper", "dusk", "elder", "fern", "gull", "hazel", "iron", "juniper", "kettle",
          "lark", "moss", "north", "oak", "pebble", "quiet", "raven", "silver", "tamarack", "umber", "violet",
          "willow", "yarrow")
_SECOND = ("bay", "bend", "cabin", "cove", "dock", "falls", "hollow", "inlet", "island", "knoll", "lookout",
           "meadow", "narrows", "point", "reach", "ridge", "shore", "spit")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Something that goes wrong at a set time, in hours relative to the run's `now`."""

    kind: str
    from_h: float
    until_h: float
    litres: float = 0.0  # of a draw
    absorbance: float = 0.0  # of a cloudy spell, decadic, added. [1/cm]

    def __post_init__(self) -> None:
        if self.kind not in FAULTS:
            raise ValueError(f"fault kind must be one of {', '.join(FAULTS)}; got {self.kind!r}")
        if not self.from_h < self.until_h:
            raise ValueError(f"until_h of {self.kind} must be after from_h {self.from_h}; got {self.until_h}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Nature:
    """What the registry does not know of a cabin. Rates are common practice, no source, unless said."""

    lake: str = ""
    people: int = 3  # when it is occupied
    changeover: int = 5  # weekday, Monday is 0
    always_occupied: bool = False
    empty: bool = False
    source: str = "lake"  # lake, well, spring
    storm_absorbance: float = 0.025  # decadic, added by a common storm. [1/cm]
    foul_per_1000_h: float = 0.02  # sleeve's loss of log transmittance
    hard_water: bool = False  # scale grows faster on a hot, unwashed sleeve
    lamp_wear: float = 1.0  # times the rated loss of log output (80 % at 9,000 h)
    power: str = "grid"  # grid, solar
    panel_w: float = 1200.0
    battery_wh: float = 6000.0
    cuts_per_year: float = 7.0
    link_losses_per_year: float = 10.0
    logger_backup_h: float = 36.0  # how long the logger outlives the power
    router_backup_h: float = 2.0  # how long the link outlives the power
    clock: str = "kept"  # after a reboot: kept, epoch (1970 until set), behind (stood still while dead)
    clock_set_after_s: int = 1500
    sensors: tuple[str, ...] = SENSORS
    next_visit_day: int = 0  # the next service visit comes at least so many days after `now`
    quiet_days: float = 4.0  # no random fault within so many days before `now`, so the demo shows its script
    faults: tuple[Fault, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """One unit with all that its simulation needs; the tables are those of fleet.toml."""

    cabin: str
    unit: str
    time_zone: str
    latitude: float
    longitude: float
    trip: str
    cadence_s: int
    peak_flow_l_min: float
    drawdown_l: float
    gravity_fed: bool
    uvt_pct: float
    dose_target_mj_cm2: float
    lamp_installed: date | None
    cold_plumbing_l: float
    hot_tank_l: float
    reactor: Mapping[str, Any]
    nature: Nature
    share: float  # of the cabin's people who draw through this unit

    @property
    def tick_s(self) -> int:
        """Step of the physics: at most 10 s, divides both the cadence and the day. [s]"""
        return next(step for step in (10, 5, 2, 1) if self.cadence_s % step == 0)

    @classmethod
    def from_tables(
        cls, unit: Mapping[str, Any], reactor: Mapping[str, Any], cabin: Mapping[str, Any], nature: Nature,
        *, share: float = 1.0,
    ) -> Site:
        """A site from the tables `[[cabin.unit]]`, `[[reactor]]`, `[[cabin]]` of fleet.toml."""
        cadence_s = unit.get("cadence_s", 60)
        if cadence_s != int(cadence_s) or not 1 <= cadence_s <= 3600:
            raise ValueError(
                f"cadence_s of {cabin['slug']}/{unit['slug']} must be whole seconds, 1 to 3600, to be "
                f"simulated; got {cadence_s!r}"
            )
        gravity_fed = unit.get("drawdown_l") == "gravity"
        return cls(
            cabin=cabin["slug"], unit=unit["slug"], time_zone=cabin["time_zone"],
            latitude=float(cabin["latitude"]), longitude=float(cabin["longitude"]),
            trip=cabin.get("trip", ""), cadence_s=int(cadence_s),
            peak_flow_l_min=float(unit["peak_flow_l_min"]),
            drawdown_l=0.0 if gravity_fed else float(unit.get("drawdown_l", 0.0)), gravity_fed=gravity_fed,
            uvt_pct=float(unit["uvt_pct"]), dose_target_mj_cm2=float(unit.get("dose_target_mj_cm2", 40.0)),
            lamp_installed=unit.get("lamp_installed"), cold_plumbing_l=float(unit.get("cold_plumbing_l", 0)),
            hot_tank_l=float(unit.get("hot_tank_l", 0)), reactor=dict(reactor), nature=nature, share=share,
        )


def _packaged(name: str) -> str:
    return files("simulated_feeds").joinpath(name).read_text(encoding="utf-8")


def fleet_toml(cabins: int = 12, seed: int = 0, *, now: datetime | None = None) -> str:
    """The registry of the scenario as the text of a fleet.toml.

    Parameters
    ----------
    cabins : int
        How many cabins, at least 1. The first twelve are those of the packaged file; more are drawn by seed.
    seed : int
        Of the cabins beyond twelve.
    now : datetime, optional
        Aware. Lamps and water tests are as old on that day as the packaged file has them on its own; None: as
        packaged.

    Returns
    -------
    str
        TOML that `tarnlight enroll` takes.
    """
    if cabins < 1:
        raise ValueError(f"cabins must be at least 1; got {cabins!r}")
    head, *tables = re.split(r"(?m)^(?=\[\[cabin\]\]|\[\[contact\]\])", _packaged("fleet.toml"))
    packaged = [table for table in tables if table.startswith("[[cabin]]")]
    contacts = [table for table in tables if table.startswith("[[contact]]")]
    chosen = packaged[:cabins]
    kept = {re.search(r'slug = "(.+?)"', table).group(1) for table in chosen}  # type: ignore[union-attr]
    chosen += [_drawn_cabin(number, seed) for number in range(len(packaged), cabins)]
    # a contact of a cabin that is not enrolled would be refused
    contacts = [table for table in contacts if _contact_cabins(table) <= kept]
    text = head + "\n".join(table.rstrip() + "\n" for table in (*chosen, *contacts))
    shift = (now.astimezone(UTC).date() - REFERENCE_DATE) if now else timedelta(0)
    return re.sub(
        r"(?m)^(lamp_installed|uvt_tested) = (\S+)",
        lambda found: f"{found.group(1)} = {date.fromisoformat(found.group(2)) + shift}", text,
    )


def _contact_cabins(table: str) -> set[str]:
    """Cabins that one `[[contact]]` table names; none where the contact is for all."""
    (contact,) = tomllib.loads(table)["contact"]
    return set(contact.get("cabins", []))


def _drawn_cabin(number: int, seed: int) -> str:
    """One more cabin as TOML; `number` counts from 0 over the whole fleet."""
    rng = stream(seed, "cabin", str(number))
    first, second = _FIRST[number % len(_FIRST)], _SECOND[number // len(_FIRST) % len(_SECOND)]
    slug = f"{first}-{second}-{number + 1}"
    reactor, top, drawdown, hot = (("annular-20", 9.0, 20.0, 100.0), ("annular-40", 20.0, 30.0, 160.0))[
        int(rng.random() < 0.6)]
    gravity = reactor == "annular-20" and rng.random() < 0.12
    installed = REFERENCE_DATE - timedelta(days=int(rng.integers(20, 380)))
    shore = int(rng.integers(0, 8))
    return (
        f'[[cabin]]\nslug = "{slug}"\nname = "{first.title()} {second.title()} {number + 1}"\n'
        f'time_zone = "America/Toronto"\nlatitude = {45.0 + 0.35 * shore + 0.1 * rng.random():.4f}\n'
        f"longitude = {-79.0 - 0.3 * (shore % 3) - 0.15 * rng.random():.4f}\n"
        f'altitude_m = {int(rng.integers(200, 560))}\ntrip = "shore-{shore + 1}"\n\n'
        f'[[cabin.unit]]\nslug = "main"\nreactor = "{reactor}"\ndose_target_mj_cm2 = 40.0\n'
        f"uvt_pct = {rng.uniform(79, 93):.1f}\nuvt_tested = {installed}\nlamp_installed = {installed}\n"
        f"cold_plumbing_l = {rng.uniform(9, 26):.1f}\nhot_tank_l = {hot:.1f}\n"
        f"peak_flow_l_min = {top * rng.uniform(0.85, 1.1):.1f}\ncadence_s = 60\n"
        f"drawdown_l = {chr(34) + 'gravity' + chr(34) if gravity else drawdown}\n"
    )


def nature_of(cabin: str, seed: int) -> Nature:
    """What only nature knows of a cabin: as written in nature.toml, or drawn by seed where it is not there."""
    written = tomllib.loads(_packaged("nature.toml")).get(cabin)
    if written is not None:
        faults = tuple(Fault(**one) for one in written.pop("fault", []))
        if "sensors" in written:
            written["sensors"] = tuple(written["sensors"])
        return Nature(**written, faults=faults)
    rng = stream(seed, cabin, "nature")
    solar = rng.random() < 0.35
    return Nature(
        lake=f"Lake {cabin.split('-')[0].title()}", people=int(rng.integers(2, 7)),
        changeover=int(rng.choice([4, 5, 6])), empty=bool(rng.random() < 0.08),
        source=str(rng.choice(["lake", "lake", "well"])), storm_absorbance=float(rng.uniform(0.005, 0.05)),
        foul_per_1000_h=float(rng.lognormal(-4.0, 0.6)), lamp_wear=float(rng.lognormal(0.0, 0.2)),
        power="solar" if solar else "grid", panel_w=float(rng.uniform(700, 1800)),
        battery_wh=float(rng.uniform(3000, 9000)), cuts_per_year=float(rng.uniform(2, 14)),
        logger_backup_h=float(rng.choice([0.0, 36.0, 36.0, 72.0])),
        clock=str(rng.choice(["kept", "kept", "kept", "epoch", "behind"])),
        sensors=(*SENSORS, "uvt") if rng.random() < 0.2 else SENSORS, quiet_days=1.0,
    )


def sites(fleet: Mapping[str, Any], seed: int) -> Iterator[Site]:
    """Every unit of a fleet, ready to be simulated.

    Parameters
    ----------
    fleet : mapping
        A fleet.toml as tomllib reads it.
    seed : int
        For the nature of cabins that nature.toml does not know.

    Raises
    ------
    ValueError
        If a unit names a reactor that is not there, or a cadence that cannot be simulated.
    """
    reactors = {table["name"]: table for table in fleet.get("reactor", [])}
    for cabin in fleet.get("cabin", []):
        units = cabin.get("unit", [])
        nature = nature_of(cabin["slug"], seed)
        whole = sum(unit["peak_flow_l_min"] for unit in units)
        for unit in units:
            if unit["reactor"] not in reactors:
                raise ValueError(
                    f"unit {unit['slug']!r} of cabin {cabin['slug']!r} names the reactor "
                    f"{unit['reactor']!r}; there are: {', '.join(sorted(reactors)) or 'none'}"
                )
            yield Site.from_tables(unit, reactors[unit["reactor"]], cabin, nature,
                                   share=unit["peak_flow_l_min"] / whole)
