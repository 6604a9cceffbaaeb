"""`report`: the record of one cabin's month, to keep or to show."""

from __future__ import annotations

import argparse
import re
from datetime import datetime, timedelta
from typing import Any

import pandas as pd

from dashboard.commands._opening import open_any
from dashboard.commands._words import command, print_json
from dashboard.commands.status import litres, require_cabin, stretch_words
from dashboard.text.dose_explanation import shares_words
from dashboard.text.outage_days import by_day
from dashboard.text.service import service_line, service_rows
from dashboard.text.verdicts import CAUTION
from ingest import queries
from ingest.db.engine import named
from ingest.evaluation.sensor_checks import divided_between
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput
from ingest.store import Access
from models.dose.credit import IN_SPECIFICATION_AT_LEAST_PCT
from models.fleet import Cabin


def add(commands: Any) -> None:
    """Add the command."""
    report = command(
        commands, "report", do_report, json_option=True, private=True,
        example="tarnlight report --cabin heron-point --month 2026-10")
    report.add_argument("--cabin", required=True)
    report.add_argument("--month", required=True, metavar="YYYY-MM", help="in the cabin's own time zone")


def do_report(options: argparse.Namespace) -> int:
    """The month, per unit."""
    if not re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", options.month):
        raise BadInput(f"--month must be like 2026-10; got {options.month!r}")
    store = open_any(options)
    try:
        require_cabin(store, options.cabin)
        cabin = load_fleet(store).cabin(options.cabin)
        since, until = month_of(options.month, cabin)
        told = [unit_month(store, cabin, unit.slug, options.month, since, until) for unit in cabin.units]
    finally:
        store.close()
    if options.json:
        print_json(told)
        return 0
    for one in told:
        _print(one, cabin)
    print(CAUTION)
    return 0


def month_of(month: str, cabin: Cabin) -> tuple[datetime, datetime]:
    """First and one past the last instant of a month in the cabin's time zone."""
    first = datetime.fromisoformat(f"{month}-01").replace(tzinfo=cabin.zone)
    following = (first + timedelta(days=32)).replace(day=1)
    return first, following


def unit_month(
    store: Access, cabin: Cabin, unit: str, month: str, since: datetime, until: datetime
) -> dict[str, Any]:
    """What one unit's month came to."""
    outages = queries.outages(store, store.now(), cabin=cabin.slug, unit=unit, since=since)
    outages = outages[outages["start"] < pd.Timestamp(until)]
    services = queries.service_events(store, cabin.slug, unit, with_withdrawn=True)
    services = services[(services["at"] >= pd.Timestamp(since)) & (services["at"] < pd.Timestamp(until))]
    advisories = [
        one for one in queries.advisories(store, cabin=cabin.slug)
        if one.unit == unit and one.advisory.raised_at < until
        and (one.advisory.lifted is None or one.advisory.lifted.at >= since)]
    return {
        "cabin": cabin.slug, "unit": unit, "month": month,
        **queries.in_specification(store, cabin.slug, unit, month, since, until, store.now()),
        "outages": outages.drop(columns=["cabin", "unit"]).to_dict("records"),
        "advisories": [queries.advisory_json(one) | {
            "lifted_by": one.advisory.lifted.by if one.advisory.lifted else None,
            "lifted_at": one.advisory.lifted.at if one.advisory.lifted else None,
            "reason": one.advisory.lifted.reason if one.advisory.lifted else None} for one in advisories],
        "sensor_divided": divided_between(store, cabin.slug, unit, since, until),
        "service": service_rows(services.sort_values("at", kind="stable")),
    }


def _print(one: dict[str, Any], cabin: Cabin) -> None:
    def local(at: datetime) -> str:
        return f"{at.astimezone(cabin.zone):%Y-%m-%d %H:%M %Z}"

    print(f"{cabin.name}, unit {one['unit']}, {one['month']}")
    most = "" if one["volume_l_upper"] - one["volume_l"] < 1 else f" and at most {one['volume_l_upper']:,.0f} L"
    print(f"  water drawn {one['volume_l']:,.0f} L{most}, of it {one['in_specification_l']:,.0f} L for certain "
          "lit, warm and at its dose")
    if one["share_pct"] is not None:
        print(f"  in specification {shares_words(one, 2)} by volume; "
              f"{IN_SPECIFICATION_AT_LEAST_PCT:g} % is a figure of reference (40 CFR 141.720(d)(3)), "
              "which binds public systems only")
    print(f"  heard and lit {one['lit_h']:,.1f} h, unheard {one['unheard_h']:,.1f} h")
    for stretch in one["sensor_divided"]:
        print(f"  {stretch['words']}")
    print(f"  outages: {len(one['outages'])}")
    for row in named(by_day(pd.DataFrame(one["outages"]), cabin.zone)):
        often = f", {row.times} times" if row.times > 1 else ""
        what = stretch_words(row.kind, row.cause, row.severity)
        print(f"    {local(row.start)} to {local(row.end)}  {what}{often}: "
              f"{litres(row.underdosed_l, row.underdosed_l_upper, row.end - row.start)} under-dosed")
    print(f"  advisories: {len(one['advisories'])}")
    for said in one["advisories"]:
        end = f"lifted by {said['lifted_by']} at {local(said['lifted_at'])}" + (
            f" ({said['reason']})" if said["reason"] else "") if said["lifted_at"] else f"open ({said['state']})"
        print(f"    {said['id']}: {said['cause']}, raised {local(said['raised_at'])}, {end}")
    print(f"  service: {sum(did['withdrawn'] is None for did in one['service'])}")
    for did in one["service"]:
        print(f"    {local(did['at'])}  {service_line(did)}")
