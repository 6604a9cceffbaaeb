"""HTML that the pages show: the one place where text from outside is escaped (its looks: `style.css`).

What a device, a form or a file said never reaches a page as markup: every value passes `text`.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from html import escape

from dashboard.text.verdicts import FACES, TAKE_CARE
from models.verdict import Word


def text(value: object) -> str:
    """Any value as harmless text."""
    return escape(str(value), quote=True)


# A renderer makes links of addresses in what is left of a text once its escapes are read, so no escape keeps it
# from that; an invisible word joiner within them does. GitHub's Markdown, section 6.9 (from memory).
_ADDRESS = re.compile(r"(?i)(https?:|www)(?=//|\.)|(?=@)")
_WORD_JOINER = "\u2060"


def plain_label(value: str) -> str:
    """A heading or label, which Streamlit reads as Markdown, so that it is seen as it was written."""
    unlinked = _ADDRESS.sub(lambda found: found[0] + _WORD_JOINER, " ".join(value.splitlines()))
    return re.sub(r"([\\`*_\[\]~<>$|:#!&])", r"\\\1", unlinked)


def badge(word: Word) -> str:
    """A verdict as shape and word."""
    face = FACES[word]
    return f'<span class="tl-badge tl-{word}"><span aria-hidden="true">{face.shape}</span> {text(face.word)}</span>'


def headline(sentence: str, note: str = "") -> str:
    """The one sentence on top of a page."""
    under = f'<p class="tl-note">{text(note)}</p>' if note else ""
    return f'<h1 class="tl-headline">{text(sentence)}</h1>{under}'


def tally(numbers: Sequence[tuple[Word, int]]) -> str:
    """How many of each verdict."""
    parts = "".join(
        f'<li>{badge(word)} <strong>{count}</strong> <span class="tl-mean">{text(FACES[word].meaning)}</span></li>'
        for word, count in numbers)
    return f'<ul class="tl-tally">{parts}</ul>'


def card(*, word: Word, name: str, since: str, reasons: Sequence[str], action: str, extra: str = "") -> str:
    """One unit on the first page: what, since when, why, what to do."""
    why = "".join(f"<li>{text(one)}</li>" for one in reasons)
    also = f'<p class="tl-extra">{text(extra)}</p>' if extra else ""
    return (
        f'<div class="tl-card"><div class="tl-who">{badge(word)}<h2>{text(name)}</h2>'
        f'<p class="tl-since">{text(since)}</p></div>'
        f'<div class="tl-why"><h3>Why</h3><ul>{why}</ul>{also}</div>'
        f'<div class="tl-do"><h3>Do now</h3><p>{text(action)}</p></div></div>')


def verdict(
    *, word: Word, name: str, since: str, reasons: Sequence[str], action: str, step: str = "", extra: str = ""
) -> str:
    """The first screen of one cabin; `step` is the advisory's next one, with its amounts."""
    then = f'<p class="tl-step-now">{text(step)}</p>' if step else ""
    why = "".join(f"<li>{text(one)}</li>" for one in reasons)
    also = f'<p class="tl-extra">{text(extra)}</p>' if extra else ""
    return (
        f'<div class="tl-verdict tl-edge-{word}"><h1>{text(name)}</h1><p class="tl-big">{badge(word)} '
        f'<span class="tl-since">{text(since)}</span></p>'
        f'<h2>What to do now</h2><p class="tl-action">{text(action)}</p>{then}'
        f"<h2>Why</h2><ul>{why}</ul>{also}</div>")


def table(
    headers: Sequence[str], rows: Iterable[Sequence[object]], caption: str = "", *,
    struck: Collection[int] = frozenset(),
) -> str:
    """A table that turns into stacked lines on a phone; each cell carries its header.

    Rows in `struck` are struck through but for their last cell, whose words must say why.
    """
    head = "".join(f'<th scope="col">{text(one)}</th>' for one in headers)
    body = "".join(
        "<tr>" + "".join(
            f'<td data-head="{text(header)}">{f"<s>{text(cell)}</s>" if cut else text(cell)}</td>'
            for header, cell, cut in zip(headers, row, _cut(len(row), number in struck), strict=True)
        ) + "</tr>" for number, row in enumerate(rows))
    title = f"<caption>{text(caption)}</caption>" if caption else ""
    return f'<table class="tl-table">{title}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def behind(title: str, inside: str) -> str:
    """Markup of ours that opens by touch or key."""
    return f'<details class="tl-behind"><summary>{text(title)}</summary>{inside}</details>'


def _cut(cells: int, struck: bool) -> list[bool]:
    """Which cells of a row are struck through."""
    return [struck] * (cells - 1) + [False] * min(cells, 1)


