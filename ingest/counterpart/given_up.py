"""A cabin's other collector that is no more: a named person says so, and what it said last counts no more.

A boil of the other collector counts until that says otherwise, and one that was given up says nothing any more.
Only a named person ends that, as only a named person lifts an advisory; who, why and what it had said is on record.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from ingest.counterpart.said import one_line
from ingest.counterpart.words import counterpart_verdicts
from ingest.db.engine import Local, transaction
from ingest.settings import BadInput
from models.advisory import in_utc
from models.verdict import Word

_KEEP = "INSERT INTO counterpart_given_up VALUES ($cabin, $now, $who, $reason, $told)"


def give_up(con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Let what a cabin's other collector said count no more (`cabin`, `by`, `reason`); `look`: only tell it.

    One that speaks again later is heard again.
    """
    cabin, who, reason = (one_line(body.get(name), 200) for name in ("cabin", "by", "reason"))
    if not who:
        raise BadInput("by must name the person who does it; got an empty name")
    found = counterpart_verdicts(Local(con))
    said = {key: one for key, one in sorted(found.items()) if key[0] == cabin}
    if not said:
        known = ", ".join(sorted({key[0] for key in found})) or "none"
        raise BadInput(f"no other collector has told verdicts of a cabin {cabin!r}; those that have: {known}")
    lines = [
        f"{key[0]}/{key[1]}: {one.place.collector} said {one.verdict} on {in_utc(one.at)}"
        + (f": {one.reason}" if one.reason else "") for key, one in said.items()]
    if any(one.verdict is Word.BOIL for one in said.values()):
        if not reason:
            raise BadInput("it says boil: reason must say why that counts no more, such as what a sample found")
        lines.append("that boil shows here no more: what only that collector heard is then answered by nobody. "
                     "Boil the water until a sample says that it is safe; the local health authority knows more")
    lines.append("what it says from now on is heard again")
    if not body.get("look"):
        told = "; ".join(lines[:len(said)])

        def work() -> None:
            con.execute(_KEEP, {"cabin": cabin, "now": now, "who": who, "reason": reason, "told": told})
            con.execute("DELETE FROM counterpart_verdict WHERE cabin = $cabin", {"cabin": cabin})
            con.execute("DELETE FROM counterpart_lift WHERE cabin = $cabin", {"cabin": cabin})

        transaction(con, work)
    return {"lines": lines}
