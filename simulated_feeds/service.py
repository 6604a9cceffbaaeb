"""Visits of the service firm and what is done on them; the truth, and what gets written down."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from simulated_feeds.scenario import Site
from simulated_feeds.streams import DAY_S, stream

EPOCH = date(1970, 1, 1)
PEOPLE = ("Tolly Brandt", "Sunniva Reyes", "Arlo Quist")  # invented
VISIT_EVERY_DAYS = 150
CLEANED_SHARE, FORGOTTEN_SHARE = 0.75, 0.12  # of visits with a cleaning; of cleanings not written down
LAMP_EVERY_DAYS = 365
WORK_S = 900  # the unit is off, its valve shut


@dataclass(frozen=True, slots=True)
class Job:
    """One thing done to a unit."""

    at_s: int  # Unix time of its end
    kind: str  # as `tarnlight service record` names it
    who: str
    recorded: bool
    value: float = float("nan")
    note: str = ""
    lamp_number: int = 0  # of a new lamp


def jobs(site: Site, seed: int, first_day: int, end_day: int, now_s: float) -> list[Job]:
    """Everything done on visits in the UTC days [first_day, end_day), in order of time.

    Water tests and sensor checks carry no value yet: the simulation fills in what was true.
    """
    found: list[Job] = []
    now_day = int(now_s // DAY_S)
    phase = int(stream(seed, site.cabin, "visits").integers(0, VISIT_EVERY_DAYS))
    for day in range(first_day, end_day):
        swap = lamp_number(site, day)
        if swap is None and (day + phase) % VISIT_EVERY_DAYS != 0:
            continue
        who = PEOPLE[int(stream(seed, site.trip, "who", day=day).integers(0, len(PEOPLE)))]
        at_s = day * DAY_S + 15 * 3600 + int(stream(seed, site.cabin, site.unit, "hour").integers(0, 900)) * 10
        if swap is not None:
            found.append(Job(at_s, "lamp-swapped", who, True, note="new lamp", lamp_number=swap))
            found.append(Job(at_s + 60, "sleeve-cleaned", who, True))
        elif not now_day - 2 <= day < now_day + max(site.nature.next_visit_day, 1):
            rng = stream(seed, site.cabin, site.unit, "visit", day=day)
            skipped = site.nature.next_visit_day and now_day - 200 < day < now_day
            if rng.random() < CLEANED_SHARE and not skipped:
                found.append(Job(at_s, "sleeve-cleaned", who, bool(rng.random() >= FORGOTTEN_SHARE)))
            if rng.random() < 0.5:
                found.append(Job(at_s + 120, "sensor-checked", who, True, note="duty over reference sensor"))
            found.append(Job(at_s + 300, "water-tested", who, True, note="sample from the unit's tap"))
    return found


def lamp_number(site: Site, day: int) -> int | None:
    """Number of the lamp that is put in on that day, None on other days."""
    if site.lamp_installed is None:
        return None
    since = day - (site.lamp_installed - EPOCH).days
    # the lamp in at `now` is the registry's; an old one is left in a while longer, as people do
    if since > 0 and since < LAMP_EVERY_DAYS + 90:
        return None
    if since > 0:
        since -= 90
    number, rest = divmod(since, LAMP_EVERY_DAYS)
    return 1000 + number if rest == 0 else None


def last_lamp(site: Site, day: int) -> tuple[int, int]:
    """Number of the lamp in at the start of that day, and the day it was put in."""
    if site.lamp_installed is None:
        return 0, day
    for back in range(1, LAMP_EVERY_DAYS + 92):
        number = lamp_number(site, day - back)
        if number is not None:
            return number, day - back
    raise AssertionError("a lamp is put in at least once in 456 days")  # pragma: no cover


def last_cleaning(site: Site, seed: int, day: int, now_s: float) -> int:
    """Day of the last cleaning before that day."""
    done = [job for job in jobs(site, seed, day - 500, day, now_s) if job.kind == "sleeve-cleaned"]
    return done[-1].at_s // DAY_S if done else day - 500


def jobs_off(found: list[Job]) -> np.ndarray:
    """Spans in which the unit is off for work on it, shape (n, 2)."""
    spans = [(job.at_s - WORK_S, job.at_s) for job in found if job.kind in ("lamp-swapped", "sleeve-cleaned")]
    return np.array(spans, dtype=np.int64).reshape(-1, 2)
