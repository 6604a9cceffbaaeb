"""Shared events as the store knows them: worked out from its intervals each time they are asked for."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from ingest.db.engine import Asks
from ingest.evaluation.judging import PRESENT, tails_table
from ingest.registry.tables import load_history
from models.advisory.shared_event import SharedEvent, Trouble, shared_events
from models.exposure import IntervalKind, IntervalReason
from models.fleet import Fleet

SPAN = timedelta(days=30)  # how far back shared events are looked for, unless told otherwise
# One row per stretch that was dark or unheard; not of a lamp that is dark although the power is on: it has its own
# cause.
_STRETCHES = """
    SELECT cabin, unit, kind, cause, start, "end" FROM segment
    WHERE kind IN ('dark', 'unheard') AND cause <> 'no-lamp' AND "end" > $since
"""


def events_since(store: Asks, fleet: Fleet, now: datetime, since: datetime) -> tuple[SharedEvent, ...]:
    """Shared events with a part that lies after `since`, oldest first.

    An event that began before has the parts alone that reach beyond `since`: its id may be another there.
    """
    places = pd.DataFrame(
        [(one.slug, one.latitude, one.longitude, one.supply_line) for one in fleet.cabins],
        columns=["cabin", "latitude", "longitude", "supply_line"])
    if places.empty:
        return ()
    found = spells(store, now, since)
    here = [fleet.has_unit(*key) for key in zip(found["cabin"], found["unit"], strict=True)]  # not what is retired
    return shared_events(
        found[np.array(here, bool)].reset_index(drop=True), places, sum(len(one.units) for one in fleet.cabins))


def spells(store: Asks, now: datetime, since: datetime) -> pd.DataFrame:
    """Each unit's power cuts, dark lamps and silences: what `shared_events` takes."""
    names = ["cabin", "unit", "kind", "cause", "start", "end"]
    tail = tails_table(store.ask(PRESENT), load_history(store), now)
    parts = [store.ask(_STRETCHES, {"since": since})[names]]
    if len(tail):
        bad = tail["kind"].isin([IntervalKind.DARK, IntervalKind.UNHEARD])
        parts.append(tail[bad & (tail["cause"] != IntervalReason.NO_LAMP)][names])
    found = pd.concat([one for one in parts if len(one)] or parts[:1], ignore_index=True)
    found["trouble"] = str(Trouble.SILENCE)
    found.loc[found["kind"] == IntervalKind.DARK, "trouble"] = str(Trouble.DARK)
    found.loc[found["cause"] == IntervalReason.NO_POWER, "trouble"] = str(Trouble.POWER_CUT)
    found = found.sort_values(["cabin", "unit", "start", "end"]).reset_index(drop=True)
    for name in ("start", "end"):
        found[name] = found[name].astype("datetime64[us, UTC]")
    # the store cuts at the borders of hours; what touches and is alike is one
    same = (found[["cabin", "unit", "trouble"]] == found[["cabin", "unit", "trouble"]].shift()).all(axis=1)
    number = (~(same & (found["start"] <= found["end"].shift()))).cumsum()
    whole = found.groupby(number, sort=False).agg(
        cabin=("cabin", "first"), unit=("unit", "first"), trouble=("trouble", "first"), start=("start", "min"),
        end=("end", "max")).reset_index(drop=True)
    whole["end"] = whole["end"].where(whole["end"] < pd.Timestamp(now))
    return whole
