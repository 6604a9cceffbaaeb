"""The fleet over time as HTML: a row a unit on one axis, each busy day a link to its cabin at that time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from dashboard.text import verdicts as words
from dashboard.text.lines import FOLLOWED, address, roughly, unit_link
from dashboard.text.margins import margin_words, slot_words
from dashboard.text.markup import badge, text
from dashboard.text.measures import Units, between, local
from ingest.months.fleet import Share
from ingest.queries import UnitStatus
from models.alarm_load import STALE_FEWER_THAN, AlarmLoad
from models.margin import Margins, Stretch

AT = "at"  # name in the address: the time that a cabin's page is to show
MOST_BINS = 30  # parts of a row that can be pressed
TICKS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One unit's time."""

    status: UnitStatus
    margins: Margins
    picture: str  # source of the image
    share: Share


def share_words(share: Share) -> str:
    """The least and the most of the month's water in specification, the least never rounded up."""
    least, most = share
    if least is None or most is None:
        return "no water drawn"
    low, high = f"{np.floor(least * 10) / 10:.1f}", f"{np.ceil(most * 10) / 10:.1f}"
    return f"{low} %" if low == high else f"{low} to {high} %"


def load_lines(load: AlarmLoad, span: timedelta) -> list[str]:
    """How often people were called and how long it stands, against the figures of reference."""
    days = span // timedelta(days=1)
    together = "never two within 10 minutes" if load.steady else f"at most {load.most_together} within 10 minutes"
    out = [
        f"{load.raised} boil {'advisory' if load.raised == 1 else 'advisories'} raised in {days} days "
        f"({load.per_day:.2g} a day), {together}; figure of reference: fewer than one alarm in 10 minutes for "
        "each person in steady running (EEMUA 191)."]
    if load.oldest is None or load.median_age is None:
        return [*out, "No advisory stands."]
    stands = "stands" if load.standing == 1 else "stand"
    return [*out, (
        f"{load.standing} {stands} now, the oldest for {roughly(load.oldest)}, half of "
        f"them for {roughly(load.median_age)} or less; {load.stale} for more than 24 h; figure of reference: "
        f"fewer than {STALE_FEWER_THAN} (EEMUA 191, from memory).")]


def rows(found: list[Row], units: Units) -> str:
    """All rows below one axis."""
    if not found:
        return ""
    body = "".join(_row(one, units) for one in found)
    return (
        f'<div class="tl-t-row tl-t-head tl-wide" aria-hidden="true"><span>Unit</span>{axis(found[0].margins)}'
        f'<span>In specification this month</span><span>Under target</span></div><ul class="tl-rows">{body}</ul>')


def axis(margins: Margins) -> str:
    """The days, in UTC, at even distances."""
    total = margins.until - margins.since
    ticks = "".join(
        f'<span style="left:{100 * number / TICKS:.1f}%">{margins.since + total * number / TICKS:%-d %b}</span>'
        for number in range(TICKS))
    return f'<div class="tl-t-axis">{ticks}</div>'


def _row(one: Row, units: Units) -> str:
    status = one.status
    seen = margin_words(one.margins, units)
    least, most = float(np.nansum(one.margins.underdosed_l)), float(np.sum(one.margins.underdosed_l_upper))
    litres = between(least, most if np.isfinite(most) else None, units)
    parts = "".join(
        f'<a class="{FOLLOWED} tl-t-part" tabindex="-1" aria-hidden="true" href="{_at(status, middle)}" '
        f'title="{text(told)}" style="left:{left:.2f}%;width:{wide:.2f}%"></a>'
        for left, wide, middle, told in busy(one, units))
    return (
        f'<li class="tl-t-row tl-edge-{status.verdict.verdict}"><div class="tl-t-name">'
        f'{badge(status.verdict.verdict)} {unit_link(status)}</div>'
        f'<div class="tl-t-strip"><img src="{text(one.picture)}" alt="{text(seen)}">'
        f'<a class="{FOLLOWED} tl-t-part" style="left:0;width:100%" title="{text(seen)}" tabindex="-1" '
        f'aria-hidden="true" href="{_at(status, None)}"></a>{parts}</div>'
        f'<div class="tl-t-share"><span class="tl-t-label">In specification this month: </span>'
        f"{text(share_words(one.share))}</div>"
        f'<div class="tl-t-litres"><span class="tl-t-label">Under target: </span>{text(litres)}</div></li>')


def _at(status: UnitStatus, at: datetime | None) -> str:
    when = {} if at is None else {AT: f"{at:%Y-%m-%dT%H:%MZ}"}
    return text(address("cabin", cabin=status.cabin.slug, unit=status.unit.slug, **when))


def busy(one: Row, units: Units) -> Iterator[tuple[float, float, datetime, str]]:
    """Parts of the time in which something was not right: where (in per cent), its end, and what, in words."""
    margins, zone = one.margins, one.status.cabin.zone
    slots = max(1, -(-margins.slots // MOST_BINS))
    total_s = (margins.until - margins.since).total_seconds()
    for first in range(0, margins.slots, slots):
        part = slice(first, min(first + slots, margins.slots))
        with np.errstate(invalid="ignore"):
            told = (margins.margin_mj_cm2[part] < 0).any() or (margins.underdosed_l[part] > 0).any() or any(
                (margins.share[kind][part] > 0).any() for kind in Stretch)
        if not told:
            continue
        begin, end = margins.start(part.start), min(margins.start(part.stop), margins.until)
        left = 100 * (begin - margins.since).total_seconds() / total_s
        yield left, 100 * (end - begin).total_seconds() / total_s, end, (
            f"{words.unit_name(one.status)}, {local(begin, zone)} to {local(end, zone)}: "
            f"{slot_words(margins, part, units)}")
