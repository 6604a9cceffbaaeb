"""Which cabins' power cuts, dark lamps and silences are one event?

Two of them at different cabins belong together where they overlap in time and share a cause. What belongs together
by any chain of such pairs is one event. That is a property of the set of them, so the order in which they became
known makes no difference, and an event is worked out anew from what is stored: it grows as more becomes known, two
grow together where something joins both, none ever falls apart, and it is over when its last member is.

An event hides nobody: each cabin keeps its own verdict and advisory.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum

import numpy as np
import pandas as pd

from models.exposure.instants import US_PER_S, Bools, Floats, Ints, microseconds

# The first three are the rule of the design; that a broker's fault shows in half of its units: common practice, no
# source. One earth radius for distances (mean, from memory): 20 km err by 0.5 % at most.
NEAR_KM = 20.0
TOGETHER_MIN = 10.0
BROKER_SHARE, BROKER_LEAST = 0.5, 3
EARTH_KM = 6371.0
SHORT_SILENCE_MIN = 10.0  # a loss of the link that is shorter is nothing to share; common practice, no source
BEFORE, AFTER = timedelta(minutes=10), timedelta(hours=1)  # of an event, what else is of it; ours, no source
OPEN_US = np.iinfo(np.int64).max
_ID = re.compile(r"(\d{8}T\d{6}Z)\.([a-z0-9-]+)\.([a-z0-9-]+)")


class Trouble(StrEnum):
    """What a spell is, worst told first."""

    POWER_CUT = "power-cut"
    DARK = "dark"  # and nobody knows of the power
    SILENCE = "silence"


TROUBLES = tuple(Trouble)


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One unit's part in an event: its spells in it from the first's start to the last's end."""

    cabin: str
    unit: str
    trouble: Trouble  # the worst of them
    start: datetime
    end: datetime | None  # None: it goes on


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedEvent:
    """Trouble of several cabins with one cause.

    Attributes
    ----------
    id : str
        Start, cabin and unit of the first member. It stays while the event grows. Where two grow together it is
        that of the one that began first, and where an earlier member becomes known late, that member's: `find`
        still takes every id that it had before.
    trouble : Trouble
        The worst of its members.
    supply_line : str
        The line that all of those without power are on; empty: none, or several.
    members : tuple of Member
        By start, cabin and unit; at least two cabins.
    """

    id: str
    trouble: Trouble
    start: datetime
    end: datetime | None
    supply_line: str
    members: tuple[Member, ...]

    @property
    def cabins(self) -> tuple[str, ...]:
        """Slugs, each once, in the order of members."""
        return tuple(dict.fromkeys(one.cabin for one in self.members))


def shared_events(spells: pd.DataFrame, places: pd.DataFrame, units: int) -> tuple[SharedEvent, ...]:
    """The events that these spells make up.

    Parameters
    ----------
    spells : DataFrame
        In any order: `cabin`, `unit`, `trouble` (a word of `Trouble`), `start` and `end` (aware; NaT: goes on).
        Those of cabins that are not in `places` are passed over, and silences shorter than ten minutes.
    places : DataFrame
        `cabin`, `latitude`, `longitude` [degrees], `supply_line` (empty: none is enrolled).
    units : int
        How many units report over the broker.

    Returns
    -------
    tuple of SharedEvent
        By start.

    Notes
    -----
    Two spells share a cause where

    - both are power cuts of one enrolled supply line;
    - they began within ten minutes of each other, within 20 km or on one supply line, whatever they are: a logger
      without power of its own falls silent in a power cut;
    - both are silences that began within ten minutes of each other, when at least half of the broker's units, and
      no fewer than three, fell silent.

    Spells of one unit less than ten minutes apart belong together. Of a run on one line or broker each joins those
    before it that have not ended.
    """
    table = _table(spells, places)
    if table.empty:
        return ()
    start, end = table["start_us"].to_numpy(np.int64), table["end_us"].to_numpy(np.int64)
    power = (table["trouble"] == Trouble.POWER_CUT).to_numpy(bool)
    line = pd.factorize(table["supply_line"])[0].astype(np.int64)
    on_line = (table["supply_line"] != "").to_numpy(bool)
    unit = table.groupby(["cabin", "unit"], sort=False).ngroup().to_numpy().astype(np.int64)
    within = int(TOGETHER_MIN * 60 * US_PER_S)
    everywhere = np.zeros(len(table), np.int64)
    pairs = np.concatenate([
        _runs(unit, start, end, slack_us=within),
        _runs(line, start, end, only=on_line & power),
        _runs(line, start, end, only=on_line, within_us=within),
        _runs(everywhere, start, end, only=_of_broker(table, start, units, within), within_us=within),
        _near(table, start, end, within)])
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    ones = np.ones(len(pairs), bool)
    number = connected_components(
        coo_array((ones, (pairs[:, 0], pairs[:, 1])), shape=(len(table), len(table))), directed=False)[1]
    place = pd.factorize(table["cabin"])[0]
    own = np.unique(np.stack([number, place]), axis=1)[0]  # each cabin of each event once
    shared = np.bincount(own, minlength=int(number.max()) + 1)[number] > 1
    found = _events(table.assign(event=number)[shared]) if shared.any() else []
    return tuple(sorted(found, key=lambda one: (one.start, one.id)))


