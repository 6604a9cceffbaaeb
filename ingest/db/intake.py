"""Rows into the store: each exactly once, and nothing lost."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, NamedTuple, cast

import duckdb
import numpy as np
import pandas as pd

from ingest.db import archive
from ingest.db.engine import named
from ingest.db.flood import Flood
from ingest.db.frames import frame
from ingest.db.quarantine import source_of
from ingest.db.schema import FUTURE_S, QUANTITY_COLUMNS, reasons, rounded, split
from ingest.wire import mapped, senml
from ingest.wire.instants import Rows
from models.doors import OWN_TREE, Topic, Topics
from models.exposure import WORSE_VALUE

# cabin, unit -> earliest and latest instant that a commit touched
Touched = dict[tuple[str, str], tuple[pd.Timestamp, pd.Timestamp]]

CLOCKS_DIFFER = timedelta(seconds=FUTURE_S)
MOST_BEHIND = timedelta(days=400)  # a winter's backlog and more; common practice, no source

_INSTANT = ["cabin", "unit", "at"]
_QUANTITIES = ", ".join(QUANTITY_COLUMNS)
_SAME = 'r.cabin = b.cabin AND r.unit = b.unit AND r."at" = b."at"'
# Exact, because a duplicate of a batch row has an instant within the batch's own span; cheap, because
# that span is all that is looked at. Relies on one writer.
_WINDOW = 'r."at" BETWEEN $since AND $until'

# Of two different values for one instant the worse is kept (models.exposure.WORSE_VALUE); NULL gives way.
_WORSE = {
    c: f"{'greatest' if WORSE_VALUE[c] == 'max' else 'least'}(coalesce(r.{c}, b.{c}), coalesce(b.{c}, r.{c}))"
    for c in QUANTITY_COLUMNS}
_IS_NEWS = " OR ".join(f"r.{c} IS DISTINCT FROM {worse}" for c, worse in _WORSE.items())
_DIFFERS = " OR ".join(f"r.{c} <> b.{c}" for c in QUANTITY_COLUMNS)

# A later record of the same instant fills what is still empty, and takes the place of what is better.
_FILL = f"""
    UPDATE reading AS r SET {", ".join(f"{c} = {worse}" for c, worse in _WORSE.items())}
    FROM batch AS b
    WHERE {_SAME} AND {_WINDOW} AND ({_IS_NEWS})
    RETURNING r.cabin, r.unit, r."at"
"""  # noqa: S608  (names from our own lists)
# One row per instant of the batch for which another value of a quantity is stored: both.
_CONFLICTS = f"""
    SELECT r.* EXCLUDE (arrived_at) FROM reading AS r JOIN batch AS b ON {_SAME} WHERE {_WINDOW} AND ({_DIFFERS})
    UNION ALL
    SELECT b.cabin, b.unit, b."at", {", ".join(f"b.{c}" for c in QUANTITY_COLUMNS)}
    FROM reading AS r JOIN batch AS b ON {_SAME} WHERE {_WINDOW} AND ({_DIFFERS})
"""  # noqa: S608
_INSERT = f"""
    INSERT INTO reading BY NAME
    SELECT cabin, unit, "at", {_QUANTITIES}, $arrived AS arrived_at FROM batch AS b
    ANTI JOIN (SELECT cabin, unit, "at" FROM reading AS r WHERE {_WINDOW}) AS r
        ON {_SAME}
    ORDER BY "at"
    RETURNING cabin, unit, "at"
"""  # noqa: S608
_LINKS = """
    INSERT INTO link_event
    SELECT cabin, unit, "at", up, $arrived FROM (
        SELECT *, lag(up) OVER (PARTITION BY cabin, unit ORDER BY "at", old DESC) AS before FROM (
            SELECT cabin, unit, "at", up, FALSE AS old FROM links
            UNION ALL
            SELECT cabin, unit, max("at"), arg_max(up, "at"), TRUE FROM link_event GROUP BY ALL))
    WHERE NOT old AND before IS DISTINCT FROM up
