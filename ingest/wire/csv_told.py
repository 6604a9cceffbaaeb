"""What somebody said of a logger's files: by options, or by a profile that was saved under a name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ingest.db.schema import QUANTITY_COLUMNS
from ingest.settings import BadInput
from ingest.wire.csv_shape import (
    DATE_ORDERS,
    DECIMALS,
    TARGETS,
    Source,
    delimiter_named,
    encoding_named,
    one_of,
    source,
    zone,
)
from models.units import FLAGS

MOST_HEADER_ROW = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What is told of a file; None or nothing where it has to be found."""

    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    header_row: int | None = None
    date_order: str | None = None
    zone: str | None = None
    words: Mapping[str, bool | None] = field(default_factory=dict)
    events: Mapping[str, tuple[str, bool] | None] = field(default_factory=dict)
    columns: Mapping[str, Source | None] = field(default_factory=dict)  # None: left out
    whole_map: bool = False  # headers that are not in `columns` are left out
    cabin: str | None = None
    unit: str | None = None

    def __post_init__(self) -> None:
        if self.encoding is not None:
            object.__setattr__(self, "encoding", encoding_named(self.encoding))
        if self.delimiter is not None:
            object.__setattr__(self, "delimiter", delimiter_named(self.delimiter))
        if self.decimal is not None:
            one_of("--decimal", self.decimal, DECIMALS)
        if self.date_order is not None:
            one_of("--date-order", self.date_order, DATE_ORDERS)
        if self.zone is not None:
            zone(self.zone, "--zone")
        if self.header_row is not None and not 1 <= self.header_row <= MOST_HEADER_ROW:
            raise BadInput(f"--header-row must be a line, 1 to {MOST_HEADER_ROW}; got {self.header_row}")

    def over(self, profile: Told) -> Told:
        """What is told here, and what of a profile it does not say."""
        def first(name: str) -> Any:
            here = getattr(self, name)
            return getattr(profile, name) if here is None else here

        return Told(
            **{name: first(name) for name in (
                "encoding", "delimiter", "decimal", "header_row", "date_order", "zone", "cabin", "unit")},
            words={**profile.words, **self.words}, events={**profile.events, **self.events},
            columns={**profile.columns, **self.columns},
            whole_map=self.whole_map or profile.whole_map)

    def body(self) -> dict[str, Any]:
        """As JSON keeps it; cabin and unit are a file's own, and not kept."""
        return {
            "encoding": self.encoding, "delimiter": self.delimiter, "decimal": self.decimal,
            "header_row": self.header_row, "date_order": self.date_order, "zone": self.zone,
            "words": dict(self.words), "events": {
                text: None if says is None else list(says) for text, says in self.events.items()}, "columns": {
                header: None if one is None else {
                    "column": one.column, "unit": one.unit, "owner": list(one.owner) if one.owner else None}
                for header, one in self.columns.items()}}


def told_from(body: Mapping[str, Any]) -> Told:
    """What such a body says.

    Raises
    ------
    BadInput
        If it is none.
    """
    names = ("encoding", "delimiter", "decimal", "header_row", "date_order", "zone")
    columns, words = body.get("columns"), body.get("words", {})
    if not isinstance(columns, dict) or not columns or not isinstance(words, dict):
        raise BadInput("a profile must hold columns by their headers, and words")
    row = body.get("header_row")
    if isinstance(row, bool) or not isinstance(row, (int, type(None))):
        raise BadInput(f"header_row must be a line; got {row!r}")
    for word, says in words.items():
        if says not in (True, False, None):
            raise BadInput(f"the word {word!r} must say true, false or null; got {says!r}")
    events = body.get("events", {})
    if not isinstance(events, dict):
        raise BadInput(f"events must be an object; got {events!r}")
    return Told(
        **{name: body.get(name) for name in names}, words=words, whole_map=True,
        events={str(text): _event_from(str(text), says) for text, says in events.items()},
        columns={str(header): _source_from(str(header), one) for header, one in columns.items()})


def _event_from(text: str, says: Any) -> tuple[str, bool] | None:
    if says is None:
        return None
    if not (isinstance(says, list) and len(says) == 2 and says[0] in FLAGS and isinstance(says[1], bool)):
        raise BadInput(f"the event {text!r} must say one of {', '.join(FLAGS)} and true or false; got {says!r}")
    return says[0], says[1]


def _source_from(header: str, one: Any) -> Source | None:
    if one is None:
        return None
    if not isinstance(one, dict) or one.get("column") not in TARGETS:
        raise BadInput(f"{header!r} must name one of {', '.join(TARGETS)}; got {one!r}")
    owner = one.get("owner")
    is_unit = isinstance(owner, list) and len(owner) == 2 and all(isinstance(part, str) for part in owner)
    if owner is not None and not (is_unit and one["column"] in QUANTITY_COLUMNS):
        raise BadInput(f"{header!r}: owner must be a cabin and a unit; got {owner!r}")
    return source(header, one["column"], str(one.get("unit") or ""), (owner[0], owner[1]) if owner else None)