def steps(found: Iterable[tuple[bool, str, str]]) -> str:
    """Steps of an advisory: done or not, what, and on what evidence."""
    rows = "".join(
        f'<li class="tl-step-{"done" if done else "open"}"><span class="tl-mark">{"✓ done" if done else "☐ to do"}'
        f'</span> <strong>{text(what)}</strong><br><span class="tl-mean">{text(evidence)}</span></li>'
        for done, what, evidence in found)
    return f'<ol class="tl-steps">{rows}</ol>'


def unit_heading(word: Word, name: str, since: str) -> str:
    """A unit's name and verdict on top of a page."""
    return (
        f'<div class="tl-verdict tl-edge-{word}"><h1>{text(name)}</h1><p class="tl-big">{badge(word)} '
        f'<span class="tl-since">{text(since)}</span></p></div>')


def unit_here(label: str) -> str:
    """The unit that the page is about, in a row of its cabin's units."""
    return f'<span class="tl-unit-here" aria-current="true">{text(label)}</span>'


def warning(sentence: str) -> str:
    """One sentence that must not be overlooked."""
    return f'<p class="tl-warning" role="status"><span aria-hidden="true">■</span> {text(sentence)}</p>'


def form_heading(title: str) -> str:
    """What a form records, and for whom."""
    return f'<h3 class="tl-form">{text(title)}</h3>'


def told(title: str, sentences: Iterable[str], *, strong: bool = False) -> str:
    """Sentences below a small title."""
    head = f"<h2>{text(title)}</h2>" if title else ""
    body = "".join(f"<p>{text(one)}</p>" for one in sentences)
    return f'<div class="tl-told{" tl-strong" if strong else ""}">{head}{body}</div>'


def care(sentences: Sequence[str], at_first: int = 1) -> str:
    """Cautions of the work: the first ones always in sight, more than that opened by touch, and open on paper."""
    if not sentences:
        return ""
    if len(sentences) == at_first + 1:  # a touch for a single line is one too many
        at_first += 1
    first, rest = sentences[:at_first], sentences[at_first:]
    more = ""
    if rest:
        lines = "".join(f"<li>{text(one)}</li>" for one in rest)
        more = f"<details><summary>{len(rest)} more cautions</summary><ul>{lines}</ul></details>"
    seen = "".join(f"<li>{text(one)}</li>" for one in first)
    return f'<div class="tl-care" role="note"><h2>{TAKE_CARE}</h2><ul>{seen}</ul>{more}</div>'


def next_step(
    title: str, how: str, evidence: str, *, number: str = "Next step", facts: Sequence[tuple[str, str]] = ()
) -> str:
    """The one thing to do next, in large type: which of how many, its facts, and on what it is judged undone."""
    told = "".join(f"<dt>{text(name)}:</dt><dd>{text(words)}</dd>" for name, words in facts)
    told = f'<dl class="tl-facts">{told}</dl>' if told else ""
    so_far = f'<p class="tl-mean">So far: {text(evidence)}</p>' if evidence else ""
    return (
        f'<div class="tl-next" role="status"><h2>{text(number)}</h2><p class="tl-next-title">{text(title)}</p>'
        f"<p>{text(how)}</p>{told}{so_far}</div>")


def numbered(sentences: Iterable[str]) -> str:
    """Instructions in order."""
    return f'<ol class="tl-steps">{"".join(f"<li>{text(one)}</li>" for one in sentences)}</ol>'


def registry_entry(name: str, place: str, units: Sequence[str]) -> str:
    """A cabin of the registry and its units."""
    lines = "".join(f"<li>{text(one)}</li>" for one in units)
    return f'<div class="tl-entry"><h2>{text(name)}</h2><p class="tl-note">{text(place)}</p><ul>{lines}</ul></div>'


def box(title: str, lines: Sequence[str], commands: Sequence[str] = (), *, tone: str = "plain") -> str:
    """A designed notice: a title, what it means, and what to type; `tone` is plain or alarm."""
    body = "".join(f"<p>{text(one)}</p>" for one in lines)
    code = "".join(f"<pre><code>{text(one)}</code></pre>" for one in commands)
    return f'<div class="tl-box tl-box-{text(tone)}" role="status"><h2>{text(title)}</h2>{body}{code}</div>'


def refused(title: str, why: object) -> str:
    """What a form gave and what was not taken, in the words of the form: requests call a person `who` or `by`."""
    said = re.sub(r"; got an empty (name|one)$", "", re.sub(r"^(who|by) must name ", "give the name of ", str(why)))
    said = said.replace(", and reason say why", ", and a reason").rstrip(".")
    first = said.split(" ")[0]
    if not set("_-") & set(first):  # a field is called as it is written
        said = f"{said[:1].upper()}{said[1:]}"
    return box(title, [f"{said}."], tone="alarm")


def small(sentence: str) -> str:
    """A quiet line."""
    return f'<p class="tl-note">{text(sentence)}</p>'