"""
_QUARANTINE = """
    INSERT INTO quarantine (arrived_at, source, cabin, unit, payload, reason, times, file)
    SELECT arrived_at, source, cabin, unit, payload, reason, times, file FROM refused
"""

PAYLOAD_KEPT = 4_000  # bytes of a message refused whole that quarantine keeps; all of a longer one lies aside
SLUG_SHOWN = 63  # characters of a slug, at most
NOT_ENROLLED = "is not enrolled"


@dataclass(slots=True)
class Kept:
    """What one commit did."""

    rows: int = 0
    filled: int = 0
    already: int = 0
    refused: int = 0
    touched: Touched = field(default_factory=dict)


class _Pack(NamedTuple):
    """Rows by their instant, what of it was refused, and the instants that were told as before the arrival.

    `clashes`: what else it says of some instants.
    """

    rows: Rows
    problems: list[senml.Refusal]
    relative: set[int]
    clashes: Rows


@dataclass(slots=True)
class Message:
    """A message as it came."""

    topic: str
    payload: bytes
    arrived: datetime
    mid: int = 0
    qos: int = 1
    connection: int = 0  # which connection brought it: its number `mid` means nothing on a later one
    retained: bool = False  # the broker kept it from before: it is no news
    basis_s: float = 0.0  # of the clock that `arrived` is by (`ingest.clock.OwnClock`)
    # what it holds, by that arrival, and by what the registry says of its topic
    _read: tuple[datetime, Topic | None, _Pack | senml.PackRefused] | None = None

    def read(self, topic: Topic | None = None) -> _Pack:
        """The rows of its pack, read once: a batch is decoded again where a clock or the registry changed.

        Parameters
        ----------
        topic : Topic, optional
            What its payload holds, where that is no pack of SenML.

        Raises
        ------
        PackRefused
            If nothing of it can be used.
        """
        if self._read is None or self._read[0] != self.arrived or self._read[1] is not topic:
            relative: set[int] = set()
            clashes: Rows = {}
            at_s = self.arrived.timestamp()
            try:
                found = senml.readings(
                    self.payload, at_s, relative, clashes) if topic is None else mapped.readings(
                    self.payload, topic, at_s, relative, clashes, retained=self.retained)
                self._read = (self.arrived, topic, _Pack(*found, relative, clashes))
            except senml.PackRefused as error:
                self._read = (self.arrived, topic, error)
        if isinstance(self._read[2], senml.PackRefused):
            raise self._read[2]
        return self._read[2]


@dataclass(slots=True)
class Decoded:
    """Messages as rows, link events and what was refused.

    `refused` has `source, cabin, unit, payload, reason, times` (records that the row stands for), `file` (name of
    the whole message in the folder of those set aside, none yet) and `aside` (number of the message that is to be
    set aside whole, or -1). `relative` says per row whether its time was told as before the arrival.
    """

    rows: pd.DataFrame
    links: pd.DataFrame
    refused: pd.DataFrame
    relative: np.ndarray


REFUSED_COLUMNS = ("source", "cabin", "unit", "payload", "reason", "times", "file", "aside")


class _Refused:
    """Rows for quarantine, as they come up."""

    def __init__(self, messages: list[Message]) -> None:
        self._messages = messages
        self._rows: list[tuple[str, str | None, str | None, bytes, str, int, None, int]] = []

    def whole(self, number: int, reason: str, unit: tuple[str, str] | None = None) -> None:
        """A message of which nothing can be used; set aside where quarantine cannot hold all of it."""
        payload = self._messages[number].payload
        aside = len(payload) > PAYLOAD_KEPT  # every limit of a whole message lies above that
        self.part(number, unit, payload[:PAYLOAD_KEPT], reason, 1, aside=aside)

    def part(
        self, number: int, unit: tuple[str, str] | None, text: bytes, reason: str, times: int, *,
        aside: bool = False,
    ) -> None:
        """Records of a message of which the rest is kept."""
        source = source_of(self._messages[number].topic)
        cabin, slug = unit or (None, None)
        self._rows.append((source, cabin, slug, text, reason, times, None, number if aside else -1))

    def frame(self) -> pd.DataFrame:
        """All of them, with `REFUSED_COLUMNS`."""
        out = pd.DataFrame(self._rows, columns=list(REFUSED_COLUMNS))
        return out.astype({"times": "int64", "aside": "int64", "file": "object"})


@dataclass(frozen=True, slots=True)
class Known:
    """Which names of units stand for what: those enrolled, former names, and why others are refused."""

    enrolled: Collection[tuple[str, str]]
    former: Mapping[tuple[str, str], tuple[str, str]] = field(default_factory=dict)
    why_not: Callable[[tuple[str, str]], str] = lambda key: ""
    topics: Topics = field(default_factory=Topics)

    def unit(self, key: tuple[str, str]) -> tuple[str, str] | None:
        """The enrolled unit that a name stands for."""
        return key if key in self.enrolled else self.former.get(key)

    def refusal(self, key: tuple[str, str]) -> str:
        """Why nothing is taken in under a name."""
        return self.why_not(key) or (
            f"unit {key[1][:SLUG_SHOWN]!r} of cabin {key[0][:SLUG_SHOWN]!r} {NOT_ENROLLED}")


def decode(
    messages: list[Message], known: Known | Collection[tuple[str, str]], now: pd.Timestamp,
    ahead: timedelta = CLOCKS_DIFFER,
) -> Decoded:
    """A batch of messages to valid rows; never raises for what a device sent.

    Time and memory go with the size of what is decoded, whatever is in it; a payload past `ingest.wire.limits` is
    not.

    Parameters
    ----------
    messages : list of Message
        In order of arrival.
    known : Known or collection of (cabin, unit)
        The registry, or its units alone; others are quarantined. What comes under a unit's former name is that
        unit's, but for its link: a last will may stay with the broker for ever, so there a live `up` alone is news.
    now : Timestamp
        The store's present instant.
    ahead : timedelta
        What lies further after it is refused.
    """
    keys: list[tuple[str, str, int, int]] = []
    values: list[dict[str, float | bool]] = []
    links: list[tuple[str, str, datetime, bool]] = []
    last_link: dict[tuple[str, str], datetime] = {}
    refused, by_arrival = _Refused(messages), list[bool]()
    known = known if isinstance(known, Known) else Known(known)
    for number, message in enumerate(messages):
        parts, own = message.topic.split("/", 4), known.topics.at(message.topic)
        if own is not None:
            parts = [OWN_TREE, *own[0], "log"]
        if len(parts) != 4 or parts[0] != OWN_TREE or parts[3] not in ("log", "link"):
            refused.whole(
                number, "topic must be tarnlight/<cabin>/<unit>/log or .../link, or one that the registry names")
            continue
        told = (parts[1], parts[2])
        found = known.unit(told)
        if found is None:
            refused.whole(number, known.refusal(told))
            continue
        cabin, unit = found
        if parts[3] == "link":
            if found != told and (message.retained or message.payload != b"up"):
                continue
            if message.payload in (b"up", b"down"):
                # a last will and the return of its device often share a millisecond; their order must last
                last = last_link.get((cabin, unit))
                at = message.arrived if last is None else max(message.arrived, last + timedelta(microseconds=1))
                last_link[cabin, unit] = at
                links.append((cabin, unit, at, message.payload == b"up"))
            elif message.payload:  # an empty one removes the retained message: no news
                refused.whole(number, "link must be up or down", (cabin, unit))
            continue
        try:
            rows, problems, relative, clashes = message.read(own[1] if own else None)
        except senml.PackRefused as error:
            refused.whole(number, str(error), (cabin, unit))
            continue
        for one in problems:
            refused.part(
                number, (cabin, unit), one.record.encode(), one.reason, one.times, aside=one.past_limit)
        instants = [*rows, *clashes]  # of one instant the worse value counts (`merge_same_instant`)
        keys += [(cabin, unit, at_ms, number) for at_ms in instants]
        values += [*rows.values(), *clashes.values()]
        by_arrival += [at_ms in relative for at_ms in instants] if relative else [False] * len(instants)
    valid, bad = _frame(keys, values, now + ahead - CLOCKS_DIFFER)
    for number, row, text, reason, times in bad:
        refused.part(number, keys[row][:2], text.encode(), reason, times)
    return Decoded(
        rows=valid, links=pd.DataFrame(links, columns=["cabin", "unit", "at", "up"]), refused=refused.frame(),
        relative=np.array(by_arrival, bool)[valid.index.to_numpy(np.int64)])


def failed(message: Message, error: Exception) -> Decoded:
    """A message that this program could not take, for quarantine: its fault or ours, it must not come for ever."""
    nothing, _ = _frame([], [], pd.Timestamp(message.arrived))
    links = pd.DataFrame([], columns=["cabin", "unit", "at", "up"])
    refused = _Refused([message])
    refused.whole(0, f"could not be kept: {type(error).__name__}: {error}"[:1000])
    return Decoded(rows=nothing, links=links, refused=refused.frame(), relative=np.zeros(0, bool))


def _frame(
    keys: list[tuple[str, str, int, int]], values: list[dict[str, float | bool]], now: pd.Timestamp,
) -> tuple[pd.DataFrame, list[tuple[int, int, str, str, int]]]:
    """Rows as a valid frame, and what of them was out of range, as `by_reason` says it."""
    at_ms = np.array([key[2] for key in keys], dtype="int64")
    at = pd.to_datetime(at_ms, unit="ms", utc=True).astype("datetime64[us, UTC]")
    columns: dict[str, Any] = {column: [row.get(column) for row in values] for column in QUANTITY_COLUMNS}
    columns |= {"cabin": [key[0] for key in keys], "unit": [key[1] for key in keys], "at": at}
    batch = rounded(pd.DataFrame(columns))
    valid, bad = split(batch, now)
    return valid, by_reason(batch, bad, [key[3] for key in keys], values)


def by_reason(
    batch: pd.DataFrame, bad: pd.DataFrame, packs: list[int], values: list[dict[str, float | bool]],
) -> list[tuple[int, int, str, str, int]]:
    """What `schema.split` refused, once for each pack and reason.

    Parameters
    ----------
    batch, bad : DataFrame
        What `split` was given, its labels positions in the lists that follow, and what it refused of it.
    packs, values : list
        Per row the number of its pack, and its quantities as they came.

    Returns
    -------
    list of (pack, row, text, reason, times)
        `row` is the first of them; `text` the first few, a line each.
    """
    if bad.empty:
        return []
    bad = bad.assign(pack=np.array(packs, dtype="int64")[bad["row"].astype("int64")])
    groups = bad.groupby(["pack", "column", "check"], sort=False)
    bad["nth"], bad["times"] = groups.cumcount(), groups["row"].transform("size")
    few = bad[bad["nth"] < senml.EXAMPLES]
    out: dict[tuple[int, str, str], tuple[int, int, list[str], str, int]] = {}
    at_ms = batch["at"].iloc[few["row"].astype("int64")].dt.as_unit("ms").astype("int64").tolist()
    for one, reason, row_ms in zip(named(few), reasons(batch, few), at_ms, strict=True):
        found = values[one.row]
        shown = {one.column: found[one.column]} if one.column in found else found
        first = out.setdefault((one.pack, one.column, one.check), (one.pack, one.row, [], reason, int(one.times)))
        first[2].append(json.dumps({"at_ms": row_ms, **shown}))
    return [(pack, row, "\n".join(texts), reason, times) for pack, row, texts, reason, times in out.values()]


def merge_same_instant(rows: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of one instant as one, of each quantity the worse value; and the others, for quarantine."""
    twice = rows.duplicated(_INSTANT, keep=False)
    if not twice.any():
        return rows, pd.DataFrame(columns=REFUSED_COLUMNS)
    worse = rows[twice].groupby(_INSTANT, sort=False, as_index=False).agg(
        {column: WORSE_VALUE[column] for column in QUANTITY_COLUMNS})
    kept = pd.concat([rows[~twice], worse.astype(rows.dtypes.to_dict())[list(rows.columns)]], ignore_index=True)
    return kept, _outdone(rows[twice])


