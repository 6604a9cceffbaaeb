"""`report`: the record of one cabin's month or year, to keep, to show, or to hand on; and who signed it."""

from __future__ import annotations

import argparse
import re
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from datetime import date, datetime, timedelta
from pathlib import Path
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
from ingest.months.record import MonthRecord, month_records, month_signatures
from ingest.months.signed import signed_words, whole_month
from ingest.registry.tables import load_whole_fleet
from ingest.settings import BadInput
from ingest.store import Access
from models.dose.credit import IN_SPECIFICATION_AT_LEAST_PCT
from models.fleet import Cabin, Fleet

BAR_AFTER_S = 2.0
WITHIN_S = 600.0  # a signature's figures are worked out before the answer comes


def add(commands: Any) -> None:
    """Add the command."""
    report = command(
        commands, "report", do_report, json_option=True, private=True,
        example="tarnlight report --cabin heron-point --month 2026-10 --out record.pdf")
    who = report.add_mutually_exclusive_group(required=True)
    who.add_argument("--cabin")
    who.add_argument("--fleet", action="store_true", help="all cabins, into a file: give it with --out")
    span = report.add_argument_group("which time, by the cabin's own clock; whole days")
    span.add_argument("--month", metavar="YYYY-MM")
    span.add_argument("--year", metavar="YYYY")
    span.add_argument("--from", dest="first", metavar="DATE", help="first day, like 2026-10-05; with --to")
    span.add_argument("--to", dest="last", metavar="DATE", help="last day")
    report.add_argument("--out", type=Path, metavar="FILE.{csv,xlsx,pdf}",
                        help="write it into a file, by its ending; written anew if it is there")
    report.add_argument("--paper", choices=["a4", "letter"], default="a4", help="of a PDF; default a4")
    report.add_argument("--sign-off", metavar="NAME",
                        help="keep that this person signs the record of the month, with its figures as they are")


def do_report(options: argparse.Namespace) -> int:
    """The record of the time asked for."""
    first, last = span_of(options)
    if options.out is not None and options.json:
        raise BadInput("--json prints the record of a month: leave --out out, or --json")
    if options.out is None and (options.fleet or options.month is None):
        raise BadInput("only one cabin's month is printed: give --cabin and --month, or --out with "
                       "FILE.csv, .xlsx or .pdf")
    if options.sign_off is not None and (options.month is None or options.fleet):
        raise BadInput("--sign-off is for one cabin's month: give it with --cabin and --month")
    if options.out is not None:
        from dashboard.sheets.record_files import require_form

        require_form(options.out)
    store = open_any(options)
    try:
        require_cabin(store, options.cabin, retired=True)
        fleet = load_whole_fleet(store)
        if options.sign_off is not None:
            _sign(store, options)
        if options.out is not None:
            _write(store, fleet, options, first, last)
            return 0
        cabin = fleet.cabin(options.cabin)
        since, until = month_of(options.month, cabin)
        told = [unit_month(store, cabin, unit.slug, options.month, since, until) for unit in cabin.units]
        signed = month_signatures(store, fleet, cabin, options.month, store.now())
    finally:
        store.close()
    if options.json:
        print_json([one | {"signed": [each.to_json() for each in signed]} for one in told])
        return 0
    for one in told:
        _print(one, cabin)
    for each in signed:
        print(signed_words(each))
    print(CAUTION)
    return 0


def span_of(options: argparse.Namespace) -> tuple[date, date]:
    """First and last day of what is asked for."""
    given = [name for name in ("month", "year", "first") if getattr(options, name) is not None]
    if len(given) != 1 or (options.first is None) != (options.last is None):
        raise BadInput("give one of --month YYYY-MM, --year YYYY, or --from DATE with --to DATE")
    if options.month is not None:
        if not re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", options.month):
            raise BadInput(f"--month must be like 2026-10; got {options.month!r}")
        return whole_month(options.month)
    if options.year is not None:
        if not re.fullmatch(r"(19|20|21)\d\d", options.year):
            raise BadInput(f"--year must be like 2026; got {options.year!r}")
        return date(int(options.year), 1, 1), date(int(options.year), 12, 31)
    first, last = _day("--from", options.first), _day("--to", options.last)
    if last < first:
        raise BadInput(f"--to must not lie before --from ({first}); got {last}")
    return first, last


def _day(name: str, text: str) -> date:
    try:
        day = datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise BadInput(f"{name} must be a day like 2026-10-05; got {text!r}") from None
    if not 1970 <= day.year < 2200:
        raise BadInput(f"{name} must lie between 1970 and 2199; got {text!r}")
    return day


def _sign(store: Access, options: argparse.Namespace) -> None:
    """A name under the month, before anything is printed of it."""
    told = store.act("sign-month", {
        "cabin": options.cabin, "month": options.month, "by": options.sign_off}, within_s=WITHIN_S)
    how = "had signed these figures already" if told["already"] else "signed off"
    if not options.json:
        print(f"{options.cabin}, {options.month}: {options.sign_off.strip()} {how}; SHA-256 of its figures "
              f"{told['sha256']}")


def _write(store: Access, fleet: Fleet, options: argparse.Namespace, first: date, last: date) -> None:
    """The record into a file."""
    from dashboard.sheets.notice_pdf import Paper
    from dashboard.sheets.record_files import write_record

    cabins = fleet.cabins if options.fleet else (fleet.cabin(options.cabin),)
    if not any(one.units for one in cabins):
        raise BadInput("no unit is enrolled there, so there is nothing to record")
    now = store.now()
    last = min(last, max(whole_month(f"{now:%Y-%m}")[1], whole_month(f"{first:%Y-%m}")[1]))  # no months ahead
    many = len({one.time_zone for one in cabins}) * ((last.year - first.year) * 12 + last.month - first.month + 1)
    with ExitStack() as stack:
        records = _with_bar(month_records(store, fleet, cabins, first, last, now), many, options.out.name, stack)
        write_record(options.out, records, paper=Paper(options.paper))
    units = sum(len(one.units) for one in cabins)
    print(f"{options.out}: the record of {units} unit{'s' if units > 1 else ''}, {first} to {last}. {CAUTION}")


def _with_bar(records: Iterable[MonthRecord], many: int, name: str, stack: ExitStack) -> Iterator[MonthRecord]:
    """The same, with a bar on stderr once it takes its time."""
    begun, bar, task = time.monotonic(), None, None
    for number, one in enumerate(records, start=1):
        yield one
        if bar is None and time.monotonic() - begun > BAR_AFTER_S and number < many:
            from dashboard.commands.load import progress_bar

            bar = stack.enter_context(progress_bar())
            task = bar.add_task(name, total=many)
        if bar is not None and task is not None:
            bar.update(task, completed=number, description=f"{name}: {one.month.name}")


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
