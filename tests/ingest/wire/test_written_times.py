"""Days in any order and times of day on 12 or 24 hours, against Python's own `strptime`."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.settings import BadInput
from ingest.wire.csv_cells import as_iso
from ingest.wire.csv_shape import DATE_ORDERS
from ingest.wire.date_orders import distinct_days, orders_of

PLACE = {"y": "%Y", "m": "%m", "d": "%d"}
instants = st.datetimes(datetime(2001, 1, 1), datetime(2099, 12, 31)).map(lambda at: at.replace(microsecond=0))
orders = st.sampled_from(DATE_ORDERS)
clocks = st.sampled_from(["%H:%M:%S", "%I:%M:%S %p", "%H:%M"])


def written(order: str, mark: str, short: bool) -> str:
    """A format of days in an order."""
    return mark.join(PLACE[letter] for letter in order).replace("%Y", "%y" if short else "%Y")


@given(instants, orders, st.sampled_from("/.-"), st.booleans(), clocks)
def test_a_time_reads_as_strptime_reads_it(at, order, mark, short, clock):
    form = f"{written(order, mark, short)} {clock}"
    text = at.strftime(form)
    if short:  # strptime takes years from 69 on for the last century's; a logger's are this one's
        expected = datetime.strptime(at.strftime(form.replace("%y", "%Y")), form.replace("%y", "%Y"))
    else:
        expected = datetime.strptime(text, form)
    (iso,) = as_iso(pd.Series([text]), order)
    assert datetime.fromisoformat(iso) == expected


@given(st.text("0123456789/.-: aApPmM", max_size=24), orders)
def test_what_is_no_time_stays_as_it_is_or_is_one_that_the_order_allows(text, order):
    (iso,) = as_iso(pd.Series([text]), order)
    if iso != text:
        year, month, day = (int(part) for part in iso.split("T")[0].split("-"))
        digits = [int(part) for part in pd.Series([text]).str.findall(r"\d+")[0][:3]]
        told = dict(zip(order, digits, strict=True))
        assert (month, day) == (told["m"], told["d"])
        assert year in (told["y"], told["y"] + 2000)


@given(st.dates(date(2010, 1, 1), date(2090, 1, 1)), st.integers(2, 60), st.booleans())
def test_days_in_a_row_are_never_read_in_the_wrong_order(first, days, month_first):
    right, wrong = ("mdy", "dmy") if month_first else ("dmy", "mdy")
    written_days = pd.Series([
        (first + timedelta(days=k)).strftime("%m/%d/%Y" if month_first else "%d/%m/%Y") for k in range(days)])
    found = distinct_days([written_days])
    assert right in orders_of(found, right, "log.csv")
    asked = orders_of(found, "", "log.csv")
    assert right in asked
    if pd.to_datetime(written_days, format="%d/%m/%Y" if month_first else "%m/%d/%Y", errors="coerce").equals(
            pd.to_datetime(written_days, format="%m/%d/%Y" if month_first else "%d/%m/%Y")):
        return  # 1 January and its like read the same in both
    with pytest.raises(BadInput, match=f"its dates are not as {wrong}"):
        orders_of(found, wrong, "log.csv")
