"""The fleet at a glance as HTML: a line a unit, a line for all clear ones, a map. Escaped like all of `markup`."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median
from urllib.parse import urlencode

from dashboard.text import verdicts as words
from dashboard.text.markup import badge, text
from dashboard.text.measures import Units, local
from dashboard.text.recovery import Waits, next_step
from dashboard.text.verdicts import FACES, WORST_FIRST
from ingest.in_hand import InHand
from ingest.queries import UnitStatus
from models.advisory import STEP_WORDS
from models.verdict import STANDS_BECAUSE, Word

FOLLOWED = "tl-go"  # class of links that `dashboard.views.follow` follows
NAME_WIDE_PCT, NAME_HIGH_PCT = 45.0, 8.0  # of the map's width: a name that would lie on a worse one's is left out
MARGIN_OF_MAP = 0.07  # of its width, so that no mark is cut
KM_A_DEGREE = 111.2  # of latitude: 6,371 km x pi / 180
LEAST_KM = 2.0  # a map of one cabin is no wider than that
FAR_AWAY = 4.0  # times the usual distance from the middle: what lies further is not drawn to scale


def address(page: str, **query: str) -> str:
    """Where a page of ours stands, for a link of our own HTML."""
    return f"{page}?{urlencode(query)}" if query else page


def link_to(page: str, label: str, **query: str) -> str:
    """A link within our own HTML."""
    return f'<a class="{FOLLOWED}" href="{text(address(page, **query))}">{text(label)}</a>'


def plain_link(cabin: str, unit: str, units: Units) -> str:
    """To the unit's notice as a page without script, in the reader's units; the browser goes there by itself."""
    where = address("notice", cabin=cabin, unit=unit, units=str(units))
    return (f'<p class="tl-note"><a class="tl-plain" href="{text(where)}">'
            "The notice as a plain page, for a bad line</a></p>")


def roughly(length: timedelta) -> str:
    """A length of time in one part, so that a line stays the same for a while."""
    seconds = max(0.0, length.total_seconds())
    if seconds < 7200:
        return f"{int(seconds // 60)} min"
    return f"{int(seconds // 3600)} h" if seconds < 2 * 86400 else f"{int(seconds // 86400)} days"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One unit's line."""

    status: UnitStatus
    picture: str  # source of the image
    seen: str  # what it shows, in words
    in_hand: str  # who has it, or that nobody has
    waits: str  # until what happens


def line(one: Line, now: datetime) -> str:
    """Mark and word, name, since when, why, what to do, the last week, who has it in hand and until when."""
    status, word = one.status, one.status.verdict.verdict
    why = [one.replace(STANDS_BECAUSE, "") for one in words.reasons(status)] or [""]
    clause = why[0][:1].upper() + why[0][1:]  # that it is an advisory, the mark says
    hand = f'<span title="{text(one.in_hand)}">{text(one.in_hand)}</span>' if one.in_hand else ""
    waits = f'<span class="tl-mean" title="{text(one.waits)}">{text(one.waits)}</span>' if one.waits else ""
    return (
        f'<li class="tl-line tl-edge-{word}"><div class="tl-l-mark">{badge(word)}</div>'
        f'<div class="tl-l-name">{unit_link(status)}</div>'
        f'<div class="tl-l-since">{_since(status, now)}</div>'
        f'<div class="tl-l-why"><p title="{text(" ".join(why))}">{text(clause)}</p>'
        f'<p class="tl-mean tl-l-do" title="{text(status.verdict.next_action)}">'
        f"{text(status.verdict.next_action)}</p></div>"
        f'<div class="tl-l-week"><img src="{text(one.picture)}" alt="{text(f"Last 7 days: {one.seen}")}" '
        f'title="{text(one.seen)}" width="168" height="26"></div>'
        f'<div class="tl-l-hand">{hand}{waits}</div></li>')


def unit_link(status: UnitStatus) -> str:
    """The unit's name, which leads to its page."""
    return link_to("cabin", words.unit_name(status), cabin=status.cabin.slug, unit=status.unit.slug)


