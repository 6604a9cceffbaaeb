"""What the page's server loads before it listens: the first reader shall not wait for it.

Most of what a first page used to take was loading: our own pages, what asks the collector, scipy's interpolation
for the dose's tables, and a pattern of Streamlit's for emojis that takes a third of a second to compile.
"""

from __future__ import annotations

import contextlib
import logging
import threading

import streamlit.emojis  # noqa: F401  loaded at the first row of buttons else

from dashboard.access import get_store, present, week
from dashboard.views import (
    advisories,
    after_cut,
    cabin,
    cabins,
    commission,
    follow,
    lamps,
    now,
    over_time,
    shared_event,
    system,
    visits,
)
from ingest.settings import ArchiveUnavailable, StoreUnavailable

PAGES = (
    advisories, after_cut, cabin, cabins, commission, follow, lamps, now, over_time, shared_event, system, visits)
# Here and for the plain page the caches are asked outside of any reader's run, which Streamlit takes for a mistake.
logging.getLogger("streamlit.runtime.scriptrunner_utils.script_run_context").setLevel(logging.ERROR)


def _ask() -> None:
    """Load what asks the collector, and the dose's tables; that none answers is for the pages to say."""
    with contextlib.suppress(StoreUnavailable, ArchiveUnavailable):
        week(get_store())
        present(get_store())


threading.Thread(target=_ask, name="first-question", daemon=True).start()  # which nobody waits for
