"""HTML that the pages show: the one place where text from outside is escaped, and the one style sheet.

What a device, a form or a file said never reaches a page as markup: every value passes `text`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from dashboard.words import FACES
from models.verdict import Word


def text(value: object) -> str:
    """Any value as harmless text."""
    return escape(str(value), quote=True)


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


def verdict(*, word: Word, name: str, since: str, reasons: Sequence[str], action: str, extra: str = "") -> str:
    """The first screen of one cabin."""
    why = "".join(f"<li>{text(one)}</li>" for one in reasons)
    also = f'<p class="tl-extra">{text(extra)}</p>' if extra else ""
    return (
        f'<div class="tl-verdict tl-edge-{word}"><h1>{text(name)}</h1><p class="tl-big">{badge(word)} '
        f'<span class="tl-since">{text(since)}</span></p>'
        f'<h2>What to do now</h2><p class="tl-action">{text(action)}</p>'
        f"<h2>Why</h2><ul>{why}</ul>{also}</div>")


def table(headers: Sequence[str], rows: Iterable[Sequence[object]], caption: str = "") -> str:
    """A table that turns into stacked lines on a phone; each cell carries its header."""
    head = "".join(f'<th scope="col">{text(one)}</th>' for one in headers)
    body = "".join(
        "<tr>" + "".join(
            f'<td data-head="{text(header)}">{text(cell)}</td>' for header, cell in zip(headers, row, strict=True)
        ) + "</tr>" for row in rows)
    title = f"<caption>{text(caption)}</caption>" if caption else ""
    return f'<table class="tl-table">{title}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def steps(found: Iterable[tuple[bool, str, str]]) -> str:
    """Steps of an advisory: done or not, what, and on what evidence."""
    rows = "".join(
        f'<li class="tl-step-{"done" if done else "open"}"><span class="tl-mark">{"✓ done" if done else "☐ to do"}'
        f'</span> <strong>{text(what)}</strong><br><span class="tl-mean">{text(evidence)}</span></li>'
        for done, what, evidence in found)
    return f'<ol class="tl-steps">{rows}</ol>'


def box(title: str, lines: Sequence[str], commands: Sequence[str] = (), *, tone: str = "plain") -> str:
    """A designed notice: a title, what it means, and what to type; `tone` is plain or alarm."""
    body = "".join(f"<p>{text(one)}</p>" for one in lines)
    code = "".join(f"<pre><code>{text(one)}</code></pre>" for one in commands)
    return f'<div class="tl-box tl-box-{text(tone)}" role="status"><h2>{text(title)}</h2>{body}{code}</div>'


def small(sentence: str) -> str:
    """A quiet line."""
    return f'<p class="tl-note">{text(sentence)}</p>'


STYLE = """<style>
:root { --ink:#14212b; --soft:#46545f; --line:#c9d3da; --paper:#f5f8fa;
  --boil:#a31621; --silent:#4a2a78; --watch:#7a4a00; --clear:#0d5c46; }
[data-testid="stStatusWidget"] { display:none; }
[data-testid="stMainBlockContainer"] { max-width:1120px; padding-top:4.2rem; padding-bottom:3rem; }
.tl-headline { font-size:clamp(1.45rem,4.6vw,2.1rem); line-height:1.22; margin:0 0 .2rem; padding:0; color:var(--ink); }
.tl-note { color:var(--soft); font-size:.95rem; margin:.15rem 0; }
.tl-badge { display:inline-block; font-weight:700; padding:.1rem .6rem; border-radius:4px; border:2px solid;
  white-space:nowrap; background:#fff; }
.tl-boil { color:#fff; background:var(--boil); border-color:var(--boil); }
.tl-silent { color:var(--silent); border-color:var(--silent); border-style:dashed; }
.tl-watch { color:var(--watch); border-color:var(--watch); }
.tl-clear { color:var(--clear); border-color:var(--clear); }
.tl-tally { list-style:none; display:flex; flex-wrap:wrap; gap:.35rem 1.4rem; margin:.3rem 0 0; padding:0; }
.tl-tally li { margin:0; color:var(--ink); }
.tl-mean { color:var(--soft); font-size:.92rem; }
.tl-card { display:grid; grid-template-columns:minmax(11rem,3fr) 5fr 5fr; gap:.2rem 1.6rem; color:var(--ink); }
.tl-card h2 { font-size:1.25rem; margin:.3rem 0 0; padding:0; }
.tl-card h3 { font-size:.85rem; margin:0 0 .1rem; padding:0; color:var(--soft); font-weight:600; }
.tl-card p, .tl-card li { margin:0 0 .25rem; font-size:1rem; line-height:1.4; }
.tl-card ul, .tl-verdict ul { margin:0; padding-left:1.1rem; }
.tl-card .tl-since { font-size:.92rem; color:var(--soft); }
.tl-do p { font-weight:600; }
.tl-extra { color:var(--soft); }
[class*="st-key-card-"] { border-left-width:6px; border-left-style:solid; }
[class*="st-key-card-boil"] { border-left-color:var(--boil); }
[class*="st-key-card-silent"] { border-left-color:var(--silent); border-left-style:dashed; }
[class*="st-key-card-watch"] { border-left-color:var(--watch); }
[class*="st-key-card-clear"] { border-left-color:var(--clear); }
.tl-verdict { border:1px solid var(--line); border-left:8px solid; border-radius:6px; padding:.9rem 1.2rem;
  background:var(--paper); color:var(--ink); }
.tl-verdict h1 { font-size:clamp(1.5rem,5vw,2.1rem); margin:0; padding:0; line-height:1.2; }
.tl-verdict h2 { font-size:1rem; margin:.7rem 0 .1rem; padding:0; color:var(--soft); font-weight:600; }
.tl-verdict li, .tl-verdict p { font-size:1.05rem; line-height:1.45; margin:0 0 .25rem; }
.tl-big { margin:.35rem 0 0 !important; } .tl-big .tl-badge { font-size:1.35rem; margin-right:.5rem; }
.tl-action { font-weight:650; font-size:1.18rem !important; }
.tl-edge-boil { border-left-color:var(--boil); } .tl-edge-silent { border-left-color:var(--silent); border-left-style:dashed; }
.tl-edge-watch { border-left-color:var(--watch); } .tl-edge-clear { border-left-color:var(--clear); }
.tl-table { width:100%; border-collapse:collapse; color:var(--ink); font-size:.98rem; }
.tl-table caption { text-align:left; color:var(--soft); caption-side:top; }
.tl-table th { text-align:left; font-weight:600; color:var(--soft); border-bottom:2px solid var(--line); padding:.3rem .6rem .3rem 0; }
.tl-table td { border-bottom:1px solid var(--line); padding:.35rem .6rem .35rem 0; vertical-align:top;
  overflow-wrap:anywhere; font-variant-numeric:tabular-nums; }
.tl-steps { margin:0; padding-left:1.5rem; color:var(--ink); } .tl-steps li { margin:0 0 .5rem; line-height:1.4; }
.tl-mark { display:inline-block; min-width:4.6rem; font-weight:600; }
.tl-step-done .tl-mark { color:var(--clear); } .tl-step-open .tl-mark { color:var(--boil); }
.tl-box { border:1px solid var(--line); border-left:8px solid #0b5c7a; border-radius:6px; padding:.9rem 1.2rem;
  background:var(--paper); color:var(--ink); }
.tl-box-alarm { border-left-color:var(--boil); background:#fdf3f3; }
.tl-box h2 { font-size:1.3rem; margin:0 0 .3rem; padding:0; }
.tl-box p { margin:0 0 .4rem; font-size:1.05rem; line-height:1.45; }
.tl-box pre { background:#e8eef2; border-radius:4px; padding:.5rem .8rem; margin:.3rem 0; overflow-x:auto; font-size:.95rem; }
@media (max-width:760px) {
  [data-testid="stMainBlockContainer"] { padding-left:1rem; padding-right:1rem; }
  .tl-card { grid-template-columns:1fr; } .tl-tally .tl-mean { display:none; }
  .tl-table thead { display:none; } .tl-table tr { display:block; border-bottom:2px solid var(--line); padding:.4rem 0; }
  .tl-table td { display:grid; grid-template-columns:8.5rem 1fr; border:0; padding:.1rem 0; }
  .tl-table td::before { content:attr(data-head); color:var(--soft); }
}
@media print { header, [data-testid="stToolbar"] { display:none; } }
</style>"""
