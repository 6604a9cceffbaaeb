"""How long a large sensor log takes. `pytest -m bench tests/bench/test_bench_load.py -s`"""

from __future__ import annotations

import pytest

from ingest.store import Store
from tests.conftest import count
from tests.ingest.test_load import load_twice

LIMIT_S = 60.0  # our own figure


@pytest.mark.bench
def test_a_million_rows_load_in_under_a_minute_and_a_second_time_add_none(enrolled):
    first_s, second_s = load_twice(enrolled, 1_000_000)
    print(f"1,000,000 rows: {first_s:.1f} s, a second time {second_s:.1f} s")
    store = Store(enrolled)
    assert count(store, "reading") == 1_000_000
    store.close()
    assert first_s < LIMIT_S
    assert second_s < LIMIT_S
