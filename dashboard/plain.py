"""The plain page of one cabin's notice, served beside Streamlit: `/notice?cabin=heron-point&unit=main`.

It stands behind the same gate as all pages, asks the same collector and keeps its answers as long. A page of
Streamlit's is a megabyte of scripts before the first word; this one is a few kilobytes and needs none.
"""

from __future__ import annotations

import logging
from dataclasses import replace

from starlette.requests import Request
from starlette.responses import HTMLResponse
from starlette.routing import Route

from dashboard.access import collector_trouble, get_fleet, get_settings, get_store, present
from dashboard.chosen import Asked, addressed
from dashboard.sheets.plain_page import IN_DOUBT, Told, not_known_page, old_page, plain_page, refused_page
from dashboard.text import recovery
from dashboard.text import verdicts as words
from dashboard.text.measures import Units
from dashboard.text.step_facts import step_facts, step_here, step_sentence
from ingest.queries import UnitStatus
from ingest.record.over import over_of
from ingest.settings import ArchiveUnavailable, StoreUnavailable
from ingest.store import Client
from models.advisory.events import StepPolicy
from models.advisory.notice import notice
from models.advisory.work_cautions import sentences, works_of_steps
from models.fleet import Fleet

HEADERS = {
    "cache-control": "no-store", "referrer-policy": "no-referrer", "x-content-type-options": "nosniff",
    # nothing is fetched, run or sent: all that it may do is look as it does
    "content-security-policy": "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"}
UNIT_NAMES = {str(one): one for one in Units}

logger = logging.getLogger(__name__)


def answer(request: Request) -> HTMLResponse:
    """The page that an address names; run in a thread, since it waits for the collector."""
    units = UNIT_NAMES.get(request.query_params.get("units", ""), Units(get_settings().units))
    try:
        status, page = _page(get_store(), Asked.of(request.query_params), units)
    except (StoreUnavailable, ArchiveUnavailable):
        status, page = 503, not_known_page()
    except Exception:  # outermost loop of a request: what breaks here must not look like an answer
        logger.exception("the plain page failed")
        status, page = 500, refused_page(
            "This page failed",
            "That is a fault of this program, and it says nothing of any cabin's water: not known is never clear.")
    return HTMLResponse(page, status, HEADERS)


def _page(store: Client, asked: Asked, units: Units) -> tuple[int, str]:
    fleet, found = get_fleet(store), present(store)
    key = addressed(asked, fleet, found.statuses)
    if key is None:
        if not asked.parameters:
            return 404, refused_page("No cabin is enrolled yet", f"So nothing can be said of any water. {IN_DOUBT}")
        return 404, refused_page(
            "Not enrolled here",
            "The address of this page names no cabin and unit that is enrolled here, so nothing can be said of its "
            f"water. {IN_DOUBT} Was the link mistyped, or the cabin renamed?")
    one = next((one for one in found.statuses if (one.cabin.slug, one.unit.slug) == key), None)
    if one is None:
        return 200, refused_page(
            "Just enrolled", "Its first verdict will be here in a moment. Load this page again.")
    others = [other for other in found.statuses
              if other.cabin.slug == one.cabin.slug and other.unit.slug != one.unit.slug]
    trouble = collector_trouble(store)
    lines = () if trouble is None else (trouble.title, *trouble.lines)
    told = replace(_told(store, fleet, one, others, units), trouble=lines, units=str(units))
    return 200, plain_page(told) if trouble is None or not trouble.old else old_page(told)


def _told(store: Client, fleet: Fleet, one: UnitStatus, others: list[UnitStatus], units: Units) -> Told:
    """What is said of one unit, gathered."""
    at, kept = present(store).at, one.standing
    now = recovery.now_words(one, at, units)
    call = recovery.whom_to_call(fleet.contacts, one.cabin.slug)
    if kept is None:
        return Told(
            status=one, at=at, now=now, call=call, cautions=sentences(one.verdict.works), others=others)
    advisory = kept.advisory
    step, asked = step_here(advisory, one.unit, one.cabin, units)
    first = sentences(works_of_steps([] if step.step is None else [step.step]))
    over = over_of(store, fleet, one.cabin.slug, one.unit.slug, advisory, at)
    said = notice(advisory, one.cabin, unit=one.unit.slug, printed_at=at, contacts=fleet.contacts)
    return Told(
        status=one, at=at, now=now, before=said.boil_words,
        water=words.exposure_words(advisory, at, one.cabin.zone, units, heard=one.heard),
        step=step_sentence(advisory, step),
        facts=step_facts(
            advisory, step, asked, fleet.policy or StepPolicy(), unit=one.unit, cabin=one.cabin, units=units),
        so_far=step.evidence, over=() if over is None else over.words, call=call, others=others,
        cautions=list(dict.fromkeys((*said.cautions, *first, *sentences(one.verdict.works)))))


ROUTE = Route("/notice", answer)
