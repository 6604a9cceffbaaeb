"""Readings of months past in files: the same answers as before, nothing lost or doubled, what is missing is said.

The reference is a store with the same content that was never archived; all files are real.
"""

from __future__ import annotations

import os
import re
import shutil
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest

from ingest import archiving, queries
from ingest.archiving import archive_some, bring_back_next
from ingest.db import archive, archive_files, past
from ingest.db.engine import transaction
from ingest.db.intake import keep
from ingest.db.tally import keep_tally, lost_since
from ingest.evaluation.evaluate import evaluate, owe, owe_all
from ingest.settings import ArchiveUnavailable, BadInput
from ingest.store import Store
from tests.conftest import FLEET_TOML, count, tarnlight_here
from tests.ingest.db.archived_months import (
    KEYS,
    all_readings,
    answers,
    archive_all,
    derived,
    fill,
    first_of_now,
    month,
    now_of,
    require_same,
)
from tests.ingest.ingest_streams import steady


@pytest.fixture(scope="module")
def filled_once(tmp_path_factory):
    """A store with months of readings, closed, its instant, and the same archived."""
    folder = tmp_path_factory.mktemp("filled")
    store = Store(folder / "plain.duckdb")
    store.act("enroll", {"text": FLEET_TOML})
    now = fill(store)
    store.close()
    shutil.copy(folder / "plain.duckdb", folder / "archived.duckdb")
    store = Store(folder / "archived.duckdb")
    assert archive_all(store, now) == 3 * 3  # of five months past the last two stay
    store.close()
    return folder, now


@pytest.fixture
def two(filled_once, tmp_path):
    """The same content twice, never archived and archived, and its instant."""
    folder, now = filled_once
    shutil.copytree(folder, tmp_path / "data")
    plain, archived = Store(tmp_path / "data" / "plain.duckdb"), Store(tmp_path / "data" / "archived.duckdb")
    yield plain, archived, now
    plain.close()
    archived.close()


def files(store: Store) -> list[archive.Archived]:
    return archive.listed(store.con)


def path_of(store: Store, key: tuple[str, str], back: int):
    (one,) = [one for one in files(store) if (one.cabin, one.unit) == key and one.month == month(back)]
    return archive_files.folder_of(store.path) / one.file


def test_whole_months_lie_in_private_files_and_no_more_in_the_table(two):
    plain, archived, _ = two
    assert count(archived, "reading", f"\"at\" < TIMESTAMPTZ '{month(2).isoformat()}'") == 0
    assert count(archived, "reading") + sum(one.rows for one in files(archived)) == count(plain, "reading")
    folder = archive_files.folder_of(archived.path)
    found = sorted(path.name for path in folder.iterdir())
    assert found == sorted(one.file for one in files(archived))
    assert folder.stat().st_mode & 0o077 == 0
    for one in files(archived):
        assert re.fullmatch(r"\d{4}-\d{2}\.[0-9a-f]{32}\.parquet", one.file)  # nothing of a cabin's name
        assert (folder / one.file).stat().st_mode & 0o077 == 0
        # read by another library than the one that wrote it
        held = pd.read_parquet(folder / one.file)
        assert len(held) == one.rows and set(held["cabin"]) == {one.cabin} and set(held["unit"]) == {one.unit}
        assert held["at"].min() >= pd.Timestamp(one.month) and held["at"].max() < pd.Timestamp(one.end)


def test_everything_asked_has_the_same_answer_as_before(two):
    plain, archived, now = two
    require_same(answers(archived, now), answers(plain, now))


def test_all_worked_out_anew_from_the_files_is_what_it_was(two):
    plain, archived, now = two
    for store in (plain, archived):
        transaction(store.con, lambda store=store: owe_all(store.con, KEYS))
        evaluate(store.con, now)
    require_same(derived(archived), derived(plain))
    assert count(archived, "unit_fault") == 0


def late_rows() -> pd.DataFrame:
    """Of an archived month: one instant anew, one that fills and makes worse, one that is there already."""
    at = month(4) + timedelta(hours=3)
    new = steady(at + timedelta(minutes=1510), 3, flow_l_min=9.0, lamp_on=False, intensity_w_m2=0.0)
    worse = steady(at + timedelta(minutes=300), 2, intensity_w_m2=1.0).drop(columns="flow_l_min")
    return pd.concat([new, worse], ignore_index=True)


