"""A unit's past, taken in whole: what was measured, what was done, and the advisories that were lifted then.

For the demo's history. Live messages and files go through `ingest.db.intake` and `ingest.evaluation.watch` alone.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta

import pandas as pd

from ingest.db.engine import named, transaction
from ingest.db.intake import Kept, keep
from ingest.db.schema import QUANTITY_COLUMNS, reasons, rounded, split
from ingest.evaluation.daily import pay_days
from ingest.evaluation.evaluate import derive, owe
from ingest.evaluation.exposed import unanswered
from ingest.evaluation.play import Past, play
from ingest.evaluation.watch import watch
from ingest.record.advisory_log import INSERT_SERVICE
from ingest.record.laboratory import insert_report, report_of
from ingest.registry.tables import load_fleet
from ingest.store import Store
from models.advisory import Lifted
from models.fleet import Fleet

_ARRIVED = """
    UPDATE reading AS r SET arrived_at = s.sent_at FROM sent AS s
    WHERE r.cabin = $cabin AND r.unit = $unit AND r."at" = s."at"
"""
# Hours after the last under-dosed litre, kind, value and note of what people of that past did.
_DID = (
    (3, "flushed", None, "all taps, cold and hot"), (5, "chlorinated", None, "plumbing of the cabin"),
    (29, "sampled", 0.0, "kitchen tap"), (53, "sampled", 0.0, "kitchen tap"))
FLUSH_TOOK = timedelta(hours=2)  # the demo's people write down when a flush was over


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenTo:
    """Who saw to the advisories of a past, and how long after the last under-dosed litre each was lifted."""

    who: str
    lifted_after: timedelta = timedelta(days=3)
    reason: str = "two clean samples a day apart; lamp seen lit and warm"


def take_in(
    store: Store, cabin: str, unit: str, *, readings: pd.DataFrame, links: pd.DataFrame, service: pd.DataFrame,
    now: datetime, seen_to: SeenTo | None = None,
) -> Kept:
    """Keep one unit's past and work it out, but for its days (`pay_all_days`).

    Parameters
    ----------
    readings : DataFrame
        `at` and the columns of a reading; `sent_at` where that is known, when they were sent.
    links : DataFrame
        `at`, `up`.
    service : DataFrame
        `at`, `kind`, `who`, `value`, `note`: what was recorded.
    now : datetime
        The end of that past.
    seen_to : SeenTo, optional
        Who did what its advisories asked for; None: nobody.
    """
    con = store.con
    rows = readings[["at", *QUANTITY_COLUMNS]].reset_index(drop=True).assign(cabin=cabin, unit=unit)
    batch = rounded(rows)
    valid, bad = split(batch, pd.Timestamp(now))
    refused = pd.DataFrame({
        "source": f"tarnlight/{cabin}/{unit}/log", "cabin": cabin, "unit": unit,
        "payload": [rows.loc[int(row)].to_json(date_format="iso").encode() for row in bad["row"]],
        "reason": reasons(batch, bad)})
    if "sent_at" in readings:
        refused["arrived_at"] = readings["sent_at"].reset_index(drop=True).reindex(bad["row"]).fillna(
            pd.Timestamp(now)).to_numpy()

    def work() -> Kept:
        kept = keep(con, rows=valid, links=links.assign(cabin=cabin, unit=unit), refused=refused, arrived=now)
        if "sent_at" in readings:
            con.register("sent", readings[["at", "sent_at"]].dropna())
            con.execute(_ARRIVED, {"cabin": cabin, "unit": unit})
            con.unregister("sent")
            # what became of a link was told as it happened
            con.execute('UPDATE link_event SET arrived_at = "at" WHERE cabin = $cabin AND unit = $unit', {
                "cabin": cabin, "unit": unit})
        _record(store, cabin, unit, service)
        owe(con, kept.touched)
        return kept

    kept = transaction(con, work)
    fleet = load_fleet(store)
    derive(con, fleet, now)
    lifts: tuple[Lifted, ...] = ()
    if seen_to is not None:
        did, lifts = _seen_to(store, fleet, (cabin, unit), now, seen_to)
        transaction(con, lambda: _record(store, cabin, unit, did))
    play(con, fleet, now, [(cabin, unit)], Past(lifts=lifts, flush_took=FLUSH_TOOK))
    watch(con, fleet, now, [(cabin, unit)])
    return kept


def pay_all_days(store: Store, now: datetime) -> None:
    """Work out the days of all units taken in: at once, which asks less than each unit's by themselves."""
    pay_days(store.con, load_fleet(store), now)


def _record(store: Store, cabin: str, unit: str, done: pd.DataFrame) -> None:
    """Keep what was recorded of the unit, each at its own instant."""
    limits = load_fleet(store).laboratory
    for one in named(done):
        number, at = str(uuid.uuid4()), one.at.to_pydatetime()
        value = None if pd.isna(one.value) else float(one.value)
        report = report_of({"value": value}, at, limits) if one.kind == "sampled" else None
        if report is not None:
            insert_report(store.con, number, report, None)
        store.con.execute(INSERT_SERVICE, {
            "id": number, "cabin": cabin, "unit": unit, "at_": at, "kind": one.kind, "who": one.who,
            "value": value, "note": one.note, "now": at})


def _seen_to(
    store: Store, fleet: Fleet, key: tuple[str, str], now: datetime, by: SeenTo
) -> tuple[pd.DataFrame, tuple[Lifted, ...]]:
    """What that person did about the unit's under-dosed water, after each spell of it that was long over.

    Returns
    -------
    did : DataFrame
        Columns of `service`.
    lifts : tuple of Lifted
        In order of time.
    """
    found = unanswered(store, fleet, [key], now)
    found = found[~found["to_watch"].astype(bool)].sort_values("start")
    reach = found["end"].cummax()
    last = (found["start"].shift(-1) - reach) > by.lifted_after
    last.iloc[-1:] = True
    ends = [one for one in reach[last] if one < pd.Timestamp(now) - by.lifted_after]
    did = [
        {"at": end + timedelta(hours=hours), "kind": kind, "who": by.who, "value": value, "note": note}
        for end in ends for hours, kind, value, note in _DID]
    return (
        pd.DataFrame(did, columns=["at", "kind", "who", "value", "note"]),
        tuple(Lifted(at=(end + by.lifted_after).to_pydatetime(), by=by.who, reason=by.reason) for end in ends))
