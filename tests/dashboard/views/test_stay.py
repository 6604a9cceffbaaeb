"""The form for a stay's guests and the lists to take along, on a real store held by a real collector."""

from __future__ import annotations

import io
from datetime import timedelta

import pandas as pd

from dashboard.sheets.lists import csv_of, service_list
from ingest import queries
from tests.dashboard.views.test_sample_forms import collector, fill, page, press, told  # noqa: F401  (fixtures)

GUEST = "river.stone@guests.example.org"
KEEP = "Keep it for Heron-Point"


def test_a_stay_is_refused_plainly_kept_without_its_address_and_forgotten(page, collector):  # noqa: F811
    app = page("cabin")
    text = told(app)
    assert "No stay has an address" in text and "forgotten 7 days after they leave" in text
    fill(app, mail_address="secret-guest", typed_by="Ann Lund")
    app = press(app, KEEP)
    assert "A guest&#x27;s address must be one mail address" in told(app) and "secret-guest" not in told(app)
    fill(app, mail_address=GUEST, typed_by="")
    app = press(app, KEEP)
    assert "No name was given: say who types this" in told(app)
    app.date_input[-1].set_value(app.date_input[-2].value - timedelta(days=1))
    fill(app, typed_by="Ann Lund")
    app = press(app, KEEP)
    assert "must not lie before the day of arrival" in told(app)
    app.date_input[-1].set_value(app.date_input[-2].value + timedelta(days=3))
    fill(app, language="de")
    app = press(app, KEEP)
    text = told(app)
    assert "told over mail while they are there" in text and "German" in text and GUEST not in text
    assert GUEST not in [one.value for one in app.text_input]  # the form is empty again
    (row,) = queries.stay_contacts(collector.client()).to_dict("records")
    assert (row["cabin"], row["by"], (row["leaves"] - row["arrives"]).days) == ("heron-point", "Ann Lund", 3)
    app = press(app, "Forget it: these guests are told nothing more")
    assert "Choose the stay." in told(app)
    fill(app, stay=row["contact"])
    app = press(app, "Forget it: these guests are told nothing more")
    assert "These guests are told nothing more." in told(app) and queries.stay_contacts(collector.client()).empty


def test_lists_are_offered_by_cabin_and_days_and_are_those_of_the_store(page, collector):  # noqa: F811
    store = collector.client()
    store.act("record-service", {
        "kind": "sleeve-cleaned", "cabin": "heron-point", "unit": "main", "at": store.now().isoformat(),
        "who": "Ann Lund", "note": "=1+1"})
    app = page("cabin")
    labels = [one.proto.label for one in app.get("download_button")]
    assert [one for one in labels if one.endswith((".csv)", ".xlsx)"))] == [
        "Outages (.csv)", "Outages (.xlsx)", "Refused records (.csv)", "Refused records (.xlsx)",
        "Set aside for their time (.csv)", "Set aside for their time (.xlsx)", "Service (.csv)", "Service (.xlsx)"]
    table = pd.read_csv(io.BytesIO(csv_of(service_list(
        queries.service_events(store, "heron-point", "main", with_withdrawn=True)))))
    assert table["note"].tolist() == ["'=1+1"] and table["state"].tolist() == ["counts"]
