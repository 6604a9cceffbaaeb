"""What is enrolled: reactors, cabins, their units, and the people to tell.

Frozen values, checked when made. `fleet.toml` and the store hold the same names (see README, "The registry").
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import NoReturn
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from models.advisory.events import StepPolicy
from models.advisory.laboratory import WEEKDAYS, LaboratoryPolicy
from models.doors import Topic, Topics
from models.registers import Controller
from models.wording import ENGLISH, LANGUAGES, breaks_out

SLUG = re.compile(r"[a-z0-9][a-z0-9-]{0,62}")


def require_one_line(name: str, value: str) -> None:
    """Refuse a text that would not stay within its line."""
    if any(breaks_out(one) for one in value):
        raise ValueError(
            f"{name} must be one line without control characters or marks of direction; got {value!r}")


def require_slug(name: str, value: object) -> None:
    """Refuse what could not stand in a topic, a path or an address."""
    if not isinstance(value, str) or not SLUG.fullmatch(value):
        raise ValueError(
            f"{name} must be 1 to 63 of a-z, 0-9 and '-', and start with a letter or digit; got {value!r}"
        )


def require_number(
    name: str, value: object, *, above: float | None = None, at_least: float | None = None,
    at_most: float = math.inf,
) -> None:
    """Refuse what is no finite number within bounds; the message says which are allowed."""
    low = f"at least {at_least:g}" if at_least is not None else ""
    low = f"above {above:g}" if above is not None else low
    high = f"at most {at_most:g}" if at_most != math.inf else ""
    allowed = " and ".join(part for part in (low, high) if part) or "a number"
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ValueError(f"{name} must be a finite number, {allowed}; got {value!r}")
    if (above is not None and not value > above) or (at_least is not None and not value >= at_least):
        raise ValueError(f"{name} must be {allowed}; got {value!r}")
    if not value <= at_most:
        raise ValueError(f"{name} must be {allowed}; got {value!r}")


def require_time_of_day(name: str, value: object) -> None:
    """Refuse what is no time like 22:00."""
    if not isinstance(value, str) or not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", value):
        raise ValueError(f"{name} must be a time of day like '22:00'; got {value!r}")


def require_language(name: str, value: object) -> None:
    """Refuse a language that nothing is said in."""
    if value not in LANGUAGES:
        raise ValueError(f"{name} must be one of {', '.join(LANGUAGES)}; got {value!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class CalculatedDose:
    """A validated calculated-dose equation from a test report, in place of the geometric model.

    RED = 10^a x A254^b x (S/S0)^c x (1/Q)^d, with A254 in 1/cm (base 10), Q in L/min, S/S0 relative to a new
    lamp in a clean sleeve at that transmittance. The form follows SOURCES.md, section 2 (from memory; a
    test report's own form and range rule).
    """

    a: float
    b: float
    c: float
    d: float
    s0_w_m2: float | None = None  # S0 at the test point's transmittance, by the report; None: by lamp and geometry

    def __post_init__(self) -> None:
        for name in ("a", "b", "c", "d"):
            require_number(f"equation.{name}", getattr(self, name))
        if self.s0_w_m2 is not None:
            require_number("equation.s0_w_m2", self.s0_w_m2, above=0)
        # Else the dose would rise with flow or absorbance, or fall with intensity.
        require_number("equation.b", self.b, at_most=0)
        for name in ("c", "d"):
            require_number(f"equation.{name}", getattr(self, name), above=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ValidationPoint:
    """What a kind of reactor gave in its test: at this flow, in this water, at this reading.

    None: as the reactor states it for all its points.
    """

    flow_l_min: float
    uvt_pct: float
    intensity_w_m2: float
    red_mj_cm2: float  # reduction equivalent dose, by the challenge organism's own response
    uncertainty_pct: float | None = None  # of that dose: 95 %, two-sided
    challenge_k_cm2_mj: float | None = None  # of the organism of this point

    def __post_init__(self) -> None:
        for name in ("flow_l_min", "intensity_w_m2", "red_mj_cm2"):
            require_number(name, getattr(self, name), above=0)
        require_number("uvt_pct", self.uvt_pct, above=0, at_most=100)
        if self.uncertainty_pct is not None:
            require_number("uncertainty_pct", self.uncertainty_pct, at_least=0, at_most=50)
        if self.challenge_k_cm2_mj is not None:
            require_number("challenge_k_cm2_mj", self.challenge_k_cm2_mj, above=0)


# How well a test knows its own dose where its report does not say: 95 %, two-sided; common practice, no source. The
# guidance manual asks for it in the validation factor (SOURCES.md section 2, U_Val, from memory).
TEST_RED_UNCERTAINTY_PCT = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reactor:
    """A kind of unit: geometry, test point, and how well its sensors are known."""

    name: str
    chamber_inner_radius_cm: float
    sleeve_outer_radius_cm: float
    arc_length_cm: float
    lamp_uvc_w: float
    sleeve_transmittance: float
    mixing_tanks: int
    test_flow_l_min: float
    test_uvt_pct: float
    test_intensity_w_m2: float
    test_red_mj_cm2: float
    challenge_k_cm2_mj: float
    alarm_intensity_w_m2: float
    validation_factor: float = 1.0
    warm_up_s: float = 120.0
    rewarm_s: float = 0.0  # a hot lamp that comes back needs at least this long to settle; 0: it comes back fast
    lamp_life_h: float = 9000.0
    sensor_radius_cm: float | None = None  # None: at the chamber wall
    flow_max_l_min: float | None = None  # most flow tested; None: the most of its points
    uvt_min_pct: float | None = None  # least transmittance tested; None: the least of its points
    uvt_max_pct: float | None = None  # most transmittance that `equation` was tested at; None: the test point's
    # 95 % (two-sided) uncertainties; defaults are common practice, no source
    sensor_uncertainty_pct: float = 10.0  # of the reading
    flow_uncertainty_pct: float = 5.0  # of the reading
    uvt_uncertainty_points: float = 2.0  # points of transmittance over 1 cm, of a live sensor
    uvt_test_uncertainty_points: float = 4.0  # of a fresh water test; it widens with age (`models.dose.water_band`)
    # Of the test's own dose (organisms, counts, collimated beam). None: `TEST_RED_UNCERTAINTY_PCT`, less what the
    # validation factor allows already.
    test_red_uncertainty_pct: float | None = None
    # Light that the lamp's ends may have lost and that one sensor in the middle does not see; 0: nobody counts on
    # it.
    unseen_end_loss_pct: float = 0.0
    equation: CalculatedDose | None = None
    tests: tuple[ValidationPoint, ...] = ()  # further points of the test, beside `test_flow_l_min` and its like

    def __post_init__(self) -> None:
        require_slug("name", self.name)
        for name in (
            "chamber_inner_radius_cm", "sleeve_outer_radius_cm", "arc_length_cm", "lamp_uvc_w",
            "test_flow_l_min", "test_intensity_w_m2", "test_red_mj_cm2", "challenge_k_cm2_mj",
            "alarm_intensity_w_m2", "lamp_life_h",
        ):
            require_number(name, getattr(self, name), above=0)
        require_number("sleeve_transmittance", self.sleeve_transmittance, above=0, at_most=1)
        require_number("test_uvt_pct", self.test_uvt_pct, above=0, at_most=100)
        require_number("validation_factor", self.validation_factor, at_least=1)
        require_number("warm_up_s", self.warm_up_s, at_least=0)
        require_number("rewarm_s", self.rewarm_s, at_least=0)
        if not self.rewarm_s <= self.warm_up_s:
            raise ValueError(f"rewarm_s must be at most warm_up_s ({self.warm_up_s:g}); got {self.rewarm_s!r}")
        require_number("mixing_tanks", self.mixing_tanks, at_least=1)
        if not float(self.mixing_tanks).is_integer():
            raise ValueError(f"mixing_tanks must be a whole number, at least 1; got {self.mixing_tanks!r}")
        if not self.sleeve_outer_radius_cm < self.chamber_inner_radius_cm:
            raise ValueError(
                "sleeve_outer_radius_cm must be below chamber_inner_radius_cm "
                f"({self.chamber_inner_radius_cm!r}); got {self.sleeve_outer_radius_cm!r}"
            )
        if self.sensor_radius_cm is not None and not (
            self.sleeve_outer_radius_cm <= self.sensor_radius_cm <= self.chamber_inner_radius_cm
        ):
            raise ValueError(
                f"sensor_radius_cm must lie between sleeve and wall ({self.sleeve_outer_radius_cm!r} to "
                f"{self.chamber_inner_radius_cm!r}); got {self.sensor_radius_cm!r}"
            )
        if self.flow_max_l_min is not None:
            require_number("flow_max_l_min", self.flow_max_l_min, above=0)
        for name in ("uvt_min_pct", "uvt_max_pct"):
            if getattr(self, name) is not None:
                require_number(name, getattr(self, name), above=0, at_most=100)
        for name in ("sensor_uncertainty_pct", "flow_uncertainty_pct"):
            require_number(name, getattr(self, name), at_least=0, at_most=99)
        require_number("unseen_end_loss_pct", self.unseen_end_loss_pct, at_least=0, at_most=99)
        for name in ("uvt_uncertainty_points", "uvt_test_uncertainty_points"):
            require_number(name, getattr(self, name), at_least=0, at_most=50)
        self._check_test()

    def _check_test(self) -> None:
        if self.test_red_uncertainty_pct is not None:
            require_number("test_red_uncertainty_pct", self.test_red_uncertainty_pct, at_least=0, at_most=50)
        if self.tests and self.equation is not None:
            raise ValueError(
                "tests cannot stand beside equation: a report's equation is of all its points")

    @property
    def all_tests(self) -> tuple[ValidationPoint, ...]:
        """Every point of the test, the one by which the profile is named first."""
        first = ValidationPoint(
            flow_l_min=self.test_flow_l_min, uvt_pct=self.test_uvt_pct, intensity_w_m2=self.test_intensity_w_m2,
            red_mj_cm2=self.test_red_mj_cm2)
        return (first, *self.tests)

    @property
    def test_error(self) -> float:
        """The 95 % error of the test's own dose, as a share; what a validation factor allows is taken off."""
        if self.test_red_uncertainty_pct is not None:
            return self.test_red_uncertainty_pct / 100.0
        return max(0.0, TEST_RED_UNCERTAINTY_PCT / 100.0 - (self.validation_factor - 1.0))


class Total(StrEnum):
    """Where a unit's running total of litres comes from."""

    METER = "meter"  # a register of the meter's own, which goes on counting while the logger is off
    PULSE = "pulse"  # pulses that the logger counts itself: it says nothing of the time in which the logger was off


class Shutoff(StrEnum):
    """An electric valve after a unit that shuts the water off while its lamp does not burn."""

    NORMALLY_CLOSED = "normally-closed"  # a spring or its own battery closes it when power or lamp fail


TAP_FLOW_L_MIN = 6.0  # one open kitchen tap; common practice, no source
# Two readings cover the time between them for so many cadences (`JudgingPolicy.two_ends_s` is the longest).
COVERED_CADENCES = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One disinfection unit in a cabin, and the plumbing behind it.

    None means not known, which is never 0: a volume that nobody enrolled is not empty plumbing.
    """

    slug: str
    reactor: str
    uvt_pct: float  # latest water test, until a later one or a live sensor
    peak_flow_l_min: float  # the most that this supply can deliver
    dose_target_mj_cm2: float = 40.0  # NSF/ANSI 55 class A, SOURCES.md section 5 (seen)
    lamp_installed: date | None = None
    uvt_tested: date | None = None  # of the test that gave `uvt_pct`; None: a quarter of a year ago
    cold_plumbing_l: float | None = None  # pipe from the unit to the furthest cold tap
    hot_tank_l: float | None = None  # 0: no hot water tank
    hot_tank_heel_l: float | None = None  # stays in the tank when it is drained; None: a usual share of it
    hot_max_c: float | None = None  # the hottest that its heater makes the tank; None: not known
    cadence_s: float = 60.0  # how often its logger reads
    sends_every_s: float | None = None  # how often it sends what it has read; None: each reading as it is made
    total: Total | None = None  # None: not stated, which counts as the weaker (`total_kept_by_meter`)
    lamp_hours_step_h: float | None = None  # least step of the lamp's hour counter; None: not stated
    drawdown_l: float = 0.0  # what the pressure tank gives with the pump dead
    gravity_fed: bool = False  # `drawdown_l = "gravity"` in fleet.toml: supply never stops
    shutoff: Shutoff | None = None  # None: there is none. It accuses, and never excuses (`models.exposure.shutoff`)
    topics: tuple[Topic, ...] = ()  # on which it is heard beside its own log
    controller: Controller | None = None  # whose registers are read (`tarnlight poll`); None: it sends by itself

    def __post_init__(self) -> None:
        require_slug("slug", self.slug)
        require_slug("reactor", self.reactor)
        require_number("uvt_pct", self.uvt_pct, above=0, at_most=100)
        for name in ("peak_flow_l_min", "dose_target_mj_cm2", "cadence_s"):
            require_number(name, getattr(self, name), above=0)
        require_number("drawdown_l", self.drawdown_l, at_least=0)
        self._check_plumbing()
        if self.sends_every_s is not None:
            require_number("sends_every_s", self.sends_every_s, above=0)
            if not self.sends_every_s >= self.cadence_s:
                raise ValueError(
                    f"sends_every_s must be at least cadence_s ({self.cadence_s:g}), since nothing is sent before "
                    f"it is read; got {self.sends_every_s!r}"
                )
        if self.lamp_hours_step_h is not None:
            require_number("lamp_hours_step_h", self.lamp_hours_step_h, above=0, at_most=100)
        if self.total is not None:
            if self.total not in list(Total):
                raise ValueError(f"total must be one of {', '.join(Total)}; got {self.total!r}")
            object.__setattr__(self, "total", Total(self.total))
        if self.shutoff is not None:
            if self.shutoff not in list(Shutoff):
                raise ValueError(
                    f"shutoff must be {' or '.join(Shutoff)}, or left out where there is no such valve; "
                    f"got {self.shutoff!r}")
            object.__setattr__(self, "shutoff", Shutoff(self.shutoff))
        for name in ("lamp_installed", "uvt_tested"):
            if getattr(self, name) is not None and type(getattr(self, name)) is not date:
                raise ValueError(f"{name} must be a date like 2026-04-18; got {getattr(self, name)!r}")

    def _check_plumbing(self) -> None:
        for name in ("cold_plumbing_l", "hot_tank_l", "hot_tank_heel_l"):
            if getattr(self, name) is not None:
                require_number(name, getattr(self, name), at_least=0)
        if self.hot_tank_heel_l and self.hot_tank_l is not None and not self.hot_tank_heel_l < self.hot_tank_l:
            raise ValueError(
                f"hot_tank_heel_l must be below hot_tank_l ({self.hot_tank_l:g}), of which it is what draining "
                f"leaves; got {self.hot_tank_heel_l!r}"
            )
        if self.hot_max_c is not None:
            require_number("hot_max_c", self.hot_max_c, above=0, at_most=100)

    @property
    def sending_s(self) -> float:
        """How often something is to be heard of it. [s]"""
        return self.cadence_s if self.sends_every_s is None else self.sends_every_s

    @property
    def overdue_s(self) -> float:
        """How long after its latest reading it is overdue: what was read is then no longer taken to go on. [s]"""
        return COVERED_CADENCES * (self.sending_s + self.cadence_s)

    @property
    def total_kept_by_meter(self) -> bool:
        """Whether its total also counted while the logger was off; False where nobody stated it."""
        return self.total is Total.METER


@dataclass(frozen=True, slots=True, kw_only=True)
class Cabin:
    """A place with people in it."""

    slug: str
    name: str
    time_zone: str
    latitude: float
    longitude: float
    units: tuple[Unit, ...]
    altitude_m: float | None = None  # None: not known, which takes the longest boil time
    trip: str = ""  # visits are grouped by it
    calendar: str = ""  # path or address of an iCalendar feed of its bookings
    septic_l_day: float | None = None  # what its septic bed takes in a day; None: not known
    well_l_min: float | None = None  # what its well yields for hours on end; None: not known
    vulnerable: bool = False  # infants or people with weak immunity drink there
    supply_line: str = ""  # the power line that feeds it: cabins of one line lose power together
    language: str = ENGLISH  # of its notice at the tap, and of guests and owners whose own is not known

    def __post_init__(self) -> None:
        require_slug("slug", self.slug)
        if not isinstance(self.name, str) or not self.name.strip():
            raise ValueError(f"name must be a text that is not empty; got {self.name!r}")
        try:
            ZoneInfo(self.time_zone)
        except (ZoneInfoNotFoundError, ValueError, TypeError, AttributeError, OSError):
            raise ValueError(
                f"time_zone must be an IANA name like 'America/Toronto'; got {self.time_zone!r}"
            ) from None
        require_number("latitude", self.latitude, at_least=-90, at_most=90)
        require_number("longitude", self.longitude, at_least=-180, at_most=180)
        if self.altitude_m is not None:
            require_number("altitude_m", self.altitude_m, at_least=-500, at_most=9000)
        for name in ("septic_l_day", "well_l_min"):
            if getattr(self, name) is not None:
                require_number(name, getattr(self, name), above=0)
        if not isinstance(self.vulnerable, bool):
            raise ValueError(f"vulnerable must be true or false; got {self.vulnerable!r}")
        if not isinstance(self.supply_line, str):
            raise ValueError(f"supply_line must be a text; got {self.supply_line!r}")
        require_one_line("supply_line", self.supply_line)
        require_language("language", self.language)
        seen: set[str] = set()
        for unit in self.units:
            if unit.slug in seen:
                raise ValueError(f"unit {unit.slug!r} stands twice in cabin {self.slug!r}")
            seen.add(unit.slug)

    @property
    def zone(self) -> ZoneInfo:
        """The cabin's own time zone."""
        return ZoneInfo(self.time_zone)


class Role(StrEnum):
    """What a contact is to the fleet."""

    MANAGER = "manager"
    SERVICE = "service"
    OWNER = "owner"
    GUEST = "guest"
    HEALTH_AUTHORITY = "health-authority"


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """Somebody to tell, or to call."""

    name: str
    role: Role
    key: str = ""  # who it is, whatever name and role it bears; empty: not given yet
    cabins: tuple[str, ...] = ()  # none: all
    phone: str = ""
    channels: tuple[str, ...] = ()  # names of secrets, each holding an address to notify; never the address
    order: int = 1  # escalation goes from low to high
    quiet_from: str = ""  # "22:00" in the cabin's time zone; a boil advisory is never held back
    quiet_until: str = ""
    language: str = ""  # of what an owner or guest is told; empty: that of the cabin

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise ValueError(f"name must be a text that is not empty; got {self.name!r}")
        if self.key:
            require_slug("key", self.key)
        for name in ("quiet_from", "quiet_until"):
            text = getattr(self, name)
            if text:
                require_time_of_day(name, text)
        if bool(self.quiet_from) != bool(self.quiet_until):
            raise ValueError("quiet_from and quiet_until go together: give both or neither")
        if self.language:
            require_language("language", self.language)
        require_number("order", self.order, at_least=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgingPolicy:
    """How far a reading may speak. One per fleet; both values are common practice, no source.

    Attributes
    ----------
    two_ends_s : float
        Two lit readings cover the time between them for at most 1.5 cadences, and never for more than this. [s]
    stale_min : float
        A unit of which nothing newer is known is not clear but watched, "as of" its last reading. [min]
    """

    two_ends_s: float = 300.0
    stale_min: float = 15.0

    def __post_init__(self) -> None:
        require_number("two_ends_s", self.two_ends_s, above=0, at_most=3600)
        require_number("stale_min", self.stale_min, above=0, at_most=24 * 60)


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorCheckPolicy:
    """How often a duty sensor is checked against a reference. One per fleet.

    Attributes
    ----------
    every_days : float
        The next check is due so long after the last. Monthly: EPA UV Disinfection Guidance Manual (EPA
        815-R-06-007), section 6.4.1, from memory. [days]
    watch_after_days : float
        Long past its date: the unit is no longer clear but watched. At least yearly is asked for in Europe
        (SOURCES.md section 2, seen). [days]
    """

    every_days: float = 30.0
    watch_after_days: float = 365.0

    def __post_init__(self) -> None:
        for name in ("every_days", "watch_after_days"):
            require_number(name, getattr(self, name), above=0, at_most=3650)
        if self.watch_after_days < self.every_days:
            raise ValueError(
                f"watch_after_days must be at least every_days ({self.every_days:g}); "
                f"got {self.watch_after_days!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewPolicy:
    """On which days somebody drives to the cabins. One per fleet; by default on every day.

    Attributes
    ----------
    days : tuple of str
        Days of the week.
    holidays : tuple of str
        Dates like "2026-12-25" on which nobody drives, whatever day of the week they are.
    """

    days: tuple[str, ...] = WEEKDAYS
    holidays: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.days or any(one not in WEEKDAYS for one in self.days):
            raise ValueError(
                f"days must be a list of at least one of {', '.join(WEEKDAYS)}; got {list(self.days)!r}")
        object.__setattr__(self, "days", tuple(one for one in WEEKDAYS if one in self.days))
        for one in self.holidays:
            if not _is_date(one):
                raise ValueError(f"holidays must be dates like '2026-12-25'; got {one!r}")
        object.__setattr__(self, "holidays", tuple(sorted(set(self.holidays))))

    def works_on(self, day: date) -> bool:
        """Whether somebody drives on that day."""
        return WEEKDAYS[day.weekday()] in self.days and day.isoformat() not in self.holidays


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportHours:
    """When people get what changes nothing that they do. One per fleet; common practice, no source.

    Attributes
    ----------
    morning, evening : str
        Times of day like "07:00", by the clock of the cabin that a message is about.
    """

    morning: str = "07:00"
    evening: str = "19:00"

    def __post_init__(self) -> None:
        for name in ("morning", "evening"):
            require_time_of_day(name, getattr(self, name))
        if not self.morning < self.evening:
            raise ValueError(f"evening must be after morning ({self.morning}); got {self.evening!r}")

    @property
    def in_order(self) -> tuple[str, str]:
        """Both, as they come in a day."""
        return self.morning, self.evening


def _is_date(text: str) -> bool:
    try:
        return isinstance(text, str) and date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """Everything enrolled."""

    reactors: tuple[Reactor, ...] = ()
    cabins: tuple[Cabin, ...] = ()
    contacts: tuple[Contact, ...] = ()
    policy: StepPolicy | None = None  # which steps an exposure asks for; None: the default, on the safe side
    own_judging: JudgingPolicy | None = None  # None: the default
    sensor_checks: SensorCheckPolicy | None = None  # None: the default
    own_laboratory: LaboratoryPolicy | None = None  # None: the default
    own_crew: CrewPolicy | None = None  # None: the default
    own_reports: ReportHours | None = None  # None: the default
    # by name, since a fleet of thousands is asked for each of its units
    _reactors: dict[str, Reactor] = field(init=False, repr=False, compare=False)
    _cabins: dict[str, Cabin] = field(init=False, repr=False, compare=False)
    _units: dict[tuple[str, str], Unit] = field(init=False, repr=False, compare=False)
    topics: Topics = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        reactors: dict[str, Reactor] = {}
        for reactor in self.reactors:
            if reactor.name in reactors:
                raise ValueError(f"reactor {reactor.name!r} stands twice; each name once")
            reactors[reactor.name] = reactor
        keys: set[str] = set()
        for contact in self.contacts:
            if contact.key and contact.key in keys:
                raise ValueError(f"contact {contact.key!r} stands twice; each key once")
            keys.add(contact.key)
        cabins: dict[str, Cabin] = {}
        units: dict[tuple[str, str], Unit] = {}
        for cabin in self.cabins:
            if cabin.slug in cabins:
                raise ValueError(f"cabin {cabin.slug!r} stands twice; each name once")
            cabins[cabin.slug] = cabin
            for unit in cabin.units:
                units[cabin.slug, unit.slug] = unit
                if unit.reactor not in reactors:
                    raise ValueError(
                        f"unit {unit.slug!r} of cabin {cabin.slug!r} names the reactor {unit.reactor!r}; "
                        f"enrolled are: {', '.join(sorted(reactors)) or 'none'}"
                    )
        topics = Topics.of((key, topic) for key, unit in units.items() for topic in unit.topics)
        for name, found in (("_reactors", reactors), ("_cabins", cabins), ("_units", units), ("topics", topics)):
            object.__setattr__(self, name, found)

    @property
    def judging(self) -> JudgingPolicy:
        """How far a reading may speak."""
        return self.own_judging or JudgingPolicy()

    @property
    def laboratory(self) -> LaboratoryPolicy:
        """From which counts on a sample is unsafe."""
        return self.own_laboratory or LaboratoryPolicy()

    @property
    def crew(self) -> CrewPolicy:
        """On which days somebody drives."""
        return self.own_crew or CrewPolicy()

    @property
    def reports(self) -> ReportHours:
        """When people get what changes nothing that they do."""
        return self.own_reports or ReportHours()

    def cabin(self, slug: str) -> Cabin:
        """The cabin of that slug; KeyError if none."""
        return self._cabins.get(slug) or _missing("cabin", slug)

    def unit(self, cabin: str, unit: str) -> Unit:
        """The unit of that cabin; KeyError if none."""
        return self._units.get((self.cabin(cabin).slug, unit)) or _missing(f"unit of {cabin!r}", unit)

    def has_reactor(self, name: str) -> bool:
        """Whether a reactor of that name is enrolled."""
        return name in self._reactors

    def has_cabin(self, slug: str) -> bool:
        """Whether a cabin of that slug is enrolled."""
        return slug in self._cabins

    def has_unit(self, cabin: str, unit: str) -> bool:
        """Whether the cabin has a unit of that slug."""
        return (cabin, unit) in self._units

    def reactor(self, name: str) -> Reactor:
        """The reactor of that name; KeyError if none."""
        return self._reactors.get(name) or _missing("reactor", name)


def polled(fleet: Fleet) -> dict[tuple[str, str], tuple[Controller, float]]:
    """Units with a controller, and how often each is asked. [s]"""
    return {
        (cabin.slug, unit.slug): (unit.controller, unit.cadence_s)
        for cabin in fleet.cabins for unit in cabin.units if unit.controller is not None}


def _missing(what: str, name: str) -> NoReturn:
    raise KeyError(f"no {what} {name!r} is enrolled")