def _outdone(rows: pd.DataFrame) -> pd.DataFrame:
    """The values that a worse one of their very instant outdid, as rows for quarantine."""
    by = rows.groupby(_INSTANT, sort=False)
    parts = []
    for column in QUANTITY_COLUMNS:
        worst = by[column].transform(WORSE_VALUE[column])
        lost = rows[column].notna() & worst.notna() & (rows[column] != worst)
        if not lost.any():
            continue
        found = rows.loc[lost, [*_INSTANT, column]].assign(worst=worst[lost]).drop_duplicates()
        parts.append(pd.DataFrame({
            "source": [f"tarnlight/{one.cabin}/{one.unit}/log" for one in found.itertuples()],
            "cabin": found["cabin"].tolist(), "unit": found["unit"].tolist(),
            "payload": [
                json.dumps({"at": at.isoformat(), column: value}).encode()
                for at, value in zip(found["at"], found[column].tolist(), strict=True)],
            "reason": [
                f"{column} = {value}: for the same instant {worst} was sent too, and the worse of the two counts"
                for value, worst in zip(found[column].tolist(), found["worst"].tolist(), strict=True)]}))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=REFUSED_COLUMNS)


def far_behind(
    con: duckdb.DuckDBPyConnection, rows: pd.DataFrame, now: datetime
) -> tuple[np.ndarray, pd.DataFrame]:
    """Which rows lie further before what their unit last told than any backlog; and they, for quarantine.

    A logger whose clock fell back to its first day would else have years of silence worked out for each message.
    Measured by the unit's own newest reading, so that a wrong clock of ours refuses nothing.

    Returns
    -------
    behind : ndarray of bool, shape (rows,)
    refused : DataFrame
        As `keep` takes it; a record holds as many lines as fit, each one row.
    """
    behind = (rows["at"] < pd.Timestamp(now) - MOST_BEHIND).to_numpy(bool)  # rare: else nothing is asked
    nothing = pd.DataFrame(columns=REFUSED_COLUMNS)
    if not behind.any():
        return behind, nothing
    present = frame(con.execute('SELECT cabin, unit, "at" AS newest FROM present'))
    present = present.astype({"cabin": "str", "unit": "str"})
    newest = rows[["cabin", "unit"]].merge(present, on=["cabin", "unit"], how="left")["newest"]
    lag = pd.to_datetime(newest, utc=True) - rows["at"].reset_index(drop=True)
    behind = (lag > MOST_BEHIND).to_numpy(bool)  # False where nothing was ever told
    if not behind.any():
        return behind, nothing
    return behind, _as_refused(rows[behind], (
        f"lies more than {MOST_BEHIND.days} days before the unit's newest reading: the logger's clock is wrong, or "
        "this is an old log: load it from a file"))


