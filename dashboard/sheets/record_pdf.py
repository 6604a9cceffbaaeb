"""The record of months on paper: figures, two small charts and tables for each unit, with pages that are numbered.

Long lists are told by the day; every interval by itself stands in the CSV and the workbook.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import pandas as pd
from reportlab.lib.colors import black
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, KeepTogether, PageBreak, Paragraph, SimpleDocTemplate, Spacer, Table
from reportlab.platypus.doctemplate import ActionFlowable

from dashboard.sheets.lettering import BOLD, REGULAR, printable, register
from dashboard.sheets.notice_pdf import MARGIN, SIZES, Paper
from dashboard.sheets.record_charts import dose_chart, litres_chart
from dashboard.sheets.record_tables import METHOD, TABLES, tables_of, unknown_words
from dashboard.text.dose_explanation import share_words
from dashboard.text.outage_days import by_day
from dashboard.text.verdicts import CAUTION
from ingest.months.record import MonthRecord
from ingest.months.signed import signed_words
from models.fleet import Cabin

UNKNOWN = "not known"
_SMALL = ParagraphStyle("small", fontName=REGULAR, fontSize=7, leading=8.6, splitLongWords=1)
_HEAD = ParagraphStyle("head", parent=_SMALL, fontName=BOLD)
_TEXT = ParagraphStyle("text", fontName=REGULAR, fontSize=8.5, leading=10.8, spaceAfter=1.5 * mm, splitLongWords=1)
_UNIT = ParagraphStyle("unit", fontName=BOLD, fontSize=12, leading=15, spaceBefore=3 * mm, spaceAfter=1 * mm)
_PART = ParagraphStyle(
    "part", fontName=BOLD, fontSize=9, leading=11, spaceBefore=2.5 * mm, spaceAfter=0.8 * mm, keepWithNext=1)
_TITLE = ParagraphStyle("title", fontName=BOLD, fontSize=17, leading=21, spaceAfter=3 * mm)
# What of a table goes on paper: heading, and (title, column, width as a share).
_LISTS: dict[str, tuple[str, tuple[tuple[str, str, float], ...]]] = {
    "advisories": ("Advisories", (
        ("Advisory", "advisory", 0.08), ("Cause, severity", "what", 0.16), ("Raised", "raised", 0.2),
        ("Under-dosed L", "litres", 0.12), ("End", "end", 0.44))),
    "advisory_steps": ("What was done about them", (
        ("When", "at", 0.19), ("Advisory", "advisory", 0.08), ("What", "what", 0.22), ("Who", "who", 0.15),
        ("On what evidence, why", "note", 0.36))),
    "services": ("Service", (
        ("When", "at", 0.19), ("What", "kind", 0.15), ("Value", "value", 0.07), ("Who", "who", 0.14),
        ("Note", "note", 0.23), ("State", "gone", 0.22))),
    "lamps_sleeves": ("Lamp and sleeve, up to the end of the month", (
        ("When", "at", 0.19), ("What", "kind", 0.15), ("Who", "who", 0.14), ("Serial", "serial", 0.12),
        ("Note", "note", 0.2), ("State", "gone", 0.2))),
    "samples": ("Water samples", (
        ("Taken", "taken_at", 0.19), ("Laboratory, number", "where", 0.2), ("E. coli", "e_coli_100ml", 0.1),
        ("Coliforms (per 100 mL)", "total_coliforms_100ml", 0.12), ("Result", "outcome", 0.14), ("Who", "who", 0.1),
        ("State", "gone", 0.15))),
    "sensor_checks": ("Checks of sensors", (
        ("When", "at", 0.19), ("What", "kind", 0.15), ("Value", "value", 0.07), ("Who", "who", 0.14),
        ("Judged", "judged", 0.27), ("State", "gone", 0.18))),
}
_INSTANTS = ("at", "taken_at")


class _Numbered(Canvas):
    """Pages with "page n of m", and at the foot of each what goes before all that it says."""

    def __init__(self, *words: Any, **options: Any) -> None:
        super().__init__(*words, **options)
        self._pages: list[dict[str, Any]] = []

    def showPage(self) -> None:
        self._pages.append(dict(self.__dict__))
        self._startPage()  # type: ignore[attr-defined]

    def save(self) -> None:
        for number, page in enumerate(self._pages, start=1):
            self.__dict__.update(page)
            width = self._pagesize[0]  # type: ignore[attr-defined]
            self.setFont(REGULAR, 6.2)
            self.setFillColor(black)
            self.drawString(MARGIN, 8.5 * mm, CAUTION)
            self.drawRightString(width - MARGIN, 5 * mm, f"page {number} of {len(self._pages)}")
            super().showPage()
        super().save()


class _Months(ActionFlowable):
    """Puts the next month's parts into the story when the one before is on its pages."""

    def __init__(self, story: list[Flowable], months: Iterator[list[Flowable]]) -> None:
        super().__init__()
        self._story, self._months = story, months

    def apply(self, doc: Any) -> None:
        following = next(self._months, None)
        if following is not None:
            self._story[:0] = [*following, self]


