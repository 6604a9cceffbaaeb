"""What all pages share: the guard around each, what is shown where the collector is silent, links between pages."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from functools import wraps
from typing import NoReturn, ParamSpec

import streamlit as st

from dashboard.access import collector_trouble, forget, get_settings, get_store, present
from dashboard.text import markup
from dashboard.text.verdicts import CAUTION
from dashboard.views.along import along
from dashboard.views.chart import in_the_dark
from ingest.settings import ArchiveUnavailable, StoreUnavailable
from ingest.store import Client
from models.advisory.work_cautions import Work, sentences

PAGES = "pages"  # key in the session: the frame's st.Page objects by name
NO_ANSWER = "no-answer"  # key: what was found when the collector did not answer; not there while it does
DARK = "in-the-dark"  # key: the mode that the page was drawn in
JUST_SAID = "just-said"  # key: the page has said so in this run, and asks again in a moment
P = ParamSpec("P")

logger = logging.getLogger(__name__)


def guarded(body: Callable[[Client], None]) -> Callable[[], None]:
    """A page that gets the store; where no collector answers, it says so and waits for one.

    All of a page stands in one container, and that no collector answers is said by one element in this container's
    very place. A browser keeps what an earlier run drew until the run that follows has ended; only what takes its
    place makes it go. So verdicts and forms of before go in the same moment in which these words appear.
    """
    @wraps(body)
    def page() -> None:
        why = st.session_state.get(NO_ANSWER)
        if why is not None:
            unavailable(why)
            return
        with st.container():
            st.session_state[DARK] = in_the_dark()
            try:
                store = get_store()
                heartbeat(store)
                body(store)
            except ArchiveUnavailable as error:
                not_to_be_had(error)
            except StoreUnavailable as error:
                no_answer(error)
            except Exception:  # outermost loop of a page: what breaks here must not look like an answer
                logger.exception("page %s failed", body.__name__)
                failed("This page")
    return page


def no_answer(error: StoreUnavailable) -> NoReturn:
    """Draw the page anew without asking the collector again: that takes seconds, and what is there is old."""
    forget()
    st.session_state[NO_ANSWER] = str(error)
    st.rerun()


def live(every: str) -> Callable[[Callable[P, None]], Callable[P, None]]:
    """A part of a page that draws itself anew; where the collector goes away, the whole page says so."""
    def wrap(body: Callable[P, None]) -> Callable[P, None]:
        @st.fragment(run_every=every)
        @wraps(body)
        def part(*args: P.args, **kwargs: P.kwargs) -> None:
            try:
                body(*args, **kwargs)
            except ArchiveUnavailable as error:
                not_to_be_had(error)
            except StoreUnavailable as error:
                no_answer(error)
            except Exception:  # outermost loop of a part; the others go on
                logger.exception("part %s failed", body.__name__)
                failed("This part of the page")
        return part
    return wrap


@live("2s")
def heartbeat(store: Client) -> None:
    """A banner where the collector has stopped moving, or hears nothing; nothing where all is well.

    Draws the page anew where the reader's machine has turned to the other mode.
    """
    if st.session_state.get(DARK) != in_the_dark():
        st.rerun()
    found = collector_trouble(store)
    if found is not None:
        st.html(markup.box(found.title, found.lines, found.commands, tone="alarm"))


def unavailable(why: str) -> None:
    """The collector does not run: what that means and what to type; comes back by itself."""
    own = get_settings()
    st.html(markup.box("The collector does not answer", [  # one element: see `guarded`
        "This page reads through the collector, which does not run or does not answer, so nothing can be said of "
        "any cabin now. Not known is never clear: where in doubt, boil tap water before drinking or use bottled "
        "water.",
        "Start it, and this page comes back by itself:",
    ], [f"tarnlight collect --store {own.store} --broker {own.broker}"], tone="alarm")
        + markup.small(f"What was found: {why}"))
    st.session_state[JUST_SAID] = True
    waiting(why)


@st.fragment(run_every="2s")
def waiting(why: str) -> None:
    """Ask again and again, and draw the page anew when there is an answer, or another reason for none."""
    if st.session_state.pop(JUST_SAID, False):
        return
    try:
        present(get_store())
    except StoreUnavailable as error:
        forget()
        if str(error) != why:
            no_answer(error)
    else:
        st.session_state.pop(NO_ANSWER, None)
        st.rerun()


def not_to_be_had(error: ArchiveUnavailable) -> None:
    """Readings of long ago are asked for whose file is missing or damaged."""
    st.html(markup.box("Readings of months past cannot be had", [
        f"{str(error)[:1].upper()}{str(error)[1:]}.", "What is not known is never clear.",
    ], ["tarnlight doctor"], tone="alarm"))


def failed(what: str) -> None:
    """Something of ours broke: say so, and that it says nothing of the water."""
    st.html(markup.box(f"{what} failed", [
        "That is a fault of this program, and it says nothing of any cabin's water: not known is never clear. The "
        "reason stands in the log of `tarnlight show`."], ["tarnlight doctor"], tone="alarm"))


def empty() -> None:
    """No cabin yet: how to enrol one."""
    st.html(markup.box("No cabin is enrolled yet", [
        "Describe your cabins and their units in a fleet.toml and enrol it, or fill in the form on the page "
        "Cabins:",
    ], [f"tarnlight enroll fleet.toml --store {get_settings().store}"]))
    link("cabins", "Enrol a cabin with a form")
    st.html(markup.box("Only looking?", [
        "The demo runs invented cabins, their loggers, a collector and this page in one command:"],
        ["tarnlight demo"]))


def entitle(title: str) -> None:
    """What the browser's tab says, also of which cabin it is."""
    st.set_page_config(page_title=f"{title} | tarnlight")


def caution() -> None:
    """Whose word goes before ours."""
    st.html(markup.small(CAUTION))


def care(works: Iterable[Work], first: Iterable[Work] = ()) -> None:
    """Cautions of what this page asks for, once; those of `first` stay in sight, of the rest one."""
    now = sentences(first)
    rest = [one for one in sentences(works) if one not in now]
    if now or rest:
        st.html(markup.care([*now, *rest], at_first=max(len(now), 1)))


def link(page: str, label: str, **query: str) -> None:
    """A link to a page of ours; the cabin and unit of this page go along where the link names no other."""
    st.page_link(
        st.session_state[PAGES][page], label=markup.plain_label(label), query_params=query or along().parameters)
