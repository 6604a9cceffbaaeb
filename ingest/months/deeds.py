"""What people did, found and said in a month: advisories with their record, service, samples, checks of sensors."""

from __future__ import annotations

import json
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from ingest import queries
from ingest.db.engine import Asks
from ingest.evaluation.sensor_checks import SENSOR_CHECKED, UVT_SENSOR_CHECKED
from ingest.months.calendar import Month
from ingest.record.advisory_log import KeptAdvisory

CHECKS = (SENSOR_CHECKED, UVT_SENSOR_CHECKED)
LAMP_AND_SLEEVE = ("lamp-swapped", "sleeve-cleaned")
# One row per change of a lamp and cleaning of a sleeve, as long as there is a record: few.
_LAMPS = """
    SELECT e.*, w."at" AS withdrawn_at, w.who AS withdrawn_by, w.reason AS withdrawn_reason,
        w.replaced_by::VARCHAR AS replaced_by
    FROM service_event AS e LEFT JOIN service_withdrawn AS w USING (id)
    WHERE list_contains($cabins::VARCHAR[], e.cabin) AND list_contains($kinds::VARCHAR[], e.kind)
        AND e."at" < $until
    ORDER BY e.cabin, e.unit, e."at", e.recorded_at
"""
_CONFIRMED = """
    SELECT advisory, "at", who FROM confirmation WHERE list_contains($numbers::VARCHAR[], advisory) ORDER BY "at"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Deeds:
    """A month's deeds.

    Attributes
    ----------
    advisories : tuple of KeptAdvisory
        Those that stood in the month at any time, or are about water of it though raised later, oldest first.
    steps : DataFrame
        `cabin, unit, advisory, at, what, who, note`: who raised, did, confirmed and lifted what, in order; all that
        is on record of these advisories, also of after the month.
    services : DataFrame
        As of `ingest.queries.service_events`, oldest first, with what was withdrawn.
    lamps : DataFrame
        Every change of a lamp and cleaning of a sleeve up to the month's end.
    """

    advisories: tuple[KeptAdvisory, ...]
    steps: pd.DataFrame
    services: pd.DataFrame
    lamps: pd.DataFrame

    @property
    def samples(self) -> pd.DataFrame:
        """Water samples, with what the laboratory found."""
        return self.services[self.services["kind"] == "sampled"]

    @property
    def checks(self) -> pd.DataFrame:
        """Checks of sensors."""
        return self.services[self.services["kind"].isin(CHECKS)]


def deeds_of(store: Asks, month: Month, advisories: Sequence[KeptAdvisory]) -> Deeds:
    """What people did in a month.

    Parameters
    ----------
    advisories : sequence of KeptAdvisory
        All of the store, or of these cabins; asked for once, for all months.
    """
    units = set(month.keys)
    stood = tuple(sorted((
        one for one in advisories if (one.cabin, one.unit) in units
        and min(one.advisory.raised_at, one.advisory.happened_from) < month.until
        and (one.advisory.lifted is None or one.advisory.lifted.at >= month.since)),
        key=lambda one: (one.cabin, one.unit, one.advisory.raised_at, one.id)))
    return Deeds(
        advisories=stood, steps=_steps(store, stood), services=_services(store, month),
        lamps=_enrolled(store.ask(_LAMPS, {
            "cabins": month.slugs, "kinds": list(LAMP_AND_SLEEVE), "until": month.until}), month))


def _services(store: Asks, month: Month) -> pd.DataFrame:
    cabin = month.slugs[0] if len(month.slugs) == 1 else None
    found = queries.service_events(store, cabin, with_withdrawn=True, since=month.since, until=month.until)
    return _enrolled(found, month).sort_values(["cabin", "unit", "at", "recorded_at"], kind="stable")


def _enrolled(found: pd.DataFrame, month: Month) -> pd.DataFrame:
    return found[pd.MultiIndex.from_frame(found[["cabin", "unit"]]).isin(month.keys)]


def _steps(store: Asks, stood: Sequence[KeptAdvisory]) -> pd.DataFrame:
    """The record of these advisories in the words of a table."""
    names = ["cabin", "unit", "advisory", "at", "what", "who", "note"]
    if not stood:
        return pd.DataFrame(columns=names)
    numbers = [one.id for one in stood]
    place = {one.id: (one.cabin, one.unit) for one in stood}
    rows = [
        (*place[str(row["advisory"])], row["advisory"], row["at"], *_step(json.loads(str(row["body"]))))
        for row in queries.advisory_records(store, numbers).to_dict("records")]
    rows += [
        (*place[str(row["advisory"])], row["advisory"], row["at"], "confirmed as read", row["who"], "")
        for row in store.ask(_CONFIRMED, {"numbers": numbers}).to_dict("records")]
    return pd.DataFrame(rows, columns=names).sort_values(["cabin", "unit", "advisory", "at"], kind="stable")


def _step(body: Mapping[Hashable, Any]) -> tuple[str, str, str]:
    """What happened, who did it, and why or on what evidence."""
    kind, step = str(body["kind"]), str(body.get("step") or "")
    what = f"{kind} {step}".strip()
    if kind == "proof":
        done = "done" if body.get("done") else "not known" if body.get("done") is None else "not done"
        what = f"sensors: {step} {done}"
    notes = [str(body.get(name) or "") for name in ("how", "note", "reason", "what", "evidence")]
    return what, str(body.get("by") or ""), "; ".join(one for one in notes if one)
