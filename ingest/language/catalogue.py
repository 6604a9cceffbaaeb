"""The catalogues as translations: read from their `.po` files, so that a correction needs a text editor alone."""

from __future__ import annotations

import gettext
import io
import logging
import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from models.wording import ENGLISH, LANGUAGES, Translation

logger = logging.getLogger(__name__)

FOLDER = Path(__file__).parent
# A header of our own, which the library that reads the file leaves out.
REVIEWED_BY = re.compile(r'^"X-Reviewed-By:(.*)\\n"$', re.MULTILINE)


class _Lacks(gettext.NullTranslations):
    """Says nothing: a sentence that reads the same in both languages is not one that is missing."""

    def gettext(self, message: str) -> str:
        return ""


@cache
def translation(language: str) -> Translation:
    """One language's catalogue, kept in memory; sentences that it lacks, or marks as fuzzy, stay English."""
    from babel.messages import mofile, pofile  # only who speaks another language needs it

    text = (FOLDER / f"{language}.po").read_text(encoding="utf-8")
    found = pofile.read_po(io.StringIO(text), locale=language, abort_invalid=True)
    checked = REVIEWED_BY.search(text)
    compiled = io.BytesIO()
    mofile.write_mo(compiled, found)
    compiled.seek(0)
    read = gettext.GNUTranslations(compiled)
    read.add_fallback(_Lacks())
    return Translation(language=language, say=read.gettext, reviewed_by=checked[1].strip() if checked else "")


def translations(languages: Iterable[str]) -> dict[str, Translation]:
    """The catalogues of these languages; without one that cannot be read, so that what is said goes in English."""
    out = {}
    for one in sorted(set(languages) & set(LANGUAGES) - {ENGLISH}):
        try:
            out[one] = translation(one)
        except Exception:  # outermost: a spoilt file may hold up no warning
            logger.exception("the catalogue of language %s cannot be read; messages go in English", one)
    return out
