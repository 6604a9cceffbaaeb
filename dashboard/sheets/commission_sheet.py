"""A unit's checklist as one HTML file to print and take along: a page per unit, no script, nothing fetched."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from dashboard.text import commissioning as said
from dashboard.text.markup import table, text
from dashboard.text.measures import Units
from dashboard.text.verdicts import CAUTION, TAKE_CARE
from ingest.outlook.commissioning import Commissioning
from models.advisory.work_cautions import sentences
from models.commissioning import ItemState, Line, Occasion

STYLE = """
body { font:11pt/1.35 sans-serif; color:#14212b; margin:1.5cm; }
h1 { font-size:17pt; margin:0 0 .2cm; } h2 { font-size:13pt; margin:.5cm 0 .15cm;
  break-after:avoid; }
table { width:100%; border-collapse:collapse; font-size:10pt; } th, td { text-align:left; vertical-align:top;
  padding:.12cm .2cm .12cm 0; border-bottom:1px solid #c9d3da; }
td[data-head="On record"], td[data-head="Measured"] { overflow-wrap:anywhere; }  /* what people typed */
tr { break-inside:avoid; } p { margin:.15cm 0; }
section { break-after:page; } section:last-of-type { break-after:auto; }
.care { border:1.5pt solid #14212b; padding:.2cm .4cm; margin:.2cm 0 .3cm; }
.care h3 { font-size:11pt; margin:0; } .care ul { margin:0; padding-left:.5cm; font-size:10pt; line-height:1.3; }
@page { margin:1.5cm; } @media print { body { margin:0; } }
"""
SHEET_HEADERS = ("", "Item", "What to do", "On record", "Name, date, figure")


def commission_sheet(
    units_found: Sequence[tuple[str, Commissioning]], units: Units, now: datetime
) -> str:
    """The lists of some units as HTML.

    Parameters
    ----------
    units_found : sequence of (name, Commissioning)
    units : Units
    now : datetime
        Printed, so that an old sheet shows its age.
    """
    sections = "".join(_section(name, one, units, now) for name, one in units_found)
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Checklist</title>'
        f"<style>{STYLE}</style></head><body>{sections}</body></html>")


def _section(name: str, found: Commissioning, units: Units, now: datetime) -> str:
    """One unit: cautions first, then the list with room to write, then water and size."""
    rows = [(_mark(one), one.item.title, said.how_words(one, found.unit), said.record_words(one, found, units),
             _room(one))
            for one in found.lines]
    lines = [said.UNTIL_THEN[found.occasion], said.NOT_ACCEPTANCE]
    more = ""
    if found.occasion is Occasion.COMMISSIONING:
        water = table(said.WATER_HEADERS, [said.water_row(one, found) for one in found.water.each])
        more = (f"<h2>Water before the unit</h2>{water}<h2>Size</h2>{_paragraphs(said.size_words(found, units))}"
                f"<h2>First reading</h2>{_paragraphs(said.first_words(found))}")
    else:
        lines.append(said.frost_words(found.frost, found.at, units))
    return (
        f"<section><h1>{text(said.headline(found, name))}</h1><p>Printed {now:%Y-%m-%d %H:%M} UTC.</p>"
        f"{_care(found)}{_paragraphs(lines)}<h2>{text(said.OCCASION_WORDS[found.occasion])}</h2>"
        f"{table(SHEET_HEADERS, rows)}{more}<p>{text(CAUTION)}</p></section>")


def _mark(one: Line) -> str:
    """A box to tick, or that it is done."""
    if one.open or one.entry is None:
        return "☐"
    return "✓" if one.entry.state is ItemState.DONE else "–"


def _room(one: Line) -> str:
    """Room to write, with the unit that a figure takes."""
    if not one.open:
        return ""
    figure = f" ......... {one.item.unit}" if one.item.unit else ""
    return f"................{figure}"


def _paragraphs(lines: Iterable[str]) -> str:
    return "".join(f"<p>{text(one)}</p>" for one in lines)


def _care(found: Commissioning) -> str:
    """Cautions of the work that is open."""
    lines = "".join(f"<li>{text(one)}</li>" for one in sentences(found.works))
    return f'<div class="care"><h3>{TAKE_CARE}</h3><ul>{lines}</ul></div>' if lines else ""
