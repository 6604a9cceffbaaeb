"""Advisory events as text: what the append-only record keeps."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from datetime import UTC, datetime
from typing import Any

from models.advisory.events import (
    Event,
    Exposed,
    Exposure,
    Lifted,
    PlayedAnew,
    Proof,
    Raised,
    RecordWithdrawn,
    Remeasured,
    SampleFailed,
    StepRecorded,
)
from models.advisory.pieces import Piece

_KINDS: Mapping[str, type[Event]] = {
    kind.kind: kind for kind in (
        Raised, Exposed, Remeasured, PlayedAnew, Proof, StepRecorded, SampleFailed, RecordWithdrawn, Lifted)
}


def to_json(event: Event) -> str:
    """The event as one JSON object, with its `kind`; instants as ISO 8601 in UTC. `from_json` gives it back."""
    return json.dumps({"kind": event.kind, **_plain(event)}, ensure_ascii=False, allow_nan=False)


def from_json(text: str) -> Event:
    """The event of such a text.

    Raises
    ------
    ValueError
        If the kind is none of ours or a field is missing or unknown; the message names it.
    """
    body = dict(json.loads(text))
    kind = body.pop("kind", None)
    made = _KINDS.get(kind)
    if made is None:
        raise ValueError(f"kind must be one of {', '.join(_KINDS)}; got {kind!r}")
    try:
        return made(**_read(body))
    except TypeError as error:
        raise ValueError(f"event {kind!r}: {error}") from error


def _plain(value: Any) -> dict[str, Any]:
    """Fields of a frozen value as JSON takes them."""
    plain: dict[str, Any] = {}
    for field in fields(value):
        one = getattr(value, field.name)
        if isinstance(one, datetime):
            one = one.astimezone(UTC).isoformat()
        elif isinstance(one, Exposure):
            one = _plain(one)
        elif isinstance(one, tuple):
            one = [_plain(each) if isinstance(each, Piece) else each for each in one]
        plain[field.name] = one
    return plain


def _read(body: Mapping[str, Any]) -> dict[str, Any]:
    """The other way round."""
    made: dict[str, Any] = dict(body)
    for name in ("at", "done_at", "begun_at", "known_at", "raised_at", "since", "start", "end"):
        if isinstance(made.get(name), str):
            made[name] = datetime.fromisoformat(made[name])
    if isinstance(made.get("exposure"), Mapping):
        made["exposure"] = Exposure(**_read(made["exposure"]))
    if isinstance(made.get("pieces"), list):
        made["pieces"] = tuple(Piece(**_read(one)) for one in made["pieces"])
    return made
