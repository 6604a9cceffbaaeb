"""Letters on paper: the fonts that are embedded in every PDF, and words in no letters but theirs."""

from __future__ import annotations

import re
import unicodedata
from functools import cache

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

REGULAR, BOLD = "Vera", "VeraBd"  # come with reportlab; embedded, so that every printer has them
# A number stays with what follows it: "1 minute", and a telephone's groups of digits.
_AFTER_NUMBER = re.compile(r"(?<=\d) (?=\S)")


@cache
def register() -> dict[str, frozenset[int]]:
    """Make the fonts known to reportlab; the characters that each can show."""
    fonts = {name: TTFont(name, f"{name}.ttf") for name in (REGULAR, BOLD)}
    for font in fonts.values():
        pdfmetrics.registerFont(font)
    return {name: frozenset(font.face.charToGlyph) for name, font in fonts.items()}


def printable(words: str) -> str:
    """The words in letters that the font has: else one without its accent, or a question mark."""
    known = frozenset.intersection(*register().values())

    def one(letter: str) -> str:
        if ord(letter) in known or letter.isspace():
            return letter
        bare = "".join(part for part in unicodedata.normalize("NFKD", letter) if ord(part) in known)
        return bare or "?"

    return _AFTER_NUMBER.sub("\u00a0", "".join(map(one, unicodedata.normalize("NFC", words))))
