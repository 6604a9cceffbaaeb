"""The fleet's lamps: who is due, in words; each lamp's trend; how good such dates have been."""

from __future__ import annotations

import streamlit as st

from dashboard.charts.lamps import lamp_figure
from dashboard.lamp_access import get_outlook
from dashboard.sheets.ics import lamps_calendar
from dashboard.text import lamps as said
from dashboard.text import markup
from dashboard.views.chart import show_chart
from dashboard.views.frame import care, caution, empty, guarded, link
from ingest.outlook.lamps import Lamp, LampOutlook, lamp_curve
from ingest.store import Client
from models.advisory.work_cautions import Work

CHARTS_AT_FIRST = 6  # the most urgent; the rest on demand
CHECKS_SHOWN = 12
CHOSEN = "lamps-chosen"
WORKS = frozenset({Work.SWAP_LAMP, Work.CLEAN_SLEEVE, Work.CHECK_SENSOR})  # that this page speaks of


@guarded
def lamps(store: Client) -> None:
    """Which lamp, when, and is it the lamp at all?"""
    found = get_outlook(store)
    if not found.lamps:
        empty()
        return
    st.html(markup.headline(
        said.headline(found),
        f"From the days before {said.date_words(found.at.date())} (UTC). Dates hold if nothing is done."))
    care(WORKS)
    st.html(markup.table(said.LAMP_HEADERS, [said.lamp_row(one) for one in found.lamps]))
    st.html(markup.small(said.calibration_words(found)))
    caution()
    with st.container(horizontal=True):
        link("visits", "Plan the trips →")
        st.download_button(
            "Dates for a calendar (.ics)", lamps_calendar(found.lamps, found.at), "lamps.ics", "text/calendar")
    st.subheader("Each lamp, most urgent first")
    for one in shown(found):
        chart(found, one)
    checks(found)


def shown(found: LampOutlook) -> list[Lamp]:
    """The most urgent, or those that the reader chose."""
    names = {f"{one.cabin.slug}/{one.unit.slug}": one for one in found.lamps}
    if len(names) <= CHARTS_AT_FIRST:
        return list(names.values())
    picked = st.multiselect(
        f"Lamps drawn (the {CHARTS_AT_FIRST} most urgent where none is chosen)", list(names), key=CHOSEN,
        format_func=lambda key: said.lamp_name(names[key]))
    return [names[key] for key in picked] or list(found.lamps[:CHARTS_AT_FIRST])


def chart(found: LampOutlook, one: Lamp) -> None:
    """One lamp: what to do, on what evidence, and the drawing."""
    key = (one.cabin.slug, one.unit.slug)
    past, coming = lamp_curve(found, *key)
    events = found.known.events
    with st.container(border=True, key=f"lamp-{key[0]}-{key[1]}", gap="xsmall"):
        lines = [one.evidence]
        if one.forecast:
            middle = said.crossing_words(one)
            lines.insert(0, f"{middle[0].upper()}{middle[1:]}.")
            lines.append(said.won_words(one))
        if one.rated_life_on and one.rated_life_on > found.at.date():
            lines.append(f"Its rated life ends {said.date_words(one.rated_life_on)}.")
        lines += [told for told in (
            said.first_words(one), one.sensor.divided, one.sensor.due_words(found.at)) if told]
        st.html(markup.box(f"{said.lamp_name(one)}: {said.action_words(one)}", lines))
        if len(past):
            show_chart(
                lamp_figure(past, coming, one, events[(events["cabin"] == key[0]) & (events["unit"] == key[1])]),
                key=f"lamp-chart-{key[0]}-{key[1]}", config={"displayModeBar": False},
                name=f"UV intensity of {said.lamp_name(one)} by day, its fit and the coming year")
        link("cabin", f"Open {said.lamp_name(one)} →", cabin=key[0], unit=key[1])


def checks(found: LampOutlook) -> None:
    """What recorded sensor checks say, by the guidance's ratio."""
    names = {(one.cabin.slug, one.unit.slug): said.lamp_name(one) for one in found.lamps}
    rows = said.sensor_check_rows(found.known.events, names)
    st.subheader("Sensor checks")
    if not rows:
        st.html(markup.small(
            "None is recorded. A duty sensor that reads too high makes every dose too high; the guidance asks for "
            "a check against a reference each month (EPA 815-R-06-007, section 6.4.1, from memory)."))
        return
    st.html(markup.table(("When", "Unit", "Who", "Duty sensor over reference"), rows[:CHECKS_SHOWN]))
