"""Ten loggers' exports, from the file to the store's rows: with what is told once, and never with what is wrong."""

from __future__ import annotations

import pandas as pd
import pytest

from ingest.db.schema import QUANTITY_COLUMNS
from ingest.store import Store
from models.units import FLAGS
from tests.conftest import count, tarnlight_here
from tests.ingest.wire.logger_exports import EXPORTS, FOLDER, Export

NAMES = list(EXPORTS)
WRONG = [
    pytest.param(one, words, says, id=f"{one.name} {' '.join(words)}")
    for one in EXPORTS.values() for words, says in one.wrong]


def stored(path) -> list[dict[str, object]]:
    """The store's readings, empty cells left out."""
    store = Store(path)
    rows = store.ask('SELECT * FROM reading ORDER BY cabin, unit, "at"')
    store.close()
    out = []
    for one in rows.to_dict("records"):
        values = {name: one[name] for name in QUANTITY_COLUMNS if not pd.isna(one[name])}
        out.append({"cabin": one["cabin"], "unit": one["unit"], "at": one["at"].to_pydatetime()} | {
            name: bool(value) if name in FLAGS else value for name, value in values.items()})
    return out


def truth_of(one: Export) -> list[dict[str, object]]:
    known = [{name: value for name, value in row.items() if value is not None} for row in one.truth]
    return sorted(known, key=lambda row: (str(row["cabin"]), str(row["unit"]), row["at"]))


def test_the_files_are_what_the_script_makes():
    assert {path.name for path in FOLDER.iterdir()} == set(NAMES)
    assert len(NAMES) == 10
    for one in EXPORTS.values():
        assert (FOLDER / one.name).read_bytes() == one.data
        assert len(one.truth) >= 40


@pytest.mark.parametrize("name", NAMES)
def test_an_export_becomes_the_true_rows_by_one_profile(name, enrolled):
    one = EXPORTS[name]
    looked = tarnlight_here(enrolled, "load", str(FOLDER / name), "--look", "--save-profile", "theirs", *one.tell)
    assert looked.returncode == 0, looked.stdout + looked.stderr
    assert "profile theirs: saved" in looked.stdout
    assert stored(enrolled) == []  # a look takes nothing
    own = one.tell[:4] if one.tell[0] == "--cabin" else ()
    done = tarnlight_here(enrolled, "load", str(FOLDER / name), "--profile", "theirs", *own)
    assert done.returncode == 0, done.stderr
    assert stored(enrolled) == truth_of(one)
    again = tarnlight_here(enrolled, "load", str(FOLDER / name), *one.tell)
    assert f"0 kept, {len(one.truth)} already there" in again.stdout, again.stdout + again.stderr


@pytest.mark.parametrize("name", NAMES)
def test_an_export_of_which_nothing_is_told_says_what_it_needs_and_is_not_taken(name, enrolled):
    one = EXPORTS[name]
    looked = tarnlight_here(enrolled, "load", str(FOLDER / name), "--look")
    assert looked.returncode == 2
    assert f"to be told: {one.untold}" in looked.stdout or one.untold in looked.stdout
    for found in one.found:
        assert found in looked.stdout
    done = tarnlight_here(enrolled, "load", str(FOLDER / name))
    assert done.returncode == 2
    assert one.untold in done.stderr
    assert ("columns of a log: at, cabin, unit, " in done.stderr) == ("one of the columns of a log" in done.stderr)
    assert stored(enrolled) == []


@pytest.mark.parametrize(("one", "words", "says"), WRONG)
def test_a_wrong_option_is_refused_and_nothing_is_taken(one, words, says, enrolled):
    done = tarnlight_here(enrolled, "load", str(FOLDER / one.name), *one.tell, *words)
    assert done.returncode == 2, done.stdout
    assert says in done.stderr
    assert stored(enrolled) == []
    store = Store(enrolled)
    assert count(store, "quarantine") == (0 if "every row" not in says else len(one.truth))
    store.close()