def record_pdf(path: Path, records: Iterable[MonthRecord], *, paper: Paper = Paper.A4) -> None:
    """Write the record as a PDF, one month in memory at a time."""
    register()
    doc = SimpleDocTemplate(
        str(path), pagesize=SIZES[paper], leftMargin=MARGIN, rightMargin=MARGIN, topMargin=MARGIN,
        bottomMargin=MARGIN + 2 * mm, title="Record of water treatment", author="tarnlight", creator="tarnlight",
        lang="en")
    width = SIZES[paper][0] - 2 * MARGIN - 12  # a frame's own padding
    story: list[Flowable] = []
    story.append(_Months(story, (_month(one, number, width) for number, one in enumerate(records))))
    doc.build(story, canvasmaker=_Numbered)


def _words(text: object, style: ParagraphStyle = _TEXT) -> Paragraph:
    return Paragraph(escape(printable(str(text))), style)


def _month(record: MonthRecord, number: int, width: float) -> list[Flowable]:
    out: list[Flowable] = []
    if number:
        out.append(PageBreak())
    else:
        out += [_words("Record of water treatment", _TITLE),
                _words(f"Made on {_local(record.made_at, record.month.zone)}")]
        out += [_words(f"{item[0].upper()}{item[1:]}: {text}") for item, text in METHOD if item != "times"]
    tables: dict[str, list[dict[str, Any]]] = _by_name(record)
    for cabin in record.month.cabins:
        for unit in cabin.units:
            out += _unit(record, tables, cabin, unit.slug, width)
    return out


def _by_name(record: MonthRecord) -> dict[str, list[dict[str, Any]]]:
    return {name: [dict(zip(TABLES[name], row, strict=True)) for row in rows] for name, rows in tables_of(record)}


def _unit(
    record: MonthRecord, tables: dict[str, list[dict[str, Any]]], cabin: Cabin, unit: str, width: float
) -> list[Flowable]:
    def mine(name: str) -> list[dict[str, Any]]:
        return [row for row in tables[name] if (row["cabin"], row["unit"]) == (cabin.slug, unit)]

    month, zone = record.month, cabin.zone
    [figures] = mine("months")
    days, intervals = (
        found[(found["cabin"] == cabin.slug) & (found["unit"] == unit)]
        for found in (record.water.days, record.water.intervals))
    target = float(figures["dose_target_mj_cm2"])
    out: list[Flowable] = [KeepTogether([
        _words(f"{cabin.name} ({cabin.slug}), unit {unit}, {month.name}", _UNIT),
        _words(f"From {_local(month.since, zone)} to {_local(month.until, zone)}; times are of {cabin.time_zone}."),
        _facts(figures, width)])]
    signed = [signed_words(one) for one in record.signed if one.cabin == cabin.slug]
    out += [_words(words) for words in signed or ["not signed off"]]
    unknown = unknown_words(record.unknown, cabin.slug, unit)
    out.append(KeepTogether([
        _words("What is not known", _PART),
        _words(unknown or "Nothing is known to be missing: every minute was heard.")]))
    out += [
        Spacer(1, 2 * mm), dose_chart(days, intervals, month.since, month.until, target, width),
        Spacer(1, 1 * mm), litres_chart(days, intervals, month.since, month.until, width)]
    out += _intervals(intervals, zone, width)
    for row in mine("doses_divided"):
        out.append(_words(row["words"]))
    for name, (title, columns) in _LISTS.items():
        out += _list(title, columns, [_told(row, zone) for row in mine(name)], width)
    return out


def _facts(row: dict[str, Any], width: float) -> Table:
    """The month's figures; what is not known says so."""
    def number(name: str, digits: int = 1) -> str:
        return UNKNOWN if row[name] is None else f"{row[name]:,.{digits}f}"

    def most(name: str) -> str:
        return f"{math.ceil(10 * row[name] - 1e-6) / 10:,.1f} at most"  # a bound is never rounded down

    share = UNKNOWN if row["share_pct"] is None else (
        f"{share_words(row['share_pct'], 2)} to {share_words(row['share_most_pct'], 2)} % (least and most)")
    pairs = (
        ("Dose, 5th percentile of the lower bound", f"{number('dose_low_p05_mj_cm2')} mJ/cm2"),
        ("Dose, median of the lower bound", f"{number('dose_low_p50_mj_cm2')} mJ/cm2"),
        ("Dose target", f"{number('dose_target_mj_cm2')} mJ/cm2"),
        ("Litres drawn", f"{number('volume_l')} known, {most('volume_l_upper')}"),
        ("Under-dosed litres", f"{number('underdosed_l')} known, {most('underdosed_l_upper')}"),
        ("Share in specification, by volume", share),
        ("Hours lit / warming / weak", " / ".join(number(f"{name}_h") for name in ("lit", "warming", "weak"))),
        ("Hours dark", number("dark_h")), ("Hours unheard (not known)", number("unheard_h")),
        ("Intervals not lit / advisories", f"{row['intervals']} / {row['advisories']}"),
        ("Records of service / withdrawn or corrected", f"{row['services']} / {row['withdrawn']}"))
    return _table([[_words(name, _SMALL), _words(value, _HEAD)] for name, value in pairs], [0.45, 0.55], width)


