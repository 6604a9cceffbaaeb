"""The fleet's lamps at a glance as HTML: a row a lamp, dates on one axis, lamps of a kind side by side.

Escaped like all of `markup`. No mark rests on colour alone: shapes, words and places say the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from dashboard.text.day_axis import DayAxis
from dashboard.text.lamps import ACTION_WORDS, CAUSE_WORDS, crossing_words, lamp_name, need_words, short_date
from dashboard.text.lines import link_to
from dashboard.text.markup import text
from ingest.outlook.lamps import Lamp
from models.lamp.diagnosis import Action, LossCause
from models.lamp.standing import LATE_SILENCE_DAYS, Standing

FACES = {  # shape and word of each, and the looks of the verdict's words that it borrows
    Standing.BELOW: ("■", "Below need", "boil"), Standing.DUE: ("▲", "Due", "watch"),
    Standing.UNKNOWN: ("○", "Not known", "silent"), Standing.ABOVE: ("●", "Above need", "clear"),
}
BEHIND_DAYS, AHEAD_DAYS = 20, 365  # of the axis of dates, around today
TICK_MONTHS, TICK_ROOM_DAYS = 2, 45
WORDS_DAYS = 120  # of the axis, that words after today's line may take
FULL_SCALE = 2.0  # needs that a bullet is long
AT_FIRST = 24  # rows; of those that are not due and read above their need, the rest is folded


@dataclass(frozen=True, slots=True, kw_only=True)
class PicturedLamp:
    """One lamp with a picture: of its last days in its row, of its life among others of its kind."""

    lamp: Lamp
    picture: str  # source of the image; empty: nothing is known
    seen: str  # what it shows, in words


def axis_of(today: date) -> DayAxis:
    """One axis of days for all rows."""
    return DayAxis(today - timedelta(days=BEHIND_DAYS), BEHIND_DAYS + AHEAD_DAYS)


def ticks(axis: DayAxis, today: date) -> list[tuple[float, str]]:
    """Today, and first days of months with room between them."""
    out = [(axis.at(today), "today")]
    for number in range(1, 13, TICK_MONTHS):
        months = today.year * 12 + today.month - 1 + number
        day = date(months // 12, months % 12 + 1, 1)
        if TICK_ROOM_DAYS <= (day - today).days < AHEAD_DAYS - TICK_ROOM_DAYS:
            out.append((axis.at(day), f"{day:%b}" if day.year == today.year else f"{day:%b %y}"))
    return out


def mark(standing: Standing) -> str:
    """How it stands, as shape and word."""
    shape, word, look = FACES[standing]
    return f'<span class="tl-badge tl-{look}"><span aria-hidden="true">{shape}</span> {word}</span>'


def rows(found: Sequence[PicturedLamp], today: date) -> str:
    """All rows below one axis; many that nobody has to see to are folded."""
    if not found:
        return ""
    axis = axis_of(today)
    shown = [one for number, one in enumerate(found)
             if number < AT_FIRST or one.lamp.standing(today) is not Standing.ABOVE]
    folded = found[len(shown):]  # they are sorted by how they stand
    head = (
        '<div class="tl-lamp tl-lamp-head tl-wide" aria-hidden="true"><span></span><span>Lamp</span>'
        '<span>Reads against need</span><span>Last 90 days</span>'
        f"{axis.drawn(ticks(axis, today))}<span>Do</span></div>")
    more = "" if not folded else (
        f'<details class="tl-more"><summary>{len(folded)} more, above their need and not due</summary>'
        f'<ul class="tl-rows">{_lines(folded, axis, today)}</ul></details>')
    return f'{head}<ul class="tl-rows">{_lines(shown, axis, today)}</ul>{more}'


def _lines(found: Iterable[PicturedLamp], axis: DayAxis, today: date) -> str:
    return "".join(_row(one, axis, today) for one in found)


def _row(one: PicturedLamp, axis: DayAxis, today: date) -> str:
    lamp = one.lamp
    standing = lamp.standing(today)
    image = "" if not one.picture else (
        f'<img src="{text(one.picture)}" alt="{text(f"Last 90 days: {one.seen}")}" title="{text(one.seen)}" '
        'width="168" height="30">')
    return (
        f'<li class="tl-lamp tl-edge-{FACES[standing][2]}"><div class="tl-l-mark">{mark(standing)}</div>'
        f'<div class="tl-lamp-name">{_link(lamp)}</div>'
        f'<div class="tl-lamp-read">{bullet(lamp)}<span class="tl-mean">{text(read_words(lamp, today))}</span>'
        f'</div><div class="tl-l-week">{image}</div>'
        f'<div class="tl-lamp-dates">{dates(lamp, axis, today)}</div>'
        f'<div class="tl-lamp-do"><strong>{text(do_words(lamp, today))}</strong> '
        f'<span class="tl-mean">{text(why_words(lamp))}</span></div></li>')


def _link(lamp: Lamp) -> str:
    """Its name, which leads to all that is known of it."""
    return link_to("cabin", lamp_name(lamp), cabin=lamp.cabin.slug, unit=lamp.unit.slug, tab="Lamp")


def bullet(lamp: Lamp) -> str:
    """Reading as a bar, the need as an upright line in its middle; the words beside it say the same."""
    margin = lamp.figures.margin
    if margin is None or math.isinf(margin):
        return '<div class="tl-bullet" aria-hidden="true"><i></i></div>'
    wide = 100 * min((1 + margin) / FULL_SCALE, 1.0)
    short = " tl-bullet-short" if margin < 0 else ""
    more = "<b>›</b>" if 1 + margin > FULL_SCALE else ""
    return f'<div class="tl-bullet{short}" aria-hidden="true"><u style="width:{wide:.1f}%"></u><i></i>{more}</div>'


def read_words(lamp: Lamp, today: date) -> str:
    """What it reads and needs; the day where that is not of late."""
    when = ""
    if lamp.intensity_day is not None and (today - lamp.intensity_day).days > LATE_SILENCE_DAYS:
        when = f", on {short_date(lamp.intensity_day, today)}"
    return f"{need_words(lamp)}{when}"


def do_words(lamp: Lamp, today: date) -> str:
    """What to do by when; of a lamp that is below its need its verdict goes before all that can wait."""
    below = lamp.standing(today) is Standing.BELOW
    if lamp.action is None:
        return "Go by its verdict now" if below else "Nothing can be said"
    words = ACTION_WORDS[Action(lamp.action)]
    if lamp.act_by is not None:
        words = f"{words} by {lamp.act_by:%a} {short_date(lamp.act_by, today)}"
    waits = lamp.action == Action.NONE or (lamp.act_by is not None and lamp.act_by > today)
    if not (below and waits):
        return words
    return "Go by its verdict now" + ("" if lamp.action == Action.NONE else f"; {words[:1].lower()}{words[1:]}")


def why_words(lamp: Lamp) -> str:
    """How old it is, and what most of its loss is."""
    hours = "" if lamp.lamp_hours is None else f"{lamp.lamp_hours:,.0f} of {lamp.reactor.lamp_life_h:,.0f} h"
    known = lamp.cause not in (None, LossCause.NONE)
    cause = f"loss: mostly {CAUSE_WORDS[LossCause(str(lamp.cause))]}" if known else ""
    return "; ".join(one for one in (hours, cause) if one)


def dates(lamp: Lamp, axis: DayAxis, today: date) -> str:
    """When it falls below its need, as a bar of 80 % of chances with its middle, and the day to act by."""
    told = dates_words(lamp, today)
    parts = [f'<i class="tl-d-today" style="left:{axis.at(today):.1f}%"></i>']
    soon = lamp.act_by if lamp.act_by is not None and (lamp.act_by - today).days < WORDS_DAYS else today
    here = f"left:{axis.at(soon):.1f}%"  # words stand clear of the day to act by
    if lamp.standing(today) is Standing.BELOW:
        parts.append(f'<span class="tl-d-words" style="{here}">below now</span>')
    elif not lamp.forecast:
        parts.append(f'<span class="tl-d-words" style="{here}">no date yet</span>')
    elif lamp.crosses_p10 is None or lamp.crosses_p10 > axis.last:
        parts.append('<span class="tl-d-words tl-d-late">later →</span>')
    else:
        begin, end = axis.at(lamp.crosses_p10), axis.at(lamp.crosses_p90 or date.max)
        open_end = " tl-d-open" if lamp.crosses_p90 is None or lamp.crosses_p90 > axis.last else ""
        parts.append(
            f'<u class="tl-d-bar{open_end}" style="left:{begin:.1f}%;width:{max(end - begin, 0.6):.1f}%"></u>')
        if lamp.crosses_p50 is not None and lamp.crosses_p50 <= axis.last:
            parts.append(f'<i class="tl-d-middle" style="left:{axis.at(lamp.crosses_p50):.1f}%"></i>')
    if lamp.act_by is not None and lamp.act_by <= axis.last:
        parts.append(f'<b class="tl-d-due" style="left:{axis.at(lamp.act_by):.1f}%">◆</b>')
    return (f'<div class="tl-d-strip" role="img" aria-label="{text(told)}" title="{text(told)}">{"".join(parts)}'
            "</div>")


def dates_words(lamp: Lamp, today: date) -> str:
    """What the strip of dates shows, for who cannot see it."""
    due = "" if lamp.act_by is None else f"; act by {short_date(lamp.act_by, today)}"
    return f"{crossing_words(lamp)}{due}"


def days_words(last: np.ndarray) -> str:
    """What the picture of the last days shows."""
    known = last[~np.isnan(last)]
    if not known.size:
        return "nothing read"
    below, missing = int((known < 0).sum()), int(np.isnan(last).sum())
    first, now = (f"{abs(one):.0%} {'above' if one >= 0 else 'below'}" for one in (known[0], known[-1]))
    parts = [f"from {first} to {now} its need"]
    parts += [f"{below} {'day' if below == 1 else 'days'} below it"] if below else []
    parts += [f"not read on {missing}"] if missing else []
    return "; ".join(parts)


def legend() -> str:
    """What the marks in a row mean."""
    return (
        '<p class="tl-legend tl-mean">Bar: what it reads, up to twice its need; the upright line is the need, the '
        "least that still gives the target dose at peak flow. Last 90 days: the broken line is the need "
        '<span class="tl-k tl-k-short"></span> thick: below it <span class="tl-k tl-k-unknown"></span> dots: not '
        "read. Dates: the bar holds 80 % of the chances of when it falls below its need, the notch is the middle, "
        "◆ the day to act by.</p>")


# Lamps of a kind -----------------------------------------------------------------------------------


def life_words(lamp: Lamp) -> str:
    """What a picture of a life shows."""
    hours = "hours not known" if lamp.lamp_hours is None else f"{lamp.lamp_hours:,.0f} h"
    margin = lamp.figures.margin
    if margin is None or math.isinf(margin):
        return f"{hours}, {need_words(lamp)}"
    return f"{hours}, {abs(margin):.0%} {'above' if margin >= 0 else 'below'} need"


def kind(name: str, found: Sequence[PicturedLamp], *, most_h: float, rated_h: float) -> str:
    """All lamps of one kind on equal axes."""
    body = "".join(
        f'<li><img src="{text(one.picture)}" alt="{text(one.seen)}" width="168" height="64">'
        f'<div>{_link(one.lamp)}</div><div class="tl-mean">{text(one.seen)}</div></li>' for one in found)
    return (
        f'<h3 class="tl-kind">{text(name)}</h3><p class="tl-note">Across: 0 to {most_h:,.0f} lamp hours; the '
        f"dotted upright line is the rated life, {rated_h:,.0f} h. Up: nothing to twice the need; the broken line "
        f'is the need. Pale: lamps of before.</p><ul class="tl-lives">{body}</ul>')