def test_late_rows_of_an_archived_month_are_kept_once_and_judged_as_ever(two):
    plain, archived, now = two
    for store in (plain, archived):
        for _ in range(2):  # sent twice
            def work(store=store) -> None:
                kept = keep(store.con, rows=late_rows(), arrived=now)
                owe(store.con, kept.touched)
            transaction(store.con, work)
        evaluate(store.con, now)
    brought = [one for one in files(archived) if (one.cabin, one.month) == ("heron-point", month(4))]
    assert brought == [] and len(files(archived)) == 8  # that unit's month alone is back
    require_same({"all": all_readings(archived)}, {"all": all_readings(plain)})
    require_same(derived(archived), derived(plain))
    twice = archived.con.execute('SELECT count(*) FROM (SELECT cabin FROM reading GROUP BY cabin, unit, "at" '
                                 "HAVING count(*) > 1)").fetchone()
    assert twice == (0,)
    # it waits a day for more of the kind, and then goes back
    until = archive.horizon(archived.con, 2, now)
    assert archive.due(archived.con, until, now + timedelta(hours=1)) == []
    (again,) = archive.due(archived.con, until, now + timedelta(days=2))
    assert (again.cabin, again.month) == ("heron-point", month(4))
    archive_all(archived, now)
    require_same({"all": all_readings(archived)}, {"all": all_readings(plain)})


def test_what_came_while_the_file_was_written_is_not_lost(two):
    plain, _, now = two
    until = archive.horizon(plain.con, 2, now)
    one = next(one for one in archive.due(plain.con, until, now) if one[:2] == KEYS[0] and one.month == month(4))
    with plain.con.cursor() as cursor:
        written = archive.write(cursor, one, archive.begin(plain.con, one, now))
        transaction(plain.con, lambda: keep(plain.con, rows=late_rows(), arrived=now))
    before = all_readings(plain)
    assert archive.move(plain.con, written, now) is False
    require_same({"all": all_readings(plain)}, {"all": before})
    archive.clean_up(plain.con, now)
    assert list(archive_files.folder_of(plain.path).iterdir()) == []


@pytest.mark.parametrize(("harm", "words"), [
    ("missing", "is missing"), ("cut", "is damaged or another's"), ("flipped", "is damaged or another's"),
    ("foreign", "is damaged or another's")])
