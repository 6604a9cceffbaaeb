"""Guests who may have drunk under-dosed water before anybody knew of it: which stays, and a letter to them.

Nobody is told by the program: the letter is a draft that a named person sends.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time

import pandas as pd

from models.advisory.events import Cause, Exposure
from models.advisory.notice import litres, local
from models.fleet import Cabin, Contact, Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """A booking: local dates, `leaves` being the day of departure."""

    arrives: date
    leaves: date
    summary: str = ""


def stays_touched(bookings: pd.DataFrame, cabin: Cabin, exposure: Exposure, known_at: datetime) -> tuple[Stay, ...]:
    """Stays during which such water may have come from the taps before anybody knew.

    Parameters
    ----------
    bookings : DataFrame
        `cabin`, `start`, `end`, `summary`: local dates, as of `models.visits.access_windows.open_windows`.
    exposure : Exposure
        Its water stands in the plumbing until that is flushed: what came after it counts too.
    known_at : datetime
        When the advisory was raised: from then on the guests were told.

    Returns
    -------
    tuple of Stay
        In order of arrival. Whole days: nobody knows at what hour a guest drank.
    """
    first, last = (at.astimezone(cabin.zone).date() for at in (exposure.start, known_at))
    mine = bookings[bookings["cabin"] == cabin.slug]
    found = [
        Stay(arrives=_day(row["start"]), leaves=_day(row["end"]), summary=str(row["summary"]))
        for row in mine.to_dict("records")]
    touched = [one for one in found if one.arrives <= last and one.leaves >= first]
    return tuple(sorted(touched, key=lambda one: (one.arrives, one.leaves)))


def next_arrival(bookings: pd.DataFrame, cabin: Cabin, now: datetime, arrive_min: int) -> datetime | None:
    """When the next guests come who are not there yet, in the cabin's time zone; None: no booking says so.

    Parameters
    ----------
    bookings : DataFrame
        As of `stays_touched`.
    arrive_min : int
        When guests come, in minutes after local midnight.
    """
    mine = bookings[bookings["cabin"] == cabin.slug]
    hour, minute = divmod(arrive_min, 60)
    coming = [datetime.combine(_day(one), time(hour, minute), cabin.zone) for one in mine["start"]]
    return min((one for one in coming if one > now), default=None)


def letter(stay: Stay, cabin: Cabin, exposure: Exposure, contacts: Iterable[Contact], today: date) -> str:
    """A draft for the guests of one stay: dates, what to do, whom to ask.

    Notes
    -----
    That infants and people with weak immunity are named first, and that who falls ill sees a doctor: common
    practice, no source. The local health authority words it otherwise where it wants to.
    """
    here = [one for one in contacts if not one.cabins or cabin.slug in one.cabins]
    lines = [
        f"Water at {cabin.name}, your stay from {stay.arrives:%d %b %Y} to {stay.leaves:%d %b %Y}", "",
        _what(exposure, cabin, stay), ""]
    if still_there(stay, today):
        lines += [
            "Please stop drinking the tap water now, and do not use it for ice, for brushing teeth or for baby "
            "food, unless you have boiled it. The notice at the tap says how.", ""]
    lines += [
        "First of all, infants, people with weak immunity, pregnant women and elderly people among you: ask a "
        "doctor about them even if they feel well.",
        "Whoever has fallen ill, above all with diarrhoea, vomiting or fever, should see a doctor and say that "
        "they drank this water.",
        "",
        f"Whom to ask about your health: {_reach(here, Role.HEALTH_AUTHORITY, 'the local health authority')}",
        f"Whom to ask about the cabin: {_reach(here, Role.MANAGER, 'its manager')}",
        "What your local health authority says goes before this letter.",
    ]
    return "\n".join(lines)


def still_there(stay: Stay, today: date) -> bool:
    """Whether the guests may not have left yet, so that they can still stop drinking."""
    return stay.leaves >= today


def _what(exposure: Exposure, cabin: Cabin, stay: Stay) -> str:
    """What happened to the water, in two to four sentences."""
    if exposure.cause is Cause.LABORATORY:
        found = f": {exposure.finding}" if exposure.finding else ""
        return (
            f"A sample of this cabin's water, taken {local(exposure.start, cabin)}, was not satisfactory{found}. "
            "We learned of it afterwards.")
    since = local(exposure.start, cabin)
    if exposure.end is None:
        when = f"Since {since} the water of this cabin may not be"
    else:
        when = f"Between {since} and {local(exposure.end, cabin)} the water of this cabin may not have been"
    words = f"{when} fully disinfected. {litres(exposure)} may have reached the taps."
    if exposure.end is not None and stay.arrives > exposure.end.astimezone(cabin.zone).date():
        words += " You came later: some of it may still have stood in the pipes and in the hot tank."
    return f"{words} We learned of it afterwards."


def _reach(contacts: Iterable[Contact], role: Role, otherwise: str) -> str:
    """Who that is, with a telephone number where there is one."""
    found = [
        one.name + (f", {one.phone}" if one.phone.strip() else "")
        for one in sorted(contacts, key=lambda one: one.order) if one.role is role]
    return "; ".join(found) or otherwise


def _day(value: object) -> date:
    return pd.Timestamp(value).date()  # type: ignore[arg-type]
