"""The trips as one HTML file to print and take along: a page per trip, no script, nothing fetched."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from dashboard.text import lamps as said
from dashboard.text.markup import table, text
from dashboard.text.measures import Units
from dashboard.text.verdicts import CAUTION, TAKE_CARE
from ingest.outlook.visits import PlannedTrip, Visits
from models.advisory.work_cautions import Work, sentences

STYLE = """
body { font:12pt/1.4 sans-serif; color:#14212b; margin:1.5cm; }
h1 { font-size:18pt; margin:0 0 .3cm; } h2 { font-size:14pt; margin:.6cm 0 .2cm; }
table { width:100%; border-collapse:collapse; } th, td { text-align:left; vertical-align:top;
  padding:.15cm .2cm .15cm 0; border-bottom:1px solid #c9d3da; }
section { break-after:page; } section:last-of-type { break-after:auto; } .done { width:1.6cm; }
@page { margin:1.5cm; } @media print { body { margin:0; font-size:11pt; } }
p { margin:.2cm 0; }
.care { border:1.5pt solid #14212b; padding:.2cm .4cm; margin:.2cm 0 .3cm; break-inside:avoid; }
.care h3 { font-size:12pt; margin:0; } .care ul { margin:0; padding-left:.5cm; font-size:10.5pt; line-height:1.3; }
"""


def visit_sheet(plan: Visits, units: Units, now: datetime) -> str:
    """The whole plan as HTML.

    Parameters
    ----------
    plan : Visits
    units : Units
    now : datetime
        Printed, so that an old sheet shows its age.
    """
    # the visits that no trip takes in stand below the last trip
    left_works = frozenset[Work]().union(*(one.works for one in plan.left_out))
    sections = "".join(
        _section(trip, units, trip.works | (left_works if trip is plan.trips[-1] else frozenset()))
        for trip in plan.trips) or _care(left_works)
    left = "".join(
        f"<p>In no trip: {text(one.cabin.name)}, {text('; '.join(one.tasks))}: {text(one.reason)}</p>"
        for one in plan.left_out)
    clear = "".join(f"<p>{text(one)}</p>" for one in said.clear_lines(plan))
    clear = f"<h2>{said.CLEAR_TITLE}</h2>{clear}" if clear else ""
    remarks = "".join(f"<p>{text(one)}</p>" for one in plan.remarks)
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Visits</title><style>{STYLE}</style>'
        f"</head><body><h1>{text(said.visits_headline(plan, units))}</h1><p>Made {now:%Y-%m-%d %H:%M} UTC.</p>"
        f"{sections}<h2>Parts for all trips</h2>{table(('Part', 'Number'), list(plan.parts.items()))}"
        f"{clear}{left}{remarks}<p>{text(CAUTION)}</p></body></html>")


def _care(works: Iterable[Work]) -> str:
    """Cautions of the work on this page."""
    lines = "".join(f"<li>{text(one)}</li>" for one in sentences(works))
    return f'<div class="care"><h3>{TAKE_CARE}</h3><ul>{lines}</ul></div>' if lines else ""


def _section(trip: PlannedTrip, units: Units, works: Iterable[Work]) -> str:
    """One trip: cautions first, stops in order with where they are and a box to tick."""
    rows = [
        (said.clock(one.arrive), f"{one.cabin.name} ({one.cabin.latitude:.4f}, {one.cabin.longitude:.4f})",
         "; ".join(one.tasks), said.parts_words(dict(one.parts)), "☐")
        for one in trip.stops]
    return (
        f"<section><h2>{text(said.trip_title(trip, units))}</h2>{_care(works)}"
        f"{table(('Arrive', 'Cabin', 'Do', 'Bring', 'Done'), rows)}"
        f"<p><strong>Load:</strong> {text(said.parts_words(dict(trip.parts)))}</p></section>")