def _since(status: UnitStatus, now: datetime) -> str:
    since = status.verdict.since
    if since is None:
        return '<span class="tl-mean">since when is not known</span>'
    return (f"<strong>{roughly(now - since)}</strong> "
            f'<span class="tl-mean">{text(local(since, status.cabin.zone, now))}</span>')


def hand_words(status: UnitStatus, hand: InHand | None, now: datetime) -> str:
    """Who has it in hand; that nobody has, where somebody must."""
    if hand is not None:
        when = local(hand.at, status.cabin.zone, now)
        return f"{hand.who}, {'did a step' if hand.did else 'read it'} {when}"
    return "nobody has it yet" if status.verdict.verdict in words.NEEDS_YOU else ""


def until_words(status: UnitStatus) -> str:
    """Until what it stands."""
    if status.standing is None:
        return "until it is heard" if status.verdict.verdict is Word.SILENT else ""
    found = next_step(status.standing.advisory)
    if found.waits is Waits.END:
        return "until no more water passes short of its dose"
    return f"until: {STEP_WORDS[found.step]}" if found.step is not None else "until a named person lifts it"


def lines(found: Iterable[Line], now: datetime) -> str:
    """All lines; what their columns are is said above them."""
    head = "".join(f'<span class="{name}">{title}</span>' for name, title in (
        ("tl-l-mark", "Verdict"), ("tl-l-name", "Unit"), ("tl-l-since", "Since"),
        ("tl-l-why", "Why, and what to do now"), ("tl-l-week", "Last 7 days: margin to target"),
        ("tl-l-hand", "In hand")))
    body = "".join(line(one, now) for one in found)
    return f'<div class="tl-lines-head tl-line" aria-hidden="true">{head}</div><ul class="tl-lines">{body}</ul>' \
        if body else ""


def clear_line(clear: Sequence[UnitStatus]) -> str:
    """The names of all that are clear, in one line."""
    if not clear:
        return ""
    names = ", ".join(unit_link(one) for one in sorted(clear, key=words.unit_name))
    return (f'<p class="tl-clear-line">{badge(Word.CLEAR)} <strong>{len(clear)}</strong> '
            f'<span class="tl-mean">{text(FACES[Word.CLEAR].meaning)}:</span> {names}</p>')


def event_line(title: str, members: Sequence[UnitStatus], event: str) -> str:
    """A shared event as a line that opens to its units."""
    rows = "".join(
        f"<li>{badge(one.verdict.verdict)} {unit_link(one)} "
        f'<span class="tl-mean">{text(one.verdict.next_action)}</span></li>' for one in members)
    return (
        f'<details class="tl-event"><summary>{text(title)}</summary><ul>{rows}</ul>'
        f'<p>{link_to("shared-event", "See to them together →", event=event)}</p></details>')


def legend(span: str = "Last 7 days") -> str:
    """What the marks in the small pictures mean."""
    return (
        f'<p class="tl-legend tl-mean">{text(span)}: the line is the lower bound of dose less its target, of water '
        'drawn and at peak flow; the broken line is the target. <span class="tl-k tl-k-short"></span> thick: below '
        'target <span class="tl-k tl-k-dark"></span> solid: dark <span class="tl-k tl-k-cold"></span> hatched: '
        'cold, warming up <span class="tl-k tl-k-unheard"></span> box: not heard '
        '<span class="tl-k tl-k-unknown"></span> dots: dose not known</p>')


# Map ---------------------------------------------------------------------------------------------


