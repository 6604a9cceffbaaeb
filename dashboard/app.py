"""The dashboard's entry, a frame around each page; run by `tarnlight show`."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from dashboard.access import UNITS, get_settings
from dashboard.colours import style_variables
from dashboard.text.measures import Units
from dashboard.views.advisories import advisories
from dashboard.views.after_cut import after_cut
from dashboard.views.along import carry
from dashboard.views.cabin import cabin
from dashboard.views.cabins import cabins
from dashboard.views.chart import DARK_ON_PAPER, in_the_dark
from dashboard.views.commission import commission
from dashboard.views.follow import follow_links
from dashboard.views.frame import PAGES, entitle
from dashboard.views.lamps import lamps
from dashboard.views.now import now
from dashboard.views.over_time import fleet_over_time
from dashboard.views.shared_event import shared_event
from dashboard.views.system import system
from dashboard.views.visits import visits

STYLE = style_variables() + Path(__file__).with_name("style.css").read_text(encoding="utf-8")
UNIT_WORDS = {Units.METRIC: "Metric (L, °C)", Units.US: "US (gal, °F)"}


def main() -> None:
    """Style, navigation, the page, and the controls that all pages share."""
    st.set_page_config(layout="wide", initial_sidebar_state="collapsed")
    st.html(f"<style>{STYLE}{DARK_ON_PAPER if in_the_dark() else ''}</style>")
    pages = {
        "now": st.Page(now, title="Now", url_path="now", default=True),
        "over-time": st.Page(fleet_over_time, title="Over time", url_path="over-time"),
        "cabin": st.Page(cabin, title="One cabin", url_path="cabin"),
        "after-cut": st.Page(after_cut, title="After a power cut", url_path="after-cut"),
        "advisories": st.Page(advisories, title="Advisories", url_path="advisories"),
        "shared-event": st.Page(shared_event, title="Shared event", url_path="shared-event"),
        "lamps": st.Page(lamps, title="Lamps", url_path="lamps"),
        "visits": st.Page(visits, title="Visits", url_path="visits"),
        "commission": st.Page(commission, title="Set up", url_path="commission"),
        "cabins": st.Page(cabins, title="Cabins", url_path="cabins"),
        "system": st.Page(system, title="System", url_path="system"),
    }
    st.session_state[PAGES] = pages
    carry()
    page = st.navigation(list(pages.values()), position="top")
    entitle(page.title)
    follow_links()
    page.run()
    st.divider()
    st.segmented_control(
        "Units", list(UNIT_WORDS), format_func=UNIT_WORDS.__getitem__, default=Units(get_settings().units),
        required=True, key=UNITS)


main()
