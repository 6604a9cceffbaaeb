"""What is enrolled, and forms to enrol more."""

from __future__ import annotations

from dataclasses import MISSING, fields
from typing import Any

import streamlit as st

from dashboard.access import get_fleet, get_settings, reader_units
from dashboard.text import markup, measures
from dashboard.text import verdicts as words
from dashboard.views.frame import guarded, link
from ingest.bookings.addresses import allowed_of, refuse_calendars
from ingest.registry.tables import read_fleet, write_fleet
from ingest.settings import BadInput
from ingest.store import Client
from models.fleet import Cabin, Fleet, Reactor, Shutoff, Total, Unit

MOST_BYTES = 1_000_000
# the model's own default, so that it stands in one place
DOSE_TARGET_MJ_CM2 = next(float(one.default) for one in fields(Unit) if one.name == "dose_target_mj_cm2")  # type: ignore[arg-type]
WHOLE_NUMBERS = ("mixing_tanks",)
TOTALS = {
    "": None, "kept by the meter itself": Total.METER, "counted by the logger from pulses": Total.PULSE}


@guarded
def cabins(store: Client) -> None:
    """The registry, and three ways into it."""
    fleet = get_fleet(store)
    st.html(markup.headline("Cabins", words.registry_summary(fleet)))
    told = st.session_state.pop("enrolled", None)
    if told:
        st.html(markup.box("Enrolled", [told]))
    enrolled(fleet)
    st.header("Enrol")
    one, kind, whole = st.tabs(["A cabin and its unit", "A kind of unit (reactor)", "A whole fleet.toml"])
    with one:
        cabin_form(store, fleet)
    with kind:
        reactor_form(store)
    with whole:
        file_form(store)


def enrolled(fleet: Fleet) -> None:
    """What is enrolled, and a file of it."""
    units = reader_units()
    for place in fleet.cabins:
        with st.container(border=True, gap="xsmall"):
            st.html(markup.registry_entry(
                place.name, words.place_line(place), [words.unit_line(unit, units) for unit in place.units]))
            with st.container(horizontal=True):
                for unit in place.units:
                    link("cabin", f"Open {place.name}, {unit.slug} →", cabin=place.slug, unit=unit.slug)
    if fleet.cabins or fleet.reactors:
        st.download_button(
            "Export as fleet.toml", write_fleet(fleet), file_name="fleet.toml", mime="application/toml",
            on_click="ignore")


def enroll(store: Client, text: str, source: str) -> None:
    """Hand a registry to the collector; what is wrong with it is shown as it says it."""
    try:
        refuse_calendars(read_fleet(text, source), allowed_of(get_settings()))
        told = store.act("enroll", {"text": text, "source": source})
    except BadInput as error:
        st.html(markup.box("Not enrolled", [str(error)], tone="alarm"))
        return
    get_fleet.clear()
    st.session_state["enrolled"] = words.enrolled_words(told)
    st.rerun()