def find(events: Iterable[SharedEvent], id: str) -> SharedEvent | None:
    """The event of that id, also of one that it had before it grew.

    An id names a unit and an instant. Where no event bears it, it is the event in which that unit was then, or had
    been ten minutes before or after: late readings may move a start.
    """
    found = list(events)
    same = next((one for one in found if one.id == id), None)
    told = _ID.fullmatch(id)
    if same is not None or told is None:
        return same
    try:
        at = datetime.strptime(told[1], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:  # digits, but of no day
        return None
    slack = timedelta(minutes=TOGETHER_MIN)
    return next((
        one for one in found for member in one.members
        if (member.cabin, member.unit) == (told[2], told[3]) and member.start - slack <= at
        and (member.end is None or at <= member.end + slack)), None)


def concerns(event: SharedEvent, cabin: str, began: datetime) -> bool:
    """Whether what began at a cabin then is of the event.

    An advisory may name the last instant at which all was well, and water that was drawn before the lamp was warm
    again, or of which nobody knew while the logger was silent, is of the event still.
    """
    if cabin not in event.cabins or began < event.start - BEFORE:
        return False
    return event.end is None or began <= event.end + AFTER


def event_id(cabin: str, unit: str, start: datetime) -> str:
    """The id of an event whose first member that is; to the second."""
    return f"{start.astimezone(UTC):%Y%m%dT%H%M%SZ}.{cabin}.{unit}"


def _table(spells: pd.DataFrame, places: pd.DataFrame) -> pd.DataFrame:
    """Spells that count, each once, with where they are; in an order that follows from them alone."""
    unknown = set(spells["trouble"]) - set(TROUBLES)
    if unknown:
        raise ValueError(f"trouble must be one of {', '.join(TROUBLES)}; got {sorted(unknown)}")
    start = microseconds(spells["start"])
    end = np.where(spells["end"].isna(), OPEN_US, microseconds(spells["end"].fillna(spells["start"])))
    if (end < start).any():
        row = spells[end < start].iloc[0]
        raise ValueError(f"end must not be before start; got {row['start']} to {row['end']} of {row['cabin']}")
    short = (spells["trouble"] == Trouble.SILENCE).to_numpy(bool) & (
        end - start < SHORT_SILENCE_MIN * 60 * US_PER_S)
    out = spells[["cabin", "unit", "trouble"]].assign(
        trouble=spells["trouble"].astype(str), start_us=start, end_us=end)[~short]
    out = out.drop_duplicates().merge(places, on="cabin", how="inner", validate="many_to_one")
    return out.sort_values(["start_us", "cabin", "unit", "end_us", "trouble"]).reset_index(drop=True)


def _runs(
    group: Ints, start: Ints, end: Ints, *, only: Bools | None = None, within_us: int = OPEN_US, slack_us: int = 0
) -> Ints:
    """Neighbours, by start, of one group whose earlier ones have not ended by more than the slack."""
    rows = np.arange(len(group)) if only is None else np.flatnonzero(only)
    rows = rows[np.lexsort((start[rows], group[rows]))]
    if rows.size < 2:
        return np.zeros((0, 2), np.int64)
    # until when the group's earlier ones last; a new group may not inherit
    last = pd.Series(end[rows]).groupby(group[rows]).cummax().to_numpy()
    before, after = rows[:-1], rows[1:]
    lasts = np.where(last[:-1] > OPEN_US - slack_us, OPEN_US, last[:-1] + slack_us)
    joined = (group[before] == group[after]) & (start[after] < lasts) & (start[after] - start[before] <= within_us)
    return np.stack([before[joined], after[joined]], axis=1)


def _of_broker(table: pd.DataFrame, start: Ints, units: int, within_us: int) -> Bools:
    """Silences that began while so many units fell silent that it is the broker's, or its network's, doing."""
    silent = (table["trouble"] == Trouble.SILENCE).to_numpy(bool)
    begun = np.sort(start[silent])
    many = np.searchsorted(begun, start + within_us, "right") - np.searchsorted(begun, start - within_us, "left")
    return np.asarray(silent & (many >= max(BROKER_LEAST, BROKER_SHARE * units)))


def _near(table: pd.DataFrame, start: Ints, end: Ints, within_us: int) -> Ints:
    """Pairs within 20 km that began within ten minutes and overlap; looked for among neighbours in both alone."""
    latitude, longitude = (np.radians(table[name].to_numpy(float)) for name in ("latitude", "longitude"))
    across: Floats = np.cos(latitude)
    chord = 2 * np.sin(NEAR_KM / EARTH_KM / 2)  # between points of the unit sphere that far apart
    points = np.column_stack([
        across * np.cos(longitude) / chord, across * np.sin(longitude) / chord, np.sin(latitude) / chord,
        (start - start.min()) / within_us])
    from scipy.spatial import cKDTree  # with what it needs most of half a second to load

    pairs = cKDTree(points).query_pairs(1.0 + 1e-9, p=np.inf, output_type="ndarray").astype(np.int64)
    one, other = pairs[:, 0], pairs[:, 1]
    close = ((points[one, :3] - points[other, :3]) ** 2).sum(axis=1) <= 1.0
    overlap = (start[one] < end[other]) & (start[other] < end[one])
    together = np.abs(start[one] - start[other]) <= within_us
    found: Ints = pairs[close & overlap & together]
    return found


def _events(table: pd.DataFrame) -> list[SharedEvent]:
    """Spells with the number of their event, which stand by start, as events."""
    rank = table["trouble"].map({str(one): rank for rank, one in enumerate(TROUBLES)})
    by_unit = table.assign(rank=rank).groupby(["event", "cabin", "unit"], as_index=False).agg(
        start_us=("start_us", "min"), end_us=("end_us", "max"), rank=("rank", "min"))
    by_unit = by_unit.sort_values(["event", "start_us", "cabin", "unit"])
    cut = table[table["trouble"] == Trouble.POWER_CUT].groupby("event")["supply_line"].agg(["min", "max"])
    lines = cut["min"].where(cut["min"] == cut["max"], "").to_dict()
    members: dict[int, list[Member]] = {}
    for event, cabin, unit, first, last, worst in by_unit.itertuples(index=False, name=None):
        members.setdefault(event, []).append(Member(
            cabin=cabin, unit=unit, trouble=TROUBLES[worst], start=_at(first),
            end=None if last == OPEN_US else _at(last)))
    return [_event(tuple(found), lines.get(event, "")) for event, found in members.items()]


def _event(members: tuple[Member, ...], supply_line: str) -> SharedEvent:
    """One event of its members, which stand by start."""
    first, ends = members[0], [one.end for one in members]
    return SharedEvent(
        id=event_id(first.cabin, first.unit, first.start),
        trouble=min((one.trouble for one in members), key=TROUBLES.index), start=first.start,
        end=None if None in ends else max(one for one in ends if one is not None), supply_line=supply_line,
        members=members)


def _at(us: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(us))