def _not_placed(rows: pd.DataFrame, why: str) -> pd.DataFrame:
    """Rows of an archived month whose file cannot be had, for quarantine: they might be stored there already."""
    how = "then release it: `tarnlight quarantine release --refused --shift 0`"
    return _as_refused(rows, f"is of an archived month, and {why}, {how}")


def _as_refused(rows: pd.DataFrame, why: str) -> pd.DataFrame:
    """Rows for quarantine, as many in one record as fit, each a line of it."""
    parts = []
    for (cabin, unit), mine in rows.groupby(["cabin", "unit"], sort=False):
        shown = mine.assign(at_ms=mine["at"].dt.as_unit("ms").astype("int64"))[["at_ms", *QUANTITY_COLUMNS]]
        lines = shown.to_json(orient="records", lines=True, double_precision=15).splitlines()
        reason = f"at = {mine['at'].iloc[0]:%Y-%m-%d %H:%M:%S}+00:00 {why}"
        parts += [
            (f"tarnlight/{cabin}/{unit}/log", cabin, unit, "\n".join(some).encode(), reason, len(some), None, -1)
            for some in _parts(lines, PAYLOAD_KEPT)]
    return pd.DataFrame(parts, columns=list(REFUSED_COLUMNS)).astype({"file": "object"})


