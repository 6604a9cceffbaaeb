"""What verdicts rest on has another mark once any of it is another."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pandas as pd

from ingest.db.schema import rounded
from ingest.evaluation.evaluate import derive
from ingest.queries import mark, status
from ingest.registry.tables import load_fleet
from tests.conftest import FLEET_TOML
from tests.ingest.ingest_streams import commit

NOW = datetime.now(UTC).replace(microsecond=0)


def reading(minutes_ago: int, **values):
    return rounded(pd.DataFrame({
        "cabin": ["heron-point"], "unit": "main",
        "at": pd.Series([pd.Timestamp(NOW - timedelta(minutes=minutes_ago))]).astype("datetime64[us, UTC]"),
        "lamp_on": True, "power_on": True, "intensity_w_m2": 55.0, "flow_l_min": 4.0, **values}))


def test_each_kind_of_news_changes_it_and_asking_does_not(held):
    seen = [mark(held)]

    def changed() -> bool:
        seen.append(mark(held))
        return seen[-1] not in seen[:-1]

    status(held, held.now())
    assert mark(held) == seen[0]
    commit(held, reading(5))
    assert changed(), "a reading that is owed"
    derive(held.con, load_fleet(held))
    assert changed(), "a reading that is judged"
    commit(held, reading(50, lamp_on=False))
    derive(held.con, load_fleet(held))
    assert changed(), "a late reading, which leaves the present as it was"
    held.act("record-service", {
        "kind": "water-tested", "cabin": "heron-point", "unit": "main", "at": (NOW - timedelta(days=1)).isoformat(),
        "who": "Ines Tarn", "value": 80.0, "note": ""})
    assert changed(), "a record of a person"
    held.act("enroll", {"text": FLEET_TOML.replace("uvt_pct = 82.0", "uvt_pct = 81.0"), "yes": True})
    assert changed(), "an edit of the registry"
    held.con.execute("INSERT INTO unit_fault VALUES ('heron-point', 'main', 'advisory', now(), 'poisoned')")
    assert changed(), "a unit that cannot be worked out"
    held.con.execute("UPDATE unit_fault SET error = 'otherwise'")
    assert changed(), "and otherwise"
    held.con.execute("INSERT INTO link_event VALUES ('heron-point', 'main', now(), false, now())")
    assert changed(), "a link that is down"
    assert mark(held) == seen[-1]
