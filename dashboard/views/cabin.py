"""One cabin: may its tap be drunk from, since when, why, what to do; then the evidence.

The address names it (`?cabin=slug&unit=slug`), so that a QR code at the tap can lead here; without a unit it is the
cabin's worst.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import streamlit as st

from dashboard.access import get_fleet, present, reader_units, status_of
from dashboard.lamp_access import get_outlook
from dashboard.text import lines, markup, measures
from dashboard.text import verdicts as words
from dashboard.text.step_facts import step_here, step_sentence
from dashboard.views.choice import choice
from dashboard.views.dose_explanation import reckoning
from dashboard.views.evidence import evidence
from dashboard.views.frame import care, caution, guarded, link, live
from dashboard.views.lamps import chart
from dashboard.views.margin import margin_evidence
from dashboard.views.message_log import told
from dashboard.views.record import amend, done, record, take
from dashboard.views.stay import stays
from dashboard.views.steps import steps
from dashboard.views.system import refused_files, refused_table
from ingest import queries
from ingest.store import Client
from models.fleet import Role

REFUSED_SHOWN = 20
TELLING = "Telling"  # the tab that says who was told, and takes the word that it was read
TAB = "tab"  # key, and name in the address

Section = Callable[[Client, str, str], None]


@guarded
def cabin(store: Client) -> None:
    """The cabin that the address names, or the worst one."""
    fleet = get_fleet(store)
    chosen = choice(store, fleet, "cabin")
    if chosen is None:
        return
    first_screen(store, *chosen)
    for section in EVIDENCE:
        section(store, *chosen)
    for (name, sections), tab in zip(TABS.items(), st.tabs(list(TABS), key=TAB, on_change="rerun",
                                                            bind="query-params"), strict=True):
        with tab:
            for section in sections if tab.open or name != "Lamp" else ():
                section(store, *chosen)


@live("2s")
def first_screen(store: Client, cabin: str, unit: str) -> None:
    """Verdict, since when, what to do, why; whose word goes before ours, and whom to call."""
    one = status_of(store, cabin, unit)
    if one is None:
        st.html(markup.box("Just enrolled", ["Its first verdict will be here in a moment."]))
        return
    at = present(store).at
    extra = step = ""
    if one.standing is not None:
        advisory = one.standing.advisory
        step = step_sentence(advisory, step_here(advisory, one.unit, one.cabin, reader_units())[0])
        extra = words.exposure_words(one.standing.advisory, at, one.cabin.zone, reader_units(), heard=one.heard)
    st.html(markup.verdict(
        word=one.verdict.verdict, name=words.unit_name(one), reasons=words.reasons(one), extra=extra,
        action=one.verdict.next_action, step=step, since=words.since_words(one.verdict.since, at, one.cabin.zone)))
    heard = measures.age(one.state.at, at) if one.state else "never"
    st.html(markup.small(f"Last heard {heard}. Now {measures.local(at, one.cabin.zone)} at the cabin."))
    calls = words.whom_to_call([
        contact for contact in get_fleet(store).contacts
        if contact.role is Role.HEALTH_AUTHORITY and (not contact.cabins or cabin in contact.cabins)])
    st.html(markup.small(calls) + lines.plain_link(cabin, unit, reader_units()))
    caution()


@live("2s")
def cautions(store: Client, cabin: str, unit: str) -> None:
    """Those of the works that the verdict asks for."""
    one = status_of(store, cabin, unit)
    if one is not None:
        care(one.verdict.works)


@live("2s")
def way_out(store: Client, cabin: str, unit: str) -> None:
    """While an advisory stands: the way to the page that leads out of it."""
    one = status_of(store, cabin, unit)
    if one is not None and one.standing is not None:
        with st.container(horizontal=True):
            link("after-cut", "What to do step by step, the notice, and lifting it →", cabin=cabin, unit=unit)
            link("cabin", "Confirm that you have read it →", cabin=cabin, unit=unit, tab=TELLING)


@live("2s")
def latest(store: Client, cabin: str, unit: str) -> None:
    """What was read last, and how old it is."""
    st.header("Latest readings")
    one = status_of(store, cabin, unit)
    rows = words.latest_readings(one, present(store).at, reader_units()) if one else []
    if one is None or not rows:
        st.html(markup.small("This unit has never been heard."))
        return
    if not one.heard:
        st.html(markup.small("These are too old to speak of the present."))
    st.html(markup.table(("Quantity", "Value", "How old"), rows))
    checked = one.sensor.due_words(present(store).at)
    if checked:
        st.html(markup.small(checked))


@live("10s")
def refused(store: Client, cabin: str, unit: str) -> None:
    """What this unit sent that could not be used."""
    found = queries.quarantined(store, REFUSED_SHOWN, cabin=cabin, unit=unit)
    st.header("Refused records of this unit")
    if found.empty:
        st.html(markup.small("None of late."))
        return
    refused_table(found)


def take_refused(store: Client, cabin: str, unit: str) -> None:
    """All of them, as files."""
    refused_files(store, cabin, unit)


def set_up(store: Client, cabin: str, unit: str) -> None:
    """The way to the lists of commissioning, shut-down and start-up."""
    link("commission", "Commissioning, seasonal shut-down and start-up →", cabin=cabin, unit=unit)


def lamp(store: Client, cabin: str, unit: str) -> None:
    """What the lamp's outlook says of this unit, with its drawing."""
    found = get_outlook(store)
    mine = next((one for one in found.lamps if (one.cabin.slug, one.unit.slug) == (cabin, unit)), None)
    if mine is None:
        st.html(markup.small("Nothing is known of this unit's lamp yet."))
        return
    chart(found, mine)
    link("lamps", "All lamps →")


# Right below the verdict: the next step, then at once the evidence. The rest stands in tabs, each a list of
# functions of store, cabin and unit; the lamp's, whose fit takes a while, is asked for only where its tab is open.
EVIDENCE: tuple[Section, ...] = (way_out, margin_evidence, cautions)
TABS: Mapping[str, tuple[Section, ...]] = {
    "Readings": (latest, evidence, reckoning, refused, take_refused),
    "Record": (steps, record, done, take, amend, set_up),
    TELLING: (told, stays), "Lamp": (lamp,)}
