"""The process that reads calendars for `readings`, which ends it where one takes too long.

On standard input it is given one JSON object (`files`, `hosts`, `since`, `until`, `within_s`, `feeds` of `calendar`
and `time_zone`: addresses are secrets, and a command line is none), and answers a line for each feed, in order,
after a first one that says that it is ready. Where nobody is left to end it, it ends itself.
"""

from __future__ import annotations

import faulthandler
import json
import sys
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from ingest.bookings.addresses import Allowed, CalendarUnreadable
from ingest.bookings.calendar import bookings_of
from ingest.bookings.fetch import fetched

MOST_MEMORY_BYTES = 2**30
SPARE_S = 5.0  # after which whoever asked would have ended it


def main() -> None:
    """Answer what standard input asks for."""
    asked = json.load(sys.stdin)
    allowed = Allowed(files=asked["files"], hosts=tuple(asked["hosts"]))
    since, until = (date.fromisoformat(asked[name]) for name in ("since", "until"))
    _load()
    _bound_memory()
    _say({"ready": True})
    for feed in asked["feeds"]:
        # by a thread of C's own, which nothing that a feed does can hold up
        faulthandler.dump_traceback_later(asked["within_s"] + SPARE_S, exit=True)
        _say(answer(feed, allowed, since, until))


def answer(feed: dict[str, str], allowed: Allowed, since: date, until: date) -> dict[str, Any]:
    """A feed's bookings, or why there are none to be had."""
    try:
        found = bookings_of(fetched(feed["calendar"], allowed), ZoneInfo(feed["time_zone"]), since, until)
    except CalendarUnreadable as error:
        return {"trouble": str(error)}
    except MemoryError:
        return {"trouble": "reading it takes more memory than any list of bookings"}
    except Exception:  # outermost: a feed is another's, and nothing of it may be said
        return {"trouble": "it cannot be understood"}
    return {"bookings": [
        (one.start.isoformat(), one.end.isoformat(), one.summary, one.vulnerable) for one in found]}


def _load() -> None:
    """Load what all feeds need, which is no feed's own time."""
    import icalendar  # noqa: F401
    import recurring_ical_events  # noqa: F401


def _bound_memory() -> None:
    """Let no feed take the machine's memory; Windows has no such bound."""
    try:
        import resource
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))


def _say(line: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(line) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