def test_what_cannot_be_had_is_said_and_never_taken_for_no_water(two, harm, words):
    _, archived, now = two
    path, other = path_of(archived, KEYS[0], 4), path_of(archived, KEYS[1], 4)
    held = path.read_bytes()
    if harm == "missing":
        path.unlink()
    elif harm == "cut":
        path.write_bytes(held[:-100])
    elif harm == "flipped":  # one bit in the middle
        path.write_bytes(held[: len(held) // 2] + bytes([held[len(held) // 2] ^ 1]) + held[len(held) // 2 + 1:])
    else:
        path.write_bytes(other.read_bytes())
    since = month(4)
    said = f"readings of heron-point/main of {since:%Y-%m} cannot be had.*{words}"
    with pytest.raises(ArchiveUnavailable, match=said):
        queries.readings(archived, *KEYS[0], since, since + timedelta(days=2))
    with pytest.raises(ArchiveUnavailable, match=words):
        queries.status(archived, since + timedelta(hours=15), as_of=True)
    # what does not need it goes on: another unit, another month, the present
    assert len(queries.readings(archived, *KEYS[1], since, since + timedelta(days=2)))
    assert len(queries.readings(archived, *KEYS[0], month(3), month(3) + timedelta(days=2)))
    assert len(queries.status(archived, now)) == 3
    # late rows of that month are set aside with the reason, others beside them kept
    rows = pd.concat([late_rows(), steady(now, 1)], ignore_index=True)
    kept = transaction(archived.con, lambda: keep(archived.con, rows=rows, arrived=now))
    assert (kept.rows, kept.refused) == (1, 5)
    (reason,) = archived.con.execute("SELECT DISTINCT reason FROM quarantine WHERE reason LIKE '%archived month%'"
                                     ).fetchall()
    assert words in reason[0]
    # what must be worked out from it is at fault, so never clear; the others are worked out
    transaction(archived.con, lambda: owe_all(archived.con, KEYS))
    evaluate(archived.con, now)
    faults = archived.con.execute("SELECT cabin, error FROM unit_fault WHERE stage = 'evaluation'").fetchall()
    assert [cabin for cabin, _ in faults] == ["heron-point"] and words in faults[0][1]
    verdict = {one.cabin.slug: one for one in queries.status(archived, now)}["heron-point"]
    assert str(verdict.verdict.verdict) != "clear"
    # doctor names it in one line
    archived.con.execute("CHECKPOINT")
    archived.close()
    done = tarnlight_here(archived.path, "doctor")
    (line,) = [line for line in done.stdout.splitlines() if "archive:" in line]
    assert line.startswith("WRONG") and f"heron-point/main of {since:%Y-%m}" in line and words in line
    assert done.returncode == 1
    # put back, all is well again
    path.write_bytes(held)
    again = Store(archived.path)
    assert len(queries.readings(again, *KEYS[0], since, since + timedelta(days=2)))
    evaluate(again.con, now)
    assert count(again, "unit_fault") == 0
    told = again.act("release", {
        "cabin": KEYS[0][0], "unit": KEYS[0][1], "by": "Kim", "shift_s": 0, "refused": True})
    assert (told["kept"], told["filled"], told["lacking"]) == (3, 2, 0)
    again.close()


def test_what_is_asked_of_the_present_opens_no_file(two):
    _, archived, now = two
    shutil.rmtree(archive_files.folder_of(archived.path))
    assert len(queries.status(archived, now)) == 3
    assert len(queries.readings(archived, *KEYS[0], month(1), now))
    assert queries.sent_of_late(archived, now) is not None
    transaction(archived.con, lambda: keep(archived.con, rows=steady(now, 2), arrived=now))


def test_a_month_is_brought_back_by_hand_and_stays_until_it_is_asked_for(two):
    plain, archived, now = two
    text = f"{month(4):%Y-%m}"
    archived.close()
    assert "9 units x month" not in tarnlight_here(archived.path, "archive", "--list").stdout
    done = tarnlight_here(archived.path, "archive", "--bring-back", text)
    assert done.returncode == 0 and f"readings of {text} are in the store again" in done.stdout
    again = Store(archived.path)
    require_same({"all": all_readings(again)}, {"all": all_readings(plain)})
    assert len(files(again)) == 6
    until = archive.horizon(again.con, 2, now)
    assert archive.due(again.con, until, now + timedelta(days=9)) == []
    with pytest.raises(BadInput, match="nothing of 2001-02 is archived; archived is: 2 months"):
        bring_back_next(again.con, {"month": "2001-02"}, now, again.path)
    again.close()
    done = tarnlight_here(archived.path, "archive", "--keep-months", "2")
    assert done.returncode == 0 and "3 units x month archived" in done.stdout, done.stderr
    again = Store(archived.path)
    require_same({"all": all_readings(again)}, {"all": all_readings(plain)})
    # the files that were brought back go a day later
    folder = archive_files.folder_of(again.path)
    assert len(list(folder.iterdir())) == 12
    archive.clean_up(again.con, again.now() + timedelta(days=1, minutes=1))
    assert sorted(path.name for path in folder.iterdir()) == sorted(one.file for one in files(again))
    again.close()


@pytest.mark.parametrize("words", [("--keep-months", "1"), ("--keep-months", "-3"), (), ("--bring-back", "March")])
def test_what_cannot_be_asked_is_refused_in_a_line(two, words):
    _, archived, _ = two
    archived.close()
    done = tarnlight_here(archived.path, "archive", *words)
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1 and "Traceback" not in done.stderr


def test_the_collector_looks_by_itself_and_leaves_what_a_person_brought_back(two, monkeypatch):
    plain, _, now = two
    monkeypatch.setattr(archiving, "FIRST_LOOK_S", 0.0)
    archive.let_stay(plain.con, month(4))
    before = all_readings(plain)
    one = archiving.Archiving(plain.con, plain.path, 2, lambda: now + timedelta(days=2))
    one.start()
    until = time.monotonic() + 60
    while len(files(plain)) < 6 and time.monotonic() < until:
        one.turn()
        time.sleep(0.005)
    for _ in range(50):  # and no more
        one.turn()
        time.sleep(0.005)
    one.close()
    assert sorted({file.month for file in files(plain)}) == [month(5), month(3)]
    require_same({"all": all_readings(plain)}, {"all": before})


def test_a_folder_that_cannot_be_written_is_said_and_costs_nothing(two):
    plain, _, now = two
    before = all_readings(plain)
    archive_files.folder_of(plain.path).write_text("a file in the folder's place")
    told = archive_some(plain.con, {"keep_months": 2}, now, plain.path)
    assert not told["running"] and told["trouble"].startswith("months could not be archived")
    require_same({"all": all_readings(plain)}, {"all": before})


def test_a_clock_that_is_ahead_archives_nothing_of_the_present(two):
    plain, _, now = two
    ahead = now + timedelta(days=900)
    assert archive.horizon(plain.con, 2, ahead) == archive.horizon(plain.con, 2, now)
    assert archive.horizon(plain.con, 2, now) <= now - archive.RESTS


def test_nothing_is_archived_that_a_question_of_the_present_would_not_look_for():
    assert past.RECENT < archive.RESTS
    for day in range(0, 400):  # two months are kept, whatever the day
        now = datetime(2027, 1, 1, tzinfo=UTC) + timedelta(days=day)
        until = min(archive.month_after(now, -2), archive.month_after(now - archive.RESTS, 0))
        assert until < now - past.RECENT


def test_a_copy_takes_the_files_along_once_and_brings_them_back(two, tmp_path):
    plain, archived, _ = two
    archived.close()
    folder = tmp_path / "copies"
    folder.mkdir()
    for name in ("first", "second"):
        done = tarnlight_here(archived.path, "backup", str(folder / f"{name}.duckdb"))
        assert done.returncode == 0 and "9 units" not in done.stderr, done.stderr
        assert "all whole; keep this folder with the copies" in done.stdout
    copies = folder / archive_files.COPIES
    assert len(list(copies.iterdir())) == 9
    assert all(path.stat().st_mode & 0o077 == 0 for path in copies.iterdir())
    # the store and its files are gone; elsewhere both come back
    shutil.rmtree(archive_files.folder_of(archived.path))
    elsewhere = tmp_path / "new" / "tarnlight.duckdb"
    elsewhere.parent.mkdir()
    done = tarnlight_here(elsewhere, "restore", str(folder / "first.duckdb"))
    assert done.returncode == 0, done.stderr
    back = Store(elsewhere)
    require_same({"all": all_readings(back)}, {"all": all_readings(plain)})
    back.close()
    # over a store that stands there: its own files go where it goes
    done = tarnlight_here(elsewhere, "restore", str(folder / "second.duckdb"))
    assert done.returncode == 0, done.stderr
    (kept,) = [path for path in elsewhere.parent.glob("*.before-*") if path.is_file()]
    for path in (kept, elsewhere):
        one = Store(path)
        require_same({"all": all_readings(one)}, {"all": all_readings(plain)})
        one.close()


def test_a_copy_without_a_file_says_so(two, tmp_path):
    _, archived, _ = two
    path_of(archived, KEYS[0], 4).unlink()
    archived.close()
    done = tarnlight_here(archived.path, "backup", str(tmp_path / "copy.duckdb"))
    assert done.returncode == 1 and (tmp_path / "copy.duckdb").exists()
    assert f"not in the backup: the readings of heron-point/main of {month(4):%Y-%m}" in done.stderr
    elsewhere = tmp_path / "new" / "tarnlight.duckdb"
    elsewhere.parent.mkdir()
    done = tarnlight_here(elsewhere, "restore", str(tmp_path / "copy.duckdb"))
    assert done.returncode == 1
    assert "not restored, so nothing is known of it: the readings of heron-point" in done.stderr


def test_old_files_of_copies_go_with_the_copies_that_needed_them(two, tmp_path):
    _, archived, _ = two
    archived.close()
    copies = tmp_path / archive_files.COPIES
    copies.mkdir()
    old = copies / f"2020-01.{'0' * 32}.parquet"
    other = copies / "of somebody else.parquet"
    for path in (old, other):
        path.write_text("x")
        os.utime(path, (1e9, 1e9))
    done = tarnlight_here(archived.path, "backup", str(tmp_path), "--keep-days", "30")
    assert done.returncode == 0, done.stderr
    assert not old.exists() and other.exists()
    assert len(list(copies.iterdir())) == 10


def test_nothing_is_taken_for_lost_because_it_was_archived(two, tmp_path):
    plain, archived, now = two
    tally = tmp_path / "tally.json"
    keep_tally(tally, plain.con, now, now)
    assert lost_since(tally, archived.con) is None
    archived.con.execute("DELETE FROM reading WHERE rowid = (SELECT max(rowid) FROM reading)")
    assert lost_since(tally, archived.con) is not None


def test_a_store_of_which_nothing_is_due_is_left_as_it_is(two):
    plain, _, now = two
    assert archive_some(plain.con, {"keep_months": 100}, now, plain.path)["archived"] == 0
    assert files(plain) == [] and not archive_files.folder_of(plain.path).exists()
    assert first_of_now() == month(0) and now_of(plain) == now


def test_readings_are_asked_for_wherever_they_lie_by_all_that_may_reach_back():
    """Which modules name the table itself: those that write it, count it or need only the newest."""
    root = Path(queries.__file__).parents[1]
    named = {
        str(path.relative_to(root)) for folder in ("ingest", "dashboard") for path in (root / folder).rglob("*.py")
        if re.search(r"\b(FROM|JOIN) reading\b", path.read_text())}
    assert named == {
        "ingest/as_known.py", "ingest/db/archive.py", "ingest/db/intake.py", "ingest/db/migrations.py",
        "ingest/db/past.py", "ingest/db/snapshot.py", "ingest/db/tally.py", "ingest/registry/succession.py"}
