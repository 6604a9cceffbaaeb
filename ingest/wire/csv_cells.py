"""What the cells of a column say: instants, numbers, on and off; and which cannot be read."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from ingest.db.schema import DECIMALS
from ingest.wire.csv_shape import Shape, Source
from models.units import FLAGS

TRUE, FALSE = ("1", "true", "on", "yes"), ("0", "false", "off", "no")
# A date and at least the hour: what else pandas takes ("today", a bare year) is no instant that a logger wrote.
INSTANT = r"^\d{4}-?\d{2}-?\d{2}[Tt ]\d{2}"
OFFSET = INSTANT + r".*(?:[Zz]|[+-]\d{2}(?::?\d{2})?)$"
DAY = r"^\s*(\d{1,4})[/.\-](\d{1,2})[/.\-](\d{1,4})(?!\d)"
# The day in any order, the time of day with or without seconds, on 24 or 12 hours.
WRITTEN = (
    r"^(\d{1,4})[/.\-](\d{1,2})[/.\-](\d{1,4})[Tt, ]+(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d{1,6})?))?"
    r"\s*(?:([AaPp])\.?[Mm]\.?)?\s*([Zz]|[+-]\d{2}:?\d{2})?$")
CENTURY = 2000  # of a year in two digits


def values_of(raw: pd.Series, source: Source, shape: Shape, tz: ZoneInfo | None) -> tuple[pd.Series, pd.Series]:
    """A column's values, and which cells cannot be read."""
    if source.column == "at":
        return _instants(raw, shape.date_order, tz)
    if source.column in ("cabin", "unit"):
        return raw, raw == ""
    filled = raw != ""
    if source.column in FLAGS:
        low = raw.str.lower()
        value = pd.Series(pd.NA, index=raw.index, dtype="boolean")
        for words, means in ((TRUE, True), (FALSE, False)):
            value[low.isin(words)] = means
        for word, said in shape.words.items():
            value[low == word] = pd.NA if said is None else said
        neither = [word for word, said in shape.words.items() if said is None]
        return value, filled & value.isna() & ~low.isin(neither)
    number = numbers(raw, shape.decimal) * source.factor + source.offset
    number = number.where(np.isfinite(number))
    return number, filled & number.isna()


def numbers(raw: pd.Series, decimal: str) -> pd.Series:
    """Cells as numbers; a mark other than the file's decimal mark makes a cell none."""
    text = raw.where(raw != "")
    if decimal != ".":
        text = text.where(~text.str.contains(".", regex=False, na=False)).str.replace(decimal, ".", regex=False)
    return pd.to_numeric(text, errors="coerce").astype("float64")


def parts_of(day: pd.DataFrame, order: str) -> tuple[pd.Series, pd.Series, pd.Series]:
    """Year, month and day of what `DAY` found, as numbers; nothing where the year's digits do not fit the order."""
    place = {letter: day[order.index(letter)] for letter in "ymd"}
    long = {letter: text.str.len() > 2 for letter, text in place.items()}
    fits = ~long["m"].fillna(False) & ~long["d"].fillna(False) & (place["y"].str.len() != 3)
    year, month, of_month = (pd.to_numeric(place[letter]).where(fits) for letter in "ymd")
    return year.where(long["y"].fillna(False), year + CENTURY), month, of_month


def as_iso(raw: pd.Series, order: str) -> pd.Series:
    """Times that are written in this order, in ISO 8601; what is written otherwise stays as it is."""
    found = raw.str.extract(WRITTEN)
    year, month, day = parts_of(found[[0, 1, 2]], order)
    hour, half = pd.to_numeric(found[3]), found[6].str.lower()
    twelve = half.notna()
    hour = hour.mask(twelve, hour % 12 + 12 * (half == "p")).mask(twelve & ~hour.between(1, 12))
    known = year.notna() & hour.notna()
    if not known.any():
        return raw

    def text(number: pd.Series, digits: int) -> pd.Series:
        return number[known].astype("int64").astype(str).str.zfill(digits)

    seconds = found.loc[known, 5].fillna("00").str.replace(",", ".", regex=False)
    iso = (text(year, 4) + "-" + text(month, 2) + "-" + text(day, 2) + "T" + text(hour, 2) + ":"
           + found.loc[known, 4] + ":" + seconds + found.loc[known, 7].fillna(""))
    out = raw.copy()
    out[known] = iso
    return out


def _instants(raw: pd.Series, order: str, tz: ZoneInfo | None) -> tuple[pd.Series, pd.Series]:
    if order:
        raw = as_iso(raw, order)
    offset = raw.str.contains(OFFSET, regex=True)
    at = pd.to_datetime(raw.where(offset), format="ISO8601", utc=True, errors="coerce")
    if tz is not None and not offset.all():
        bare = ~offset & raw.str.contains(INSTANT, regex=True)
        local = pd.to_datetime(raw.where(bare), format="ISO8601", errors="coerce")
        # an hour that a clock change skips or repeats has no one instant: refused, never guessed
        at = at.fillna(local.dt.tz_localize(tz, ambiguous="NaT", nonexistent="NaT").dt.tz_convert("UTC"))
    return at.astype("datetime64[us, UTC]"), at.isna()


def told(wrong: pd.Series, raw: pd.Series, source: Source, shape: Shape) -> pd.DataFrame:
    """Cells that cannot be read, with the reason of each."""
    at = "must be ISO 8601 with Z or an offset (or name its zone with --tz, outside a clock change's hour)"
    if shape.date_order:
        at = (f"must be a date as {shape.date_order} with a time of day, in a zone (--zone), outside a clock "
              "change's hour")
    mark = "" if shape.decimal == "." else f", with {shape.decimal!r} as its decimal mark"
    allowed = {
        "at": at, "cabin": "must not be empty", "unit": "must not be empty",
        **dict.fromkeys(FLAGS, f"must be one of {', '.join((*TRUE, *FALSE, *shape.words))}"),
        **dict.fromkeys(DECIMALS, f"must be a finite number{mark}"),
    }[source.column]
    cells = raw[wrong]
    return pd.DataFrame({
        "row": cells.index, "column": source.column,
        "reason": [f"{source.header} = {value!r}: {allowed}" for value in cells],
    })
