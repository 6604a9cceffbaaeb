"""One cabin's notice as a plain page: for a bad line, an old phone, or a printer. No script, nothing fetched.

All of it stands in one answer of a few kilobytes. What it says is as of the instant that stands on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from dashboard.colours import style_variables
from dashboard.text import verdicts as words
from dashboard.text.lines import address
from dashboard.text.markup import badge, text
from dashboard.text.measures import local
from dashboard.text.verdicts import CAUTION, TAKE_CARE
from ingest.queries import UnitStatus

STYLE = """
:root { color-scheme:light dark; }
body { font:1.05rem/1.45 sans-serif; color:var(--ink); background:var(--paper); margin:0 auto; padding:1rem;
  max-width:42rem; overflow-wrap:anywhere; }
h1 { font-size:1.5rem; line-height:1.2; margin:0 0 .3rem; } h2 { font-size:1.1rem; margin:1rem 0 .2rem; }
p, ul, dl { margin:0 0 .4rem; } ul { padding-left:1.2rem; } dt { font-weight:700; } dd { margin:0; }
dl { display:grid; grid-template-columns:max-content 1fr; gap:.1rem .6rem; } .box h2 { margin-top:0; }
.strong { font-size:1.2rem; font-weight:700; } .soft { color:var(--soft); }
.tl-badge { font-size:1.2rem; font-weight:700; padding:.1rem .6rem; border:2px solid; border-radius:4px; }
.tl-boil { color:var(--on-boil); background:var(--boil); border-color:var(--boil); }
.tl-silent { color:var(--silent); border-style:dashed; } .tl-watch { color:var(--watch); }
.tl-clear { color:var(--clear); }
.box { border:2px solid var(--ink); border-radius:6px; padding:.6rem .9rem; margin:.6rem 0; }
.alarm { border-color:var(--boil); border-left-width:8px; background:var(--alarm); }
a { color:var(--accent); } a:focus-visible { outline:3px solid var(--accent); outline-offset:2px; }
@media print { :root { color-scheme:light; } nav { display:none; } .box { break-inside:avoid; } }
"""
IN_DOUBT = (
    "Not known is never clear: where in doubt, boil tap water before drinking or use bottled water.")
NOT_KNOWN = (
    "This page asks the collector, which does not run or does not answer, so nothing can be said of any cabin now: "
    "not known. ") + IN_DOUBT


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the page says of one unit.

    Attributes
    ----------
    status : UnitStatus
        Its verdict.
    at : datetime
        The store's instant that it holds for.
    now : str
        How the unit is, and when it was heard.
    cautions : sequence of str
    call : sequence of str
        Whom to call.
    others : sequence of UnitStatus
        The cabin's other units.
    trouble : tuple of str
        Why it may be old: a title, then sentences; empty where all is well.
    before : str
        How to boil, while an advisory stands; or empty.
    water : str
        What water the advisory is about; or empty.
    step : str
        Which of how many, what, and how; empty where no advisory stands.
    facts : sequence of (title, words)
        Where, how much, how long.
    so_far : str
        On what the step is still judged undone.
    over : sequence of str
        When it can be over.
    units : str
        The reader's, for links to pages like this one; empty: nobody chose any.
    """

    status: UnitStatus
    at: datetime
    now: str
    cautions: Sequence[str]
    call: Sequence[str]
    others: Sequence[UnitStatus]
    trouble: tuple[str, ...] = ()
    before: str = ""
    water: str = ""
    step: str = ""
    facts: Sequence[tuple[str, str]] = ()
    so_far: str = ""
    over: Sequence[str] = ()
    units: str = ""


