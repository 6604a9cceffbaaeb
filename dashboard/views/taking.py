"""A list that a page shows, to take along as CSV or workbook; made when somebody asks for it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

import streamlit as st

from dashboard.sheets.lists import FORMS, Listed, file_name


def to_take(
    name: str, found: Callable[[], Listed], *, until: date, of: Sequence[str] = (), since: date | None = None,
    title: str = "",
) -> None:
    """Two buttons; to be placed where no part draws itself anew, for each drawing would need them anew.

    Parameters
    ----------
    name : str
        Of the list, and of its file.
    found : callable
        Makes the list; asked when a button is pressed.
    of : sequence of str
        Slugs that stand in the file's name; none: all cabins.
    since, until : date
        The days that stand there.
    title : str
        What the buttons say before the format; else the list's name.
    """
    def made(ending: str) -> Callable[[], bytes]:
        return lambda: FORMS[ending][0](found())

    for ending, (_, kind) in FORMS.items():
        st.download_button(
            f"{title or name.capitalize()} (.{ending})", made(ending),
            file_name(name, ending, of=of, since=since, until=until), kind, on_click="ignore",
            key=f"take-{name}-{'-'.join(of)}-{ending}")
