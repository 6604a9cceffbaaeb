"""Words that can be said in another language: English text that still knows its sentences and what went into them.

A `Wording` is its English text. `rendered` says it anew by a function that translates one sentence's template; the
catalogues are read elsewhere (`ingest.language`), so nothing here opens a file.
"""

from __future__ import annotations

import string
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

ENGLISH = "en"
LANGUAGES = (ENGLISH, "fr", "de", "es")

# What breaks a line or turns the direction of what follows, so that a name could pass for other words of ours.
_BREAKS = frozenset({"Cc", "Zl", "Zp", "Cs"})  # Unicode's general categories: control, line, paragraph, surrogate
_TURNS = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")

Say = Callable[[str], str]  # a template in another language; empty where that has none


class Wording(str):
    """A text with its template and values, or the parts that it is joined of."""

    template: str
    values: Mapping[str, Any]
    parts: Sequence[str]
    between: str
    at: date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Translation:
    """One language's catalogue.

    Attributes
    ----------
    language : str
        One of `LANGUAGES`.
    say : callable
        A template in that language; empty where the catalogue lacks it.
    reviewed_by : str
        Who has checked it; empty: nobody, so the English stands above what it says.
    """

    language: str
    say: Say
    reviewed_by: str = ""


def one_line(text: str) -> str:
    """A text with a space for each character that breaks a line, controls a terminal or turns the direction."""
    return "".join(" " if breaks_out(one) else one for one in text)


def breaks_out(character: str) -> bool:
    """Whether a character would not stay within its line."""
    return unicodedata.category(character) in _BREAKS or character in _TURNS


def worded(template: str, **values: Any) -> Wording:
    """One sentence, or a part of one: a template as of `str.format` and what goes into it.

    What somebody wrote (a name, a reason, a finding) stays within its line: with paragraphs or marks of direction
    of its own it could pass for words of ours, or cut off what follows it.

    Examples
    --------
    >>> str(worded("{place}: boil it for {n:g} minutes.", place="Heron Point", n=3.0))
    'Heron Point: boil it for 3 minutes.'
    """
    own = {
        name: one_line(one) if isinstance(one, str) and not isinstance(one, Wording) else one
        for name, one in values.items()}
    return _made(template.format(**own), template=template, values=own)


def moment(at: date, form: str) -> Wording:
    """An instant or a day by a form as of `strftime`, in its own zone; a catalogue has forms of its own."""
    return _made(at.strftime(form), template=form, at=at)


def joined(*parts: str, between: str = " ") -> Wording:
    """Several of them one after the other; empty ones are left out."""
    some = [one for one in parts if one]
    return _made(between.join(some), parts=some, between=between)


def all_of(some: Sequence[str]) -> str:
    """Names with "and" between them; at least one."""
    out = some[0]
    for one in some[1:]:
        out = worded("{first} and {second}", first=out, second=one)
    return out


def any_of(some: Sequence[str]) -> str:
    """Names with "or" between them; at least one."""
    out = some[0]
    for one in some[1:]:
        out = worded("{first} or {second}", first=out, second=one)
    return out


def _made(
    text: str, *, template: str = "", values: Mapping[str, Any] | None = None, parts: Iterable[str] = (),
    between: str = "", at: date | None = None,
) -> Wording:
    out = Wording(text)
    out.template, out.values, out.parts, out.between, out.at = template, values or {}, tuple(parts), between, at
    return out


def rendered(text: str, say: Say) -> str:
    """The same in another language; a sentence that its catalogue lacks stays English as a whole.

    Parameters
    ----------
    text : str
        What is no `Wording` (a name, a telephone number, what a person wrote) stays as it is.
    """
    if not isinstance(text, Wording):
        return text
    if text.parts:
        return text.between.join(rendered(one, say) for one in text.parts)
    found = say(text.template)
    if not found:
        return str(text)
    if text.at is not None:
        return text.at.strftime(found)
    values = {name: rendered(one, say) if isinstance(one, str) else one for name, one in text.values.items()}
    return _FIGURES.format(found, **values)


class _Figures(string.Formatter):
    """Figures as most of Europe writes them: a comma before the decimals, a space between thousands."""

    def format_field(self, value: Any, format_spec: str) -> str:
        out = str(super().format_field(value, format_spec))
        return out.translate(_MARKS) if isinstance(value, (int, float)) else out


_MARKS = str.maketrans({",": "\u00a0", ".": ","})
_FIGURES = _Figures()