def plain_page(told: Told) -> str:
    """The page of one unit, as HTML."""
    one, zone = told.status, told.status.cabin.zone
    name = f"{one.cabin.name}, {one.unit.slug}"
    word = one.verdict.verdict
    face = words.FACES[word]
    as_of = f"As of {local(told.at, zone)}, the time at the cabin. Load this page again to learn how it is then."
    return _whole(f"{name}: {face.word}", "".join((
        _box(told.trouble),
        f"<h1>{text(name)}</h1><p>{badge(word)} {text(words.since_words(one.verdict.since, told.at, zone))}</p>"
        f'<p class="soft">{text(f"{face.word}: {face.meaning}.")} {text(as_of)}</p>',
        f'<h2>What to do now</h2><p class="strong">{text(one.verdict.next_action)}</p>',
        f"<p>{text(told.before)}</p>" if told.before else "", _step(told),
        f"<h2>When is it over?</h2>{_list(told.over)}" if told.over else "",
        f"<h2>Now</h2><p>{text(told.now)}</p>",
        f"<h2>Why</h2>{_list([*words.reasons(one), *filter(None, [told.water])])}",
        f"<h2>{TAKE_CARE}</h2>{_list([*told.cautions, CAUTION])}",
        f"<h2>Whom to call</h2>{_list(told.call)}",
        _ways(told))))


def old_page(told: Told) -> str:
    """Of a collector that has stopped moving: a verdict of before stands only where it warns."""
    one = told.status
    name, word = f"{one.cabin.name}, {one.unit.slug}", one.verdict.verdict
    before = "" if word not in words.NEEDS_YOU else (
        f"<p>Before that: {badge(word)} "
        f"{text(words.since_words(one.verdict.since, told.at, one.cabin.zone))}</p>")
    return _whole(f"{name}: not known", (
        f'{_box(told.trouble)}<h1>{text(name)}</h1><p class="strong">Not known now. {text(IN_DOUBT)}</p>{before}'
        f"<p>{text(CAUTION)}</p><h2>Whom to call</h2>{_list(told.call)}{_ways(told, marks=False)}"))


def not_known_page() -> str:
    """Where no collector answers."""
    return _whole("Not known", (
        f'<h1>The collector does not answer</h1><div class="box alarm"><p>{text(NOT_KNOWN)}</p></div>'
        f"<p>{text(CAUTION)}</p>"))


def refused_page(title: str, sentence: str) -> str:
    """Where the address names nothing that is enrolled: nothing of the address is repeated."""
    return _whole(title, (
        f'<h1>{text(title)}</h1><div class="box alarm"><p>{text(sentence)}</p></div>'
        f'<p><a href="./">All cabins</a></p><p>{text(CAUTION)}</p>'))


def _whole(title: str, body: str) -> str:
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{text(title)} | tarnlight</title><style>{style_variables()}{STYLE}</style></head>"
        f"<body><main>{body}</main></body></html>")


def _box(lines: Sequence[str]) -> str:
    if not lines:
        return ""
    title, *rest = lines
    return f'<div class="box alarm"><p><strong>{text(title)}.</strong> {text(" ".join(rest))}</p></div>'


def _list(lines: Sequence[str]) -> str:
    return f'<ul>{"".join(f"<li>{text(one)}</li>" for one in lines)}</ul>'


def _step(told: Told) -> str:
    if not told.step:
        return ""
    facts = "".join(f"<dt>{text(name)}:</dt><dd>{text(words)}</dd>" for name, words in told.facts)
    so_far = f'<p class="soft">So far: {text(told.so_far)}</p>' if told.so_far else ""
    return (
        f'<div class="box"><p><strong>{text(told.step)}</strong></p>'
        f'{f"<dl>{facts}</dl>" if facts else ""}{so_far}</div>')


def _ways(told: Told, *, marks: bool = True) -> str:
    """To the page with forms and evidence, and to the cabin's other units, with their `marks` or without."""
    mine = {"units": told.units} if told.units else {}
    others = "".join(
        f"<li>{badge(one.verdict.verdict) if marks else ''} {_link('notice', one, one.unit.slug, **mine)}</li>"
        for one in told.others)
    beside = f"<h2>Other units of this cabin</h2><ul>{others}</ul>" if others else ""
    record = _link("after-cut", told.status, "Record a step (needs a better line)")
    evidence = _link("cabin", told.status, "All evidence (needs a better line)")
    return f"<nav>{beside}<p>{record}</p><p>{evidence}</p></nav>"


def _link(page: str, one: UnitStatus, label: str, **more: str) -> str:
    where = address(page, cabin=one.cabin.slug, unit=one.unit.slug, **more)
    return f'<a href="{text(where)}">{text(label)}</a>'
