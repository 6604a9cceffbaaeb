"""By which other ways a unit's readings come in, and which part of what comes fills which quantity.

Beside its own log topic a unit may have topics on which other devices speak: an object of JSON, or one plain value
a topic. What is not told is never guessed: neither a unit of measure nor a time.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from models.units import require_column_and_unit

OWN_TREE = "tarnlight"  # topics of the log, the link and the sign
TOPIC_CHARACTERS = 200
POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)*")  # JSON Pointer, RFC 6901, section 3

DEVICE = re.compile(r"[a-z0-9][a-z0-9-]{0,62}")

Key = tuple[str, str]


class TimeIn(StrEnum):
    """How a payload writes its time."""

    ISO = "iso"  # ISO 8601 with Z or an offset
    SECONDS = "s"  # since 1970, UTC
    MILLISECONDS = "ms"


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """Which part of a payload fills a column: a JSON Pointer; empty: the whole of it."""

    column: str
    unit: str = ""
    path: str = ""

    def __post_init__(self) -> None:
        require_column_and_unit(self.column, self.unit)
        _require_pointer("path", self.path)


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """A topic on which a unit's readings come, as MQTT filters are written: `+` is any one level, `#` all below.

    Attributes
    ----------
    values : tuple of Value
        Of a plain value, one without a path.
    time : str
        JSON Pointer to the time of what a payload says; empty: it bears none, and counts from its arrival.
    device : str
        Who publishes it, where that is another device than the unit's logger: it has a user of its own at the
        broker, for two that log in as one would put each other out.
    """

    topic: str
    values: tuple[Value, ...]
    time: str = ""
    time_in: TimeIn = TimeIn.ISO
    device: str = ""

    def __post_init__(self) -> None:
        require_filter(self.topic)
        if self.device != "" and not (isinstance(self.device, str) and DEVICE.fullmatch(self.device)):
            raise ValueError(
                "device must be 1 to 63 of a-z, 0-9 and '-', and start with a letter or digit; got "
                f"{self.device!r}")
        if not self.values:
            raise ValueError("values must name at least one column")
        for one in ("column", "path"):
            seen = [getattr(value, one) for value in self.values]
            for name in seen:
                if seen.count(name) > 1:
                    raise ValueError(f"values name the {one} {name!r} twice; each once")
        if self.is_plain and (len(self.values) > 1 or self.time):
            raise ValueError("values of a plain topic must be one, without time: give each a path where it is JSON")
        _require_pointer("time", self.time)
        if self.time_in not in list(TimeIn):
            raise ValueError(f"time_in must be one of {', '.join(TimeIn)}; got {self.time_in!r}")
        object.__setattr__(self, "time_in", TimeIn(self.time_in))

    @property
    def is_plain(self) -> bool:
        """Whether a payload is one value and no JSON object."""
        return any(not one.path for one in self.values)


def _require_pointer(name: str, value: object) -> None:
    if not isinstance(value, str) or not POINTER.fullmatch(value):
        raise ValueError(
            f"{name} must be a JSON Pointer (RFC 6901) like '/uv/intensity', each part after a '/'; got {value!r}")


def require_filter(value: object) -> None:
    """Refuse what is no filter of topics, or one that reaches beyond one unit's own (MQTT 3.1.1, section 4.7)."""
    if not isinstance(value, str) or not value or len(value) > TOPIC_CHARACTERS:
        raise ValueError(f"topic must be 1 to {TOPIC_CHARACTERS} characters; got {value!r}")
    levels = value.split("/")
    if any(("+" in one and one != "+") or ("#" in one and one != "#") for one in levels) or "#" in levels[:-1]:
        raise ValueError(f"topic must have + and # as whole levels, and # as the last; got {value!r}")
    if any(one.isspace() or not one.isprintable() for one in value):
        raise ValueError(f"topic must hold no space and no control character; got {value!r}")
    if levels[0] in ("+", "#", OWN_TREE) or levels[0].startswith("$"):
        raise ValueError(
            f"topic must begin with a level of its own, not {OWN_TREE!r}, '$', '+' or '#'; got {value!r}")


def overlap(one: str, other: str) -> bool:
    """Whether some topic fits both filters."""
    mine, theirs = one.split("/"), other.split("/")
    for a, b in zip(mine, theirs, strict=False):
        if "#" in (a, b):
            return True
        if "+" not in (a, b) and a != b:
            return False
    longer = mine if len(mine) > len(theirs) else theirs
    # "a/#" fits "a" too
    return len(mine) == len(theirs) or (abs(len(mine) - len(theirs)) == 1 and longer[-1] == "#")


@dataclass(frozen=True, slots=True)
class Topics:
    """All topics of a fleet, each of one unit."""

    exact: Mapping[str, tuple[Key, Topic]] = field(default_factory=dict)
    wide: Sequence[tuple[str, Key, Topic]] = ()

    @classmethod
    def of(cls, found: Iterable[tuple[Key, Topic]]) -> Topics:
        """Of these.

        Raises
        ------
        ValueError
            If two of them fit one topic: a topic belongs to one unit.
        """
        exact: dict[str, tuple[Key, Topic]] = {}
        wide: list[tuple[str, Key, Topic]] = []
        for key, topic in found:
            name = topic.topic
            if name in exact:
                raise ValueError(_twice(name, key, name, exact[name][0]))
            for other, whose, _ in wide:
                if overlap(name, other):
                    raise ValueError(_twice(name, key, other, whose))
            if "+" in name or "#" in name:
                for other, (whose, _) in exact.items():
                    if overlap(name, other):
                        raise ValueError(_twice(name, key, other, whose))
                wide.append((name, key, topic))
            else:
                exact[name] = (key, topic)
        return cls(exact, tuple(wide))

    def at(self, topic: str) -> tuple[Key, Topic] | None:
        """Whose a topic is, and what its payloads hold."""
        found = self.exact.get(topic)
        if found is not None or not self.wide or topic.startswith(OWN_TREE + "/"):
            return found
        return next(((key, one) for name, key, one in self.wide if overlap(name, topic)), None)

    def filters(self) -> dict[str, bool]:
        """What to subscribe to; whether what comes there bears its own time."""
        return {name: bool(one.time) for name, (_, one) in self.exact.items()} | {
            name: bool(one.time) for name, _, one in self.wide}


def _twice(name: str, key: Key, other: str, whose: Key) -> str:
    return (f"topic {name!r} of unit {key[0]}/{key[1]} and {other!r} of {whose[0]}/{whose[1]} fit the same topics: "
            "a topic belongs to one unit, and stands once")
