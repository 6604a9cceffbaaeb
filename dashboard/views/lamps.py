"""The fleet's lamps: a row each, by margin; those of a kind side by side; one in full; how good dates have been."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from dashboard.charts.lamp_line import days_picture, life_picture
from dashboard.charts.lamps import lamp_figure
from dashboard.charts.margin_line import data_uri
from dashboard.lamp_access import get_histories, get_outlook
from dashboard.sheets.ics import lamps_calendar
from dashboard.sheets.outlook_lists import lamps_list
from dashboard.text import lamp_rows, markup
from dashboard.text import lamps as said
from dashboard.views.along import along
from dashboard.views.chart import show_chart
from dashboard.views.choice import follow
from dashboard.views.frame import care, caution, empty, guarded, link
from dashboard.views.taking import to_take
from ingest.outlook.lamp_history import LampHistory
from ingest.outlook.lamps import Lamp, LampOutlook, lamp_curve
from ingest.store import Client
from models.advisory.work_cautions import Work

CHECKS_SHOWN = 12
CHOSEN = "lamp-chosen"
WORKS = frozenset({Work.SWAP_LAMP, Work.CLEAN_SLEEVE, Work.CHECK_SENSOR})  # that this page speaks of


@guarded
def lamps(store: Client) -> None:
    """Which lamp, when, and is it the lamp at all?"""
    found = get_outlook(store)
    if not found.lamps:
        empty()
        return
    today = found.at.date()
    histories = get_histories(store)
    st.html(markup.headline(
        said.headline(found),
        f"From the days before {said.date_words(today)} (UTC). Dates hold if nothing is done. Below their need "
        "first, then due, then not known; the least margin first."))
    st.html(lamp_rows.rows([_row(one, histories) for one in found.lamps], today))
    st.html(lamp_rows.legend())
    care(WORKS)
    with st.container(horizontal=True):
        link("visits", "Plan the trips →")
        st.download_button(
            "Dates for a calendar (.ics)", lamps_calendar(found.lamps, found.at), "lamps.ics", "text/calendar")
        to_take("lamps", lambda: lamps_list(found.lamps), until=today)
    st.subheader("One lamp in full")
    one = chosen(found)
    if one is not None:
        chart(found, one)
    kinds(found, histories)
    st.subheader("How good such dates have been")
    st.html(markup.small(said.calibration_words(found)))
    caution()
    checks(found)


def _row(one: Lamp, histories: Mapping[tuple[str, str], LampHistory]) -> lamp_rows.PicturedLamp:
    history = histories.get((one.cabin.slug, one.unit.slug))
    if history is None:
        return lamp_rows.PicturedLamp(lamp=one, picture="", seen="")
    seen = lamp_rows.days_words(history.last)
    return lamp_rows.PicturedLamp(lamp=one, picture=data_uri(days_picture(history.last, seen)), seen=seen)


def chosen(found: LampOutlook) -> Lamp | None:
    """The lamp that the address or the reader names; none is drawn unasked."""
    by_key = {(one.cabin.slug, one.unit.slug): one for one in found.lamps}
    asked = along()
    if st.session_state.get(CHOSEN) not in by_key:
        st.session_state.pop(CHOSEN, None)
    if CHOSEN not in st.session_state and (asked.cabin, asked.unit) in by_key:
        st.session_state[CHOSEN] = (asked.cabin, asked.unit)
    picked = st.selectbox(
        "Lamp", list(by_key), index=None, key=CHOSEN, format_func=lambda key: said.lamp_name(by_key[key]),
        placeholder="Choose a lamp", label_visibility="collapsed", on_change=follow, args=(CHOSEN,))
    return by_key.get(picked) if picked is not None else None


def kinds(found: LampOutlook, histories: Mapping[tuple[str, str], LampHistory]) -> None:
    """Lamps of one kind over lamp hours, on equal axes."""
    by_kind: dict[str, list[Lamp]] = {}
    for one in found.lamps:
        if (one.cabin.slug, one.unit.slug) in histories:
            by_kind.setdefault(one.unit.reactor, []).append(one)
    if not by_kind:
        return
    st.subheader("Lamps of one kind, over lamp hours")
    for name, mine in sorted(by_kind.items()):
        rated_h = mine[0].reactor.lamp_life_h
        of = [(one, histories[one.cabin.slug, one.unit.slug]) for one in mine]
        most_h = max(rated_h, *(float(hours[-1]) for _, history in of for hours, _ in history.lives))
        st.html(lamp_rows.kind(name, [
            lamp_rows.PicturedLamp(
                lamp=one, seen=lamp_rows.life_words(one),
                picture=data_uri(life_picture(history, lamp_rows.life_words(one), most_h=most_h, rated_h=rated_h)))
            for one, history in of], most_h=most_h, rated_h=rated_h))


def chart(found: LampOutlook, one: Lamp) -> None:
    """One lamp: what to do, on what evidence, and the drawing."""
    key = (one.cabin.slug, one.unit.slug)
    past, coming = lamp_curve(found, *key)
    events = found.known.events
    with st.container(border=True, key=f"lamp-{key[0]}-{key[1]}", gap="xsmall"):
        lines = [one.evidence]
        middle = said.crossing_words(one)
        if one.forecast:
            lines.insert(0, f"{middle[0].upper()}{middle[1:]}.")
            lines.append(said.won_words(one))
        if one.rated_life_on and one.rated_life_on > found.at.date():
            lines.append(f"Its rated life ends {said.date_words(one.rated_life_on)}.")
        lines += [told for told in (
            said.first_words(one), one.sensor.divided, one.sensor.due_words(found.at)) if told]
        st.html(markup.box(f"{said.lamp_name(one)}: {said.action_words(one)}", lines))
        if len(past):
            show_chart(
                lamp_figure(past, coming, one, events[(events["cabin"] == key[0]) & (events["unit"] == key[1])],
                            today=found.at.date()),
                key=f"lamp-chart-{key[0]}-{key[1]}", config={"displayModeBar": False},
                name=f"{said.lamp_name(one)}, UV intensity: {middle}.")
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
