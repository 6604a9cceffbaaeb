"""A unit's past, taken in whole: what was measured, what was done, and the advisories that were lifted then.

For the demo's history. Live messages and files go through `ingest.db.intake` and `ingest.evaluation.watch` alone.
"""

from __future__ import annotations

import uuid
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial

import pandas as pd

from ingest.db.engine import named, transaction
from ingest.db.intake import Kept, keep
from ingest.db.schema import QUANTITY_COLUMNS, reasons, rounded, split
from ingest.evaluation.daily import pay_days
from ingest.evaluation.evaluate import derive, owe
from ingest.evaluation.exposed import unanswered
from ingest.evaluation.judging import judged_at, unit_states
from ingest.evaluation.proofs_now import proofs_now
from ingest.evaluation.watch import watch
from ingest.record.advisory_log import INSERT_SERVICE, answer, append, new_advisory
from ingest.record.laboratory import insert_report, report_of
from ingest.registry.tables import load_fleet, load_history
from ingest.store import Store
from models.advisory import (
    Advisory,
    Lifted,
    NotAllowed,
    Proof,
    StepRecorded,
    advance,
    advanced,
    exposure_event,
    new_proofs,
)
from models.advisory.events import FLUSH_STEPS, Event, Step
from models.advisory.exposures import exposure_of
from models.advisory.pieces import Intervals

FLUSH_TOOK = timedelta(hours=2)  # the demo's people write down when a flush was over
_STEPS = {"flushed": (Step.FLUSH_COLD, Step.FLUSH_HOT), "chlorinated": (Step.DISINFECT,)}


def take_in(
    store: Store, cabin: str, unit: str, *, readings: pd.DataFrame, links: pd.DataFrame, service: pd.DataFrame,
    followed: pd.DataFrame, now: datetime,
) -> Kept:
    """Keep one unit's past and work it out.

    Parameters
    ----------
    readings : DataFrame
        `at` and the columns of a reading.
    links : DataFrame
        `at`, `up`.
    service : DataFrame
        `at`, `kind`, `who`, `value`, `note`: what was recorded.
    followed : DataFrame
        The same columns: what people did about under-dosed water; kind `lifted` ends an advisory.
    now : datetime
        The end of that past.
    """
    con = store.con
    rows = readings[["at", *QUANTITY_COLUMNS]].reset_index(drop=True).assign(cabin=cabin, unit=unit)
    batch = rounded(rows)
    valid, bad = split(batch, pd.Timestamp(now))
    refused = pd.DataFrame({
        "source": f"tarnlight/{cabin}/{unit}/log", "cabin": cabin, "unit": unit,
        "payload": [rows.loc[int(row)].to_json(date_format="iso").encode() for row in bad["row"]],
        "reason": reasons(batch, bad)})
    done = pd.concat([service, followed[followed["kind"] != "lifted"]], ignore_index=True)

    def work() -> Kept:
        kept = keep(con, rows=valid, links=links.assign(cabin=cabin, unit=unit), refused=refused, arrived=now)
        limits = load_fleet(store).laboratory
        for one in named(done):
            number, at = str(uuid.uuid4()), one.at.to_pydatetime()
            value = None if pd.isna(one.value) else float(one.value)
            report = report_of({"value": value}, at, limits) if one.kind == "sampled" else None
            if report is not None:
                insert_report(con, number, report, None)
            con.execute(INSERT_SERVICE, {
                "id": number, "cabin": cabin, "unit": unit, "at_": at, "kind": one.kind, "who": one.who,
                "value": value, "note": one.note, "now": at})
        owe(con, kept.touched)
        return kept

    kept = transaction(con, work)
    fleet = load_fleet(store)
    derive(con, fleet, now)
    lifts = followed[followed["kind"] == "lifted"].sort_values("at")

    def weigh() -> None:
        for lift in named(lifts):
            _lifted_then(store, cabin, unit, followed, lift.at.to_pydatetime(), lift)

    transaction(con, weigh)
    watch(con, fleet, now, [(cabin, unit)])
    pay_days(con, fleet, now)
    return kept


def _seen_then(store: Store, key: tuple[str, str], advisory: Advisory, at: datetime) -> tuple[Proof, ...]:
    """What the sensors said then of power, lamp and dose, by all that is stored of the time up to it."""
    history = load_history(store)
    states = unit_states(judged_at(store, history, [key], at), history.present)
    found = proofs_now(store, history.present, {key: advisory}, states, at).get(key, ())
    return new_proofs(advisory, (one for one in found if one.step not in FLUSH_STEPS))


def _lifted_then(
    store: Store, cabin: str, unit: str, followed: pd.DataFrame, at: datetime, lift: object
) -> None:
    """The record of one advisory that began and ended in the past."""
    con, key = store.con, (cabin, unit)
    fleet = load_fleet(store)
    one = fleet.unit(cabin, unit)
    found = unanswered(store, fleet, [key], at, until=at)
    rows = Intervals.by_unit(found[~found["to_watch"].astype(bool)]).get(key)
    exposure = exposure_of(rows, dose_target_mj_cm2=one.dose_target_mj_cm2, now=at)
    if exposure is None or exposure.end is None:
        return
    asked = partial(exposure_event, hot_tank_l=one.hot_tank_l, policy=fleet.policy, exactly=True)
    # it was raised with the first litre, and then it ended
    raised = asked(None, replace(exposure, end=None), at=exposure.start)
    if raised is None:
        return
    advisory: Advisory = advance(None, raised)
    ended = asked(advisory, exposure, at=exposure.end)
    events: list[Event] = [raised, *([ended] if ended is not None else [])]
    advisory = advanced(advisory, events[1:])
    samples = iter((Step.SAMPLE_1, Step.SAMPLE_2))
    between = followed[(followed["at"] > pd.Timestamp(exposure.end)) & (followed["at"] < pd.Timestamp(at))]
    for did in named(between.sort_values("at")):
        steps = _STEPS.get(did.kind, ()) if did.kind != "sampled" else (next(samples, Step.SAMPLE_2),)
        for step in steps:
            record = StepRecorded(
                at=did.at.to_pydatetime(), step=step, by=did.who, note=did.note,
                begun_at=did.at.to_pydatetime() - FLUSH_TOOK if step in FLUSH_STEPS else None)
            try:
                advisory = advance(advisory, record)
            except NotAllowed:
                continue  # a step that this exposure does not ask for
            events.append(record)
    seen = _seen_then(store, key, advisory, at)
    advisory = advanced(advisory, seen)
    events += seen
    if set(advisory.open_steps) - {Step.NOTICE_REMOVED}:
        return  # something is undone, or came after the flush or the samples: nobody with the steps would lift
    lifted = Lifted(at=at, by=str(lift.who), reason=str(lift.note))  # type: ignore[attr-defined]
    advance(advisory, lifted)
    events.append(lifted)
    number = new_advisory(con, key, raised)
    for seq, event in enumerate(events, start=1):
        append(con, number, seq, event, event.at)
    answer(con, key, number, exposure.known_pieces, at)