def _parts(lines: list[str], most: int) -> Iterator[list[str]]:
    """Lines in parts of at most so many characters."""
    part: list[str] = []
    size = 0
    for line in lines:
        if part and size + len(line) + 1 > most:
            yield part
            part, size = [], 0
        part.append(line)
        size += len(line) + 1
    if part:
        yield part


def heard_live(con: duckdb.DuckDBPyConnection, keys: Iterable[tuple[str, str]], now: datetime) -> None:
    """Note when these units were first heard live, unless it is known; the caller holds the transaction."""
    for cabin, unit in keys:
        con.execute("""
            INSERT INTO first_live SELECT $cabin, $unit, $now WHERE NOT EXISTS (
                FROM first_live WHERE cabin = $cabin AND unit = $unit)
        """, {"cabin": cabin, "unit": unit, "now": now})


def keep(
    con: duckdb.DuckDBPyConnection, *, rows: pd.DataFrame, arrived: datetime,
    links: pd.DataFrame | None = None, refused: pd.DataFrame | None = None, flood: Flood | None = None,
) -> Kept:
    """Write a batch; the caller holds the transaction.

    Parameters
    ----------
    rows : DataFrame
        Columns of `Reading`, valid.
    links, refused : DataFrame or None
        Link events; rows for quarantine (`source, cabin, unit, payload, reason`, and `times`, `file` where a row
        stands for several records, or all of the message lies aside; `arrived_at` where that was another time).
    flood : Flood or None
        Has thinned `refused`; thins what is refused here, and adds what it counted.
    """
    kept = Kept()
    if len(rows):
        one_each, outdone = merge_same_instant(rows)
        lacking, why = archive.make_room_for(con, one_each, arrived)
        if lacking.any():
            outdone = pd.concat([outdone, _not_placed(one_each[lacking], why)], ignore_index=True)
            one_each = one_each[~lacking]
        if len(one_each):
            given = len(rows) - int(lacking.sum())
            outdone = pd.concat([outdone, _keep_rows(con, one_each, given, arrived, kept)], ignore_index=True)
        outdone = outdone if flood is None else flood.thin(outdone, arrived)
        if len(outdone):
            refused = outdone if refused is None else pd.concat([refused, outdone], ignore_index=True)
    if links is not None and len(links):
        con.register("links", links)
        # a retained message comes again at every connection: only a change is an event
        con.execute(_LINKS, {"arrived": arrived})
        con.unregister("links")
    if refused is not None and len(refused):
        refused = pd.DataFrame(
            {"times": 1, "file": None, "arrived_at": arrived} | dict(refused.items()), index=refused.index)
        refused["times"] = refused["times"].fillna(1)
        con.register("refused", refused)
        con.execute(_QUARANTINE)
        con.unregister("refused")
        kept.refused = int(refused["times"].sum())
    if flood is not None:
        kept.refused += flood.write(con)
    return kept


def _keep_rows(
    con: duckdb.DuckDBPyConnection, rows: pd.DataFrame, given: int, arrived: datetime, kept: Kept
) -> pd.DataFrame:
    """Write rows of one instant each; what a stored or a given value outdid, for quarantine."""
    con.register("batch", rows)
    window: Mapping[str, Any] = {
        "since": rows["at"].min().to_pydatetime(), "until": rows["at"].max().to_pydatetime()}
    both = frame(con.execute(_CONFLICTS, dict(window)))
    filled = frame(con.execute(_FILL, dict(window)))
    inserted = frame(con.execute(_INSERT, {**window, "arrived": arrived}))
    con.unregister("batch")
    kept.rows, kept.filled = len(inserted), len(filled)
    kept.already = given - len(inserted) - len(filled)
    changed = pd.concat([frame for frame in (filled, inserted) if len(frame)] or [inserted])
    for key, at in changed.groupby(["cabin", "unit"])["at"]:
        cabin, unit = cast(tuple[str, str], key)
        kept.touched[cabin, unit] = (at.min(), at.max())
    return _outdone(both) if len(both) else pd.DataFrame(columns=REFUSED_COLUMNS)