def _table(rows: list[list[Paragraph]], shares: Sequence[float], width: float, *, head: bool = False) -> Table:
    style: list[tuple[Any, ...]] = [
        ("LINEBELOW", (0, 0), (-1, -1), 0.25, black), ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (-1, -1), 1), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
        ("LEFTPADDING", (0, 0), (-1, -1), 1), ("RIGHTPADDING", (0, 0), (-1, -1), 3)]
    return Table(rows, [share * width for share in shares], style=style, repeatRows=1 if head else 0, hAlign="LEFT",
                 splitInRow=1)


def _list(
    title: str, columns: Sequence[tuple[str, str, float]], rows: Sequence[dict[str, Any]], width: float
) -> list[Flowable]:
    if not rows:
        return [KeepTogether([_words(title, _PART), _words("None on record.")])]
    table = [[_words(name, _HEAD) for name, _, _ in columns]]
    table += [[_words("" if row.get(key) is None else row[key], _SMALL) for _, key, _ in columns] for row in rows]
    return [_words(title, _PART), _table(table, [share for _, _, share in columns], width, head=True)]


def _local(at: datetime, zone: tzinfo) -> str:
    return f"{at.astimezone(zone):%Y-%m-%d %H:%M %Z}"


def _told(row: dict[str, Any], zone: tzinfo) -> dict[str, Any]:
    """A row of the tables with its instants on the cabin's clock, and some columns as one."""
    def local(text: str | None) -> str:
        return "" if not text else text if len(text) == 10 else _local(datetime.fromisoformat(text), zone)

    out = row | {name: local(row[name]) for name in _INSTANTS if name in row}
    if isinstance(out.get("value"), float):
        out["value"] = f"{out['value']:g}"
    if "state" in row and "withdrawn_by" in row:
        out["gone"] = row["state"] if row["withdrawn_by"] is None else (
            f"{row['state'].upper()} by {row['withdrawn_by']} on {local(row['withdrawn_at'])} "
            f"({row['withdrawn_reason']}): counts no longer")
    if "lab_number" in row:
        out["where"] = ", ".join(one for one in (row["lab"], row["lab_number"]) if one) or UNKNOWN
    if "raised_by" in row:
        most = UNKNOWN if row["underdosed_l_upper"] is None else f"{row['underdosed_l_upper']:,.1f}"
        out |= {
            "what": f"{row['cause']}, {row['severity']}", "litres": f"at most {most}",
            "raised": f"{local(row['raised_at'])} by {row['raised_by']}",
            "end": f"{row['state']}: stands until a named person lifts it" if not row["lifted_at"] else
            f"lifted {local(row['lifted_at'])} by {row['lifted_by']}" + (
                f" ({row['reason']})" if row["reason"] else "")}
    return out


def _intervals(intervals: pd.DataFrame, zone: tzinfo, width: float) -> list[Flowable]:
    """Intervals that were not lit, told by the day."""
    columns = (("From", "from", 0.19), ("To", "to", 0.19), ("What", "what", 0.17), ("Times", "times", 0.06),
               ("Drawn L", "drawn", 0.11), ("Under-dosed L", "short", 0.12), ("Rests on", "rests_on", 0.16))

    def litres(least: float, most: float) -> str:
        low, high = (UNKNOWN if pd.isna(one) else f"{one:,.1f}" for one in (least, most))
        return low if low == high else f"{low} to {high}"

    rows = [
        {"from": _local(row["start"], zone), "to": _local(row["end"], zone), "times": f"{row['times']}",
         "what": ", ".join(one for one in (row["kind"], row["cause"], row["severity"]) if one and one != "none"),
         "drawn": litres(row["drawn_l"], row["drawn_l_upper"]), "rests_on": row["rests_on"],
         "short": litres(row["underdosed_l"], row["underdosed_l_upper"])}
        for row in by_day(intervals, zone).to_dict("records")]
    return _list("Time that was not lit, by the day", columns, rows, width)