def cabin_form(store: Client, fleet: Fleet) -> None:
    """One cabin with one unit of a kind that is enrolled."""
    if not fleet.reactors:
        st.html(markup.box("First a kind of unit", [
            "A unit is of a kind (a reactor with its test point) and none is enrolled yet: give one in the next "
            "tab, or a whole fleet.toml in the last."]))
        return
    units = reader_units()
    flow, volume = measures.flow_unit(units), measures.volume_unit(units)
    with st.form("enrol-cabin"):
        st.html(markup.small("The cabin. A slug that is enrolled already is changed, not doubled."))
        name = st.text_input("Name", placeholder="Heron Point")
        slug = st.text_input("Slug (a to z, 0 to 9, -), as in the logger's topic", placeholder="heron-point")
        zone = st.text_input("Time zone (IANA name)", placeholder="America/Toronto")
        with st.container(horizontal=True):
            latitude = st.number_input("Latitude, degrees north", value=None, format="%.4f")
            longitude = st.number_input("Longitude, degrees east", value=None, format="%.4f")
            altitude = st.number_input("Altitude, m", value=None)
        trip = st.text_input("Trip (visits are grouped by it)")
        line = st.text_input("Power line that feeds it (cabins of one line lose power together)")
        with st.container(horizontal=True):
            well = st.number_input(f"Well yields for hours on end, {flow}", value=None)
            septic = st.number_input(f"Septic bed takes in a day, {volume}", value=None)
        vulnerable = st.checkbox("Infants or people with weak immunity drink here")
        st.html(markup.small("Its unit."))
        unit_slug = st.text_input("Unit's slug", value="main")
        reactor = st.selectbox("Kind of unit", [one.name for one in fleet.reactors])
        target = st.number_input("Dose target, mJ/cm²", value=DOSE_TARGET_MJ_CM2)
        uvt = st.number_input("Transmittance of the latest water test, % over 1 cm", value=None, format="%.1f")
        with st.container(horizontal=True):
            peak = st.number_input(f"Most flow that the supply can deliver, {flow}", value=None)
            cold = st.number_input(f"Cold plumbing after the unit, {volume}", value=None)
            hot = st.number_input(f"Hot tank, {volume} (0: there is none)", value=None)
        with st.container(horizontal=True):
            hottest = st.number_input("Its heater makes it at most, °C", value=None)
            heel = st.number_input(f"Stays in it when it is drained, {volume}", value=None)
        with st.container(horizontal=True):
            cadence = st.number_input("Logger reads every, s", value=60.0)
            sends = st.number_input("It sends every, s (empty: each reading at once)", value=None)
            drawdown = st.number_input(f"Pressure tank gives without power, {volume}", value=0.0)
        gravity = st.checkbox("Gravity supply: water flows also without power")
        valve = st.checkbox("An electric shut-off valve after the unit closes when power or lamp fail")
        total = st.selectbox("The running total of litres, if there is one, is", list(TOTALS))
        step = st.number_input("Least step of the lamp's hour counter, h", value=None)
        st.html(markup.small(
            "What is left empty counts as not known: plumbing, counter and total then prove less, a flush asks for "
            "the volume first, and a hot tank cannot be cleaned by heating it."))
        sent = st.form_submit_button("Enrol this cabin", type="primary")
    if not sent:
        return
    missing = [what for what, value in (("latitude", latitude), ("longitude", longitude),
                                        ("transmittance", uvt), ("most flow", peak)) if value is None]
    if latitude is None or longitude is None or uvt is None or peak is None:
        st.html(markup.box("Not enrolled", [f"Still empty: {', '.join(missing)}."], tone="alarm"))
        return
    try:
        unit = Unit(
            slug=unit_slug, reactor=reactor, uvt_pct=uvt, peak_flow_l_min=measures.from_volume(peak, units),
            dose_target_mj_cm2=target, cold_plumbing_l=_litres(cold, units), hot_tank_l=_litres(hot, units),
            hot_tank_heel_l=_litres(heel, units), hot_max_c=hottest, cadence_s=cadence, sends_every_s=sends,
            total=TOTALS[total], lamp_hours_step_h=step,
            drawdown_l=0.0 if gravity else measures.from_volume(drawdown, units), gravity_fed=gravity,
            shutoff=Shutoff.NORMALLY_CLOSED if valve else None)
        place = Cabin(slug=slug, name=name, time_zone=zone, latitude=latitude, longitude=longitude,
                      altitude_m=altitude, trip=trip, units=(unit,), well_l_min=_litres(well, units),
                      septic_l_day=_litres(septic, units), vulnerable=vulnerable, supply_line=line)
    except ValueError as error:
        st.html(markup.box("Not enrolled", [str(error)], tone="alarm"))
        return
    enroll(store, write_fleet(Fleet(reactors=(fleet.reactor(reactor),), cabins=(place,))), "the form")


def _litres(value: float | None, units: measures.Units) -> float | None:
    """A volume of the form; what was left empty is not known."""
    return None if value is None else measures.from_volume(value, units)


def reactor_form(store: Client) -> None:
    """A kind of unit, from its data sheet and test report."""
    st.html(markup.small(
        "All of it stands in the unit's data sheet and its validation test report; names and units as in "
        "fleet.toml. Uncertainties, test ranges and a test report's own equation can be given in a fleet.toml."))
    given: dict[str, Any] = {}
    with st.form("enrol-reactor"):
        given["name"] = st.text_input("name (slug)", placeholder="annular-40")
        for field in fields(Reactor):
            lists = isinstance(field.default, tuple)  # given in a fleet.toml
            if field.name == "name" or field.default is None or lists or "uncertainty" in field.name:
                continue
            default = None if field.default is MISSING else float(field.default)
            given[field.name] = st.number_input(field.name, value=default, format="%.4g")
        sent = st.form_submit_button("Enrol this kind", type="primary")
    if not sent:
        return
    empty = [name for name, value in given.items() if value in (None, "")]
    if empty:
        st.html(markup.box("Not enrolled", [f"Still empty: {', '.join(empty)}."], tone="alarm"))
        return
    for name in WHOLE_NUMBERS:
        if float(given[name]).is_integer():
            given[name] = int(given[name])
    try:
        reactor = Reactor(**given)
    except ValueError as error:
        st.html(markup.box("Not enrolled", [str(error)], tone="alarm"))
        return
    enroll(store, write_fleet(Fleet(reactors=(reactor,))), "the form")


def file_form(store: Client) -> None:
    """A fleet.toml, as a file or pasted; refused whole where anything in it is wrong."""
    with st.form("enrol-file"):
        file = st.file_uploader("fleet.toml", type="toml")
        pasted = st.text_area("Or paste it", height=220)
        sent = st.form_submit_button("Enrol all of it", type="primary")
    if not sent:
        return
    try:
        text, source = _given(file, pasted)
        read_fleet(text, source)
    except BadInput as error:
        st.html(markup.box("Not enrolled", [str(error)], tone="alarm"))
        return
    enroll(store, text, source)


def _given(file: Any, pasted: str) -> tuple[str, str]:
    """Text and name of what was handed in."""
    if file is None:
        if not pasted.strip():
            raise BadInput("give a fleet.toml as a file or paste one; got neither")
        return pasted, "the pasted text"
    if file.size > MOST_BYTES:
        raise BadInput(f"{file.name} has {file.size:,} bytes; at most {MOST_BYTES:,} are taken")
    try:
        return file.getvalue().decode("utf-8"), file.name
    except UnicodeDecodeError as error:
        raise BadInput(f"{file.name} is not UTF-8 text: {error}") from error
