"""Setting up a unit, its seasonal shut-down and start-up: what is open, forms to record it, a sheet to print."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import streamlit as st

from dashboard.access import get_fleet, reader_units
from dashboard.chosen import full_name
from dashboard.lamp_access import get_outlook
from dashboard.sheets.commission_sheet import commission_sheet
from dashboard.text import commissioning as said
from dashboard.text import markup
from dashboard.text.measures import Units, flow_unit, from_volume
from dashboard.views.choice import choice
from dashboard.views.frame import care, caution, guarded, link
from dashboard.views.sample import once
from ingest.outlook.commissioning import Commissioning, commissioning_of
from ingest.settings import BadInput
from ingest.store import Client
from models.commissioning import CHECKLISTS, ItemState, Occasion
from models.commissioning.checklist import FLOW_CHECK
from models.fleet import Cabin
from models.water_quality import hardness_mg_l

SHOWN = 20
RECORDED = "commission-recorded"  # key in the session: what was just recorded, said once on the page drawn anew
WATER_FIELDS = (
    ("iron_mg_l", "Iron, mg/L"), ("manganese_mg_l", "Manganese, mg/L"), ("turbidity_ntu", "Turbidity, NTU"),
    ("ph", "pH"), ("tannin_mg_l", "Tannin, mg/L"))


@guarded
def commission(store: Client) -> None:
    """What is open of the unit that the address names."""
    fleet = get_fleet(store)
    chosen = choice(store, fleet, "commission")
    if chosen is None:
        return
    cabin = fleet.cabin(chosen[0])
    name = full_name(cabin, chosen[1]) if len(cabin.units) > 1 else cabin.name
    occasion = st.segmented_control(
        "Which list", list(Occasion), format_func=said.OCCASION_WORDS.__getitem__, default=Occasion.COMMISSIONING,
        required=True, key="commission-occasion", label_visibility="collapsed")
    units = reader_units()
    found = commissioning_of(store, fleet, get_outlook(store).known, chosen, Occasion(occasion), store.now())
    st.html(markup.headline(said.headline(found, name), "Each item counts by a named person's word; a later one "
                            "replaces an earlier one, and all of them stay to be read."))
    just = st.session_state.pop(RECORDED, None)
    if just:
        st.html(markup.box("Recorded", [just]))
    st.html(markup.box("Before anybody drinks", [said.UNTIL_THEN[found.occasion], said.NOT_ACCEPTANCE]))
    opened = said.open_words(found)
    if opened:
        st.html(markup.told("What is open", opened))
    caution()
    care(found.works)
    if found.occasion is not Occasion.COMMISSIONING:
        st.html(markup.told("Frost", [said.frost_words(found.frost, found.at, units)]))
    checklist(store, found, cabin, name, units)
    if found.occasion is Occasion.COMMISSIONING:
        water(store, found, cabin, name, units)
        size(found, units)
    record(found, units)
    link("cabin", f"Open {name} →", cabin=chosen[0], unit=chosen[1])


def checklist(store: Client, found: Commissioning, cabin: Cabin, name: str, units: Units) -> None:
    """The list, the sheet, and the form to say what was done."""
    st.header(said.OCCASION_WORDS[found.occasion])
    st.html(markup.table(said.LINE_HEADERS, [said.line_row(one, found, units) for one in found.lines]))
    st.download_button(
        "List to print (.html)", commission_sheet([(name, found)], units, found.at),
        f"{found.occasion}-{cabin.slug}-{found.unit.slug}.html", "text/html")
    of = f"{cabin.slug}-{found.unit.slug}-{found.occasion}"
    items = {one.key: one for one in CHECKLISTS[found.occasion]}
    figures = [f"{one.value}, {flow_unit(units) if one.key == FLOW_CHECK else one.unit}"
               for one in items.values() if one.value]
    with st.form(f"commission-{of}", border=True):
        st.html(markup.form_heading(f"Say what was done at {name}"))
        keys = st.pills(
            "Items", list(items), selection_mode="multi", format_func=lambda key: items[key].title,
            key=f"commission-items-{of}")
        state = ItemState(st.radio(
            "They are", list(ItemState), format_func=said.STATE_WORDS.__getitem__, horizontal=True,
            key=f"commission-state-{of}") or ItemState.NOT_DONE)
        value = st.number_input(
            f"Figure ({'; '.join(figures)}), for one item", value=None, format="%.2f", key=f"commission-value-{of}",
        ) if figures else None
        at = _when(cabin, of, found.at)
        who = st.text_input("Who says so (name)", key=f"commission-who-{of}", max_chars=120)
        note = st.text_input("Note (a serial, what was found)", key=f"commission-note-{of}", max_chars=300)
        sent = st.form_submit_button(markup.plain_label(f"Record for {name}"), type="primary")
    if not sent:
        return
    if not keys:
        st.html(markup.box("Not recorded", ["Choose at least one item."], tone="alarm"))
        return
    if value is not None and len(keys) != 1:
        st.html(markup.box("Not recorded", ["A figure is of one item: choose that one alone."], tone="alarm"))
        return
    values = {} if value is None else {
        keys[0]: from_volume(value, units) if keys[0] == FLOW_CHECK else value}
    _send(store, found, {
        "items": {key: str(state) for key in keys}, "values": values, "who": who, "at": at, "note": note},
        f"{', '.join(items[key].title.lower() for key in keys)}: {said.STATE_WORDS[state]}")


def water(store: Client, found: Commissioning, cabin: Cabin, name: str, units: Units) -> None:
    """The water before the unit against its limits, and the form to record a test of it."""
    st.header("The water before the unit")
    st.html(markup.table(said.WATER_HEADERS, [said.water_row(one, found) for one in found.water.each]))
    st.html(markup.small(
        "These are limits for the unit to work, not for health. The transmittance is recorded on the cabin's page, "
        "as a water test: doses rest on it."))
    of = f"{cabin.slug}-{found.unit.slug}"
    grains = units is Units.US
    with st.expander("Record a test of the water before the unit"), st.form(f"water-{of}", border=False):
        with st.container(horizontal=True):
            hardness = st.number_input(
                f"Hardness, {'grains per US gallon' if grains else 'mg/L as CaCO3'}", value=None, format="%.1f",
                key=f"water-hardness-{units}-{of}", width=210)
            told = {column: st.number_input(label, value=None, format="%.3f", key=f"water-{column}-{of}", width=160)
                    for column, label in WATER_FIELDS}
        at = _when(cabin, f"water-{of}", found.at)
        who = st.text_input("Who says so (name)", key=f"water-who-{of}", max_chars=120)
        note = st.text_input("Note (the laboratory, the sample's number)", key=f"water-note-{of}", max_chars=300)
        sent = st.form_submit_button(markup.plain_label(f"Record the water of {name}"))
    if not sent:
        return
    figures = {column: value for column, value in told.items() if value is not None}
    if hardness is not None:
        figures["hardness_mg_l"] = hardness_mg_l(hardness) if grains else hardness
    _send(store, found, {"water": figures, "who": who, "at": at, "note": note},
          f"{len(figures)} figure{'s' if len(figures) > 1 else ''} of the water")


def size(found: Commissioning, units: Units) -> None:
    """The unit against its supply, and its own first reading."""
    st.header("Size")
    st.html(markup.told("", said.size_words(found, units)))
    st.header("First reading")
    st.html(markup.told("", said.first_words(found)))


def record(found: Commissioning, units: Units) -> None:
    """All that was said, newest first."""
    st.header("The record")
    if not found.entries:
        st.html(markup.small("Nothing is recorded yet."))
        return
    titles = {(occasion, one.key): one for occasion, items in CHECKLISTS.items() for one in items}
    st.html(markup.table(said.ENTRY_HEADERS, said.entry_rows(found, titles, units, SHOWN)))


def _when(cabin: Cabin, of: str, now: datetime) -> str:
    """Day and time at the cabin, as a record has them."""
    day, clock = f"commission-day-{of}", f"commission-time-{of}"
    there = now.astimezone(cabin.zone)
    st.session_state.setdefault(day, there.date())
    st.session_state.setdefault(clock, there.time().replace(second=0, microsecond=0))
    with st.container(horizontal=True):
        date = st.date_input("Day", key=day)
        time = st.time_input(f"Time at the cabin ({there:%Z})", key=clock, step=60)
    return datetime.combine(date, time, tzinfo=cabin.zone).isoformat()


def _send(store: Client, found: Commissioning, body: dict[str, Any], what: str) -> None:
    """Hand a record to the collector; what it refuses is shown in its words."""
    whole = {"cabin": found.cabin.slug, "unit": found.unit.slug, "occasion": str(found.occasion), **body}
    try:
        told = store.act("record-commissioning", once(whole))
    except BadInput as error:
        st.html(markup.refused("Not recorded", error))
        return
    st.session_state[RECORDED] = (
        "It was recorded before; nothing was stored twice." if told["already"] else
        f"{what[0].upper()}{what[1:]}, by {body['who']}.")
    st.rerun()
