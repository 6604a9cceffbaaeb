"""What was enrolled when: each value of the registry holds from its date on.

An edit holds from the instant that it names, and never changes what was judged before it. What was judged before
the first enrolment takes the first value.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TypeVar

from models.fleet import Fleet, JudgingPolicy, Reactor, Unit

BEGINNING = datetime(1970, 1, 1, tzinfo=UTC)  # from when a first value holds; before any reading

T = TypeVar("T")
Key = tuple[str, str]


def effective(edits: Iterable[tuple[datetime, T]]) -> tuple[tuple[datetime, T], ...]:
    """What holds from when, from edits in the order in which they were made.

    Parameters
    ----------
    edits : iterable of (valid_from, value)
        A later edit replaces all that earlier ones said of the time from its `valid_from` on.

    Returns
    -------
    tuple of (valid_from, value)
        Rising in time, each value other than the one before; the first holds from the beginning.

    Examples
    --------
    82 % from the beginning, 70 % from May, then said to be 75 % from March on: 82 %, and 75 % from March.
    """
    out: list[tuple[datetime, T]] = []
    for since, value in edits:
        while out and out[-1][0] >= since:
            out.pop()
        if not out:
            out.append((BEGINNING, value))
        elif out[-1][1] != value:
            out.append((since, value))
    return tuple(out)


def _holding(versions: tuple[tuple[datetime, T], ...], instant: datetime) -> T:
    """The value of that instant; before the first, the first."""
    value = versions[0][1]
    for since, one in versions[1:]:
        if since > instant:
            break
        value = one
    return value


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetHistory:
    """The fleet of every instant.

    Attributes
    ----------
    present : Fleet
        As enrolled now.
    units, reactors : mapping
        What ever changed, by (cabin, unit) and by name: (valid_from, value), rising; what stands in neither was
        always as it is.
    judging : tuple
        The same of `JudgingPolicy`; empty where it never changed.
    """

    present: Fleet
    units: Mapping[Key, tuple[tuple[datetime, Unit], ...]]
    reactors: Mapping[str, tuple[tuple[datetime, Reactor], ...]]
    judging: tuple[tuple[datetime, JudgingPolicy], ...] = ()

    @classmethod
    def of(
        cls, present: Fleet, *, units: Mapping[Key, Iterable[tuple[datetime, Unit]]],
        reactors: Mapping[str, Iterable[tuple[datetime, Reactor]]],
        judging: Iterable[tuple[datetime, JudgingPolicy]] = (),
    ) -> FleetHistory:
        """From edits in the order in which they were made; of what is not enrolled any more nothing is kept.

        A unit's `lamp_installed` is the present one throughout: that date says itself from when it holds.
        """
        lamps = {
            (cabin.slug, unit.slug): unit.lamp_installed for cabin in present.cabins for unit in cabin.units}
        known = {reactor.name for reactor in present.reactors}
        changed_units = {
            key: effective((since, replace(unit, lamp_installed=lamps[key])) for since, unit in edits)
            for key, edits in units.items() if key in lamps}
        changed_reactors = {name: effective(edits) for name, edits in reactors.items() if name in known}
        policies = effective(judging)
        return cls(
            present=present, units={key: one for key, one in changed_units.items() if len(one) > 1},
            reactors={name: one for name, one in changed_reactors.items() if len(one) > 1},
            judging=policies if len(policies) > 1 else ())

    def at(self, instant: datetime) -> Fleet:
        """The fleet as it held at that instant, in the cabins and contacts of the present."""
        units = {key: _holding(versions, instant) for key, versions in self.units.items()}
        reactors = {name: _holding(versions, instant) for name, versions in self.reactors.items()}
        places = {cabin for cabin, _ in units}
        if not units and not reactors and not self.judging:
            return self.present
        return replace(
            self.present,
            reactors=tuple(reactors.get(one.name, one) for one in self.present.reactors),
            cabins=tuple(
                replace(cabin, units=tuple(units.get((cabin.slug, one.slug), one) for one in cabin.units))
                if cabin.slug in places else cabin for cabin in self.present.cabins),
            own_judging=_holding(self.judging, instant) if self.judging else self.present.own_judging)

    def versions(self, cabin: str, unit: str) -> list[tuple[datetime, Unit, Reactor]]:
        """From when the unit was what, with its reactor as it was then; rising, the first from the beginning.

        Raises
        ------
        KeyError
            If no such unit is enrolled.
        """
        now = self.present.unit(cabin, unit)
        of_unit = self.units.get((cabin, unit), ((BEGINNING, now),))
        out: list[tuple[datetime, Unit, Reactor]] = []
        ends = [since for since, _ in of_unit[1:]]
        for (since, one), until in zip(of_unit, [*ends, None], strict=True):
            kind = self.reactors.get(one.reactor) or ((BEGINNING, self.present.reactor(one.reactor)),)
            out.append((since, one, _holding(kind, since)))
            out += [
                (border, one, reactor) for border, reactor in kind[1:]
                if border > since and (until is None or border < until)]
        return out

    def judging_versions(self) -> list[tuple[datetime, JudgingPolicy]]:
        """From when a reading could speak how far; rising, the first from the beginning."""
        return list(self.judging) or [(BEGINNING, self.present.judging)]

    def holds_from(self, key: Key, unit: Unit, since: datetime) -> bool:
        """Whether the unit has been judged as just this from then on."""
        now, versions = self.present.unit(*key), self.units.get(key)
        if unit.lamp_installed != now.lamp_installed:
            unit = replace(unit, lamp_installed=now.lamp_installed)
        return _always(versions, now, unit, since)

    def reactor_holds_from(self, reactor: Reactor, since: datetime) -> bool:
        """Whether the reactor of that name has been just this from then on."""
        return _always(self.reactors.get(reactor.name), self.present.reactor(reactor.name), reactor, since)

    def judging_holds_from(self, policy: JudgingPolicy, since: datetime) -> bool:
        """Whether this policy has held from then on."""
        return _always(self.judging, self.present.judging, policy, since)


def _always(
    versions: tuple[tuple[datetime, T], ...] | None, present: T, value: T, since: datetime
) -> bool:
    versions = versions or ((BEGINNING, present),)
    later = all(one == value for start, one in versions if start > since)
    return later and _holding(versions, since) == value
