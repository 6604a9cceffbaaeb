"""`notice`: the page to hang at the tap while an advisory stands, as a PDF."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from dashboard.commands._opening import open_any
from dashboard.commands._words import command, settings_of
from dashboard.sheets.notice_pdf import Paper, cabin_url, notice_pdf
from ingest import private_files, queries
from ingest.language.catalogue import translations
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput
from models.advisory import State
from models.advisory.notice import notice
from models.fleet import Cabin


def add(commands: Any) -> None:
    """Add the command."""
    out = command(
        commands, "notice", do_notice, example="tarnlight notice --cabin heron-point --out notice.pdf")
    out.add_argument("--cabin", required=True, help="whose tap")
    out.add_argument("--unit", help="which unit of the cabin, where it has several")
    out.add_argument("--out", required=True, type=Path, metavar="FILE.pdf", help="written anew if it is there")
    out.add_argument("--paper", choices=list(Paper), default=Paper.A4, help="default a4")


def do_notice(options: argparse.Namespace) -> int:
    """The page of the unit's open advisory."""
    store = open_any(options)
    settings = settings_of(options)
    try:
        fleet = load_fleet(store)
        cabin = _cabin(fleet.cabins, options.cabin)
        unit = _unit(cabin, options.unit)
        found = [one for one in queries.advisories(store, cabin=cabin.slug)
                 if one.unit == unit and one.advisory.state is not State.LIFTED]
        now = store.now()
    finally:
        store.close()
    if not found:
        raise BadInput(
            f"no advisory of {cabin.slug}/{unit} is open, so there is nothing to hang at the tap; "
            "`tarnlight advisory raise` raises one by hand")
    words = notice(found[0].advisory, cabin, unit=unit, printed_at=now, contacts=fleet.contacts)
    url = cabin_url(settings.public_url, cabin.slug, unit)
    try:
        spoken = translations({cabin.language}).get(cabin.language)
        page = notice_pdf(words, url=url, paper=Paper(options.paper), spoken=spoken)
        private_files.write(options.out, page)  # contacts' numbers stand on it
    except (OSError, ValueError) as error:
        raise BadInput(f"{options.out}: {error}") from error
    pages = "one page" if spoken is None or spoken.reviewed_by else (
        f"a page in English and one in {cabin.language}, which nobody has checked")
    print(f"{options.out}: {pages}, {words.title.lower()}, {words.place}; hang it at every tap")
    if not url:
        print("It carries no QR code: set TARNLIGHT_PUBLIC_URL to the address at which phones reach the pages.")
    return 0


def _cabin(cabins: tuple[Cabin, ...], slug: str) -> Cabin:
    found = next((one for one in cabins if one.slug == slug), None)
    if found is None:
        known = ", ".join(one.slug for one in cabins) or "none"
        raise BadInput(f"--cabin {slug!r} is not enrolled; enrolled are: {known}")
    return found


def _unit(cabin: Cabin, slug: str | None) -> str:
    """The unit asked for; the only one of a cabin need not be named."""
    known = [one.slug for one in cabin.units]
    if slug is None and len(known) == 1:
        return known[0]
    if slug not in known:
        raise BadInput(f"--unit must be one of {', '.join(known) or 'none'} in {cabin.slug!r}; got {slug!r}")
    return slug