def place_map(found: Sequence[UnitStatus]) -> str:
    """Cabins where they lie, north up, each with its worst unit's mark; worst ones on top and by name."""
    by_cabin: dict[str, UnitStatus] = {}
    for one in found:  # worst first
        by_cabin.setdefault(one.cabin.slug, one)
    if not by_cabin:
        return ""
    worst = sorted(by_cabin.values(), key=lambda one: WORST_FIRST.index(one.verdict.verdict))
    laid = _laid_out(worst)
    marks: list[str] = []
    by_name: list[_Place] = []
    for one, place in zip(worst, laid.places, strict=True):
        word = one.verdict.verdict
        face = FACES[word]
        off_map = f", {place.away_km:.0f} km off this map" if place.away_km else ""
        told = f"{one.cabin.name}: {face.word}{off_map}"
        named = word in words.NEEDS_YOU and all(
            abs(place.y - other.y) * laid.high_share > NAME_HIGH_PCT or abs(place.x - other.x) > NAME_WIDE_PCT
            for other in by_name)
        by_name += [place] * named
        name = f'<span class="tl-map-name">{text(one.cabin.name)}</span>' if named else ""
        side = " tl-map-left" if place.x > 45 else ""
        off = " tl-map-off" if place.away_km else ""
        marks.append(
            f'<a class="{FOLLOWED} tl-map-mark tl-ink-{word}{side}{off}" '
            f'href="{text(address("cabin", cabin=one.cabin.slug, unit=one.unit.slug))}" tabindex="-1" '
            f'title="{text(told)}" style="left:{place.x:.1f}%;top:{place.y:.1f}%">'
            f'<span aria-hidden="true">{face.shape}</span><span class="tl-unseen">{text(told)}</span>{name}</a>')
    bar_km = _round_km(laid.wide_km / 3)
    bar = (f'<span class="tl-map-bar" style="width:{100 * bar_km / laid.wide_km * (1 - 2 * MARGIN_OF_MAP):.1f}%">'
           f"{bar_km:g} km</span>")
    far = sum(place.away_km > 0 for place in laid.places)
    note = f'<p class="tl-note">In a dotted ring: {far} off this map, towards where it lies.</p>' if far else ""
    return (
        f'<div class="tl-map" role="group" aria-label="Map of the cabins, north up" '
        f'style="padding-bottom:{100 * laid.high_share:.0f}%">{"".join(reversed(marks))}</div>'
        f'<div class="tl-map-foot" aria-hidden="true">{bar}<span>N ↑</span></div>{note}')


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where a mark stands, in per cent of the map; `away_km` of one that lies off it, 0 of the others."""

    x: float
    y: float
    away_km: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Laid:
    places: list[_Place]
    wide_km: float
    high_share: float


def _laid_out(found: Sequence[UnitStatus]) -> _Laid:
    """One scale both ways, for the cabins that lie together; the few that lie far away stand at the edge.

    A fleet across the date line lies together: longitudes are counted from the first cabin's.
    """
    latitudes = [one.cabin.latitude for one in found]
    first = found[0].cabin.longitude
    around = math.radians(median(latitudes))
    east = [((one.cabin.longitude - first + 180) % 360 - 180) * math.cos(around) * KM_A_DEGREE for one in found]
    north = [one * KM_A_DEGREE for one in latitudes]
    centre = median(east), median(north)
    away = [math.hypot(x - centre[0], y - centre[1]) for x, y in zip(east, north, strict=True)]
    reach = max(FAR_AWAY * median(away), LEAST_KM)
    near = [number for number, one in enumerate(away) if one <= reach]
    west, right = min(east[one] for one in near), max(east[one] for one in near)
    south, top = min(north[one] for one in near), max(north[one] for one in near)
    wide, high = max(right - west, LEAST_KM), max(top - south, LEAST_KM)
    shape = min(max(high / wide, 0.7), 1.2)
    wide = max(wide, high / shape)
    inner, middle = 100 * (1 - 2 * MARGIN_OF_MAP), ((west + right) / 2, (south + top) / 2)
    places = []
    for x, y, one in zip(east, north, away, strict=True):
        across, down = inner * (x - middle[0]) / wide, -inner * (y - middle[1]) / (wide * shape)
        pull = min(1.0, 46.0 / max(abs(across), abs(down), 1e-9))
        places.append(_Place(x=50 + pull * across, y=50 + pull * down, away_km=one if one > reach else 0.0))
    return _Laid(places=places, wide_km=wide, high_share=shape)


def _round_km(value: float) -> float:
    """1, 2 or 5 times a power of ten, at most so much."""
    power = 10.0 ** math.floor(math.log10(value))
    return max(step * power for step in (1, 2, 5) if step * power <= value)
