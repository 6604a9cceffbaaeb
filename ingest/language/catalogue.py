"""The catalogues as translations: read from their `.po` files, so that a correction needs a text editor alone."""

from __future__ import annotations

import gettext
import io
import logging
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from models.wording import ENGLISH, LANGUAGES, Translation

logger = logging.getLogger(__name__)

FOLDER = Path(__file__).parent
REVIEWED_BY = "x-reviewed-by"  # a header of our own


@cache
def translation(language: str) -> Translation:
    """One language's catalogue, kept in memory; sentences that it lacks, or marks as fuzzy, stay English."""
    from babel.messages import mofile, pofile  # only who speaks another language needs it

    with (FOLDER / f"{language}.po").open("rb") as file:
        found = pofile.read_po(file, locale=language, abort_invalid=True)
    compiled = io.BytesIO()
    mofile.write_mo(compiled, found)
    compiled.seek(0)
    read = gettext.GNUTranslations(compiled)
    return Translation(language=language, say=read.gettext, reviewed_by=read.info().get(REVIEWED_BY, "").strip())


def translations(languages: Iterable[str]) -> dict[str, Translation]:
    """The catalogues of these languages; without one that cannot be read, so that what is said goes in English."""
    out = {}
    for one in sorted(set(languages) & set(LANGUAGES) - {ENGLISH}):
        try:
            out[one] = translation(one)
        except Exception:  # outermost: a spoilt file may hold up no warning
            logger.exception("the catalogue of language %s cannot be read; messages go in English", one)
    return out
