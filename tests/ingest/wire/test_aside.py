"""Messages that were too much to take: kept whole, for their owner alone, within bounds."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from ingest.wire import aside


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(aside, "MOST_FILES", 5)
    monkeypatch.setattr(aside, "MOST_BYTES", 100)


def test_a_message_is_kept_whole_for_its_owner_alone_whatever_the_umask(tmp_path: Path):
    folder = tmp_path / "store.aside"
    before = os.umask(0)
    try:
        name = aside.put(folder, b"\x00\xff../../etc" * 1000)
    finally:
        os.umask(before)
    assert (folder / name).read_bytes() == b"\x00\xff../../etc" * 1000
    assert folder.stat().st_mode & 0o777 == 0o700
    assert (folder / name).stat().st_mode & 0o777 == 0o600
    assert [one.name for one in folder.iterdir()] == [name]
    assert aside.tally(folder) == aside.AsideTally(1, 11_000, 0)


def test_at_most_so_many_files_the_oldest_out_and_counted(tmp_path: Path, small: None):
    names = [aside.put(tmp_path, b"%d" % n) for n in range(5)]
    assert aside.tally(tmp_path) == aside.AsideTally(5, 5, 0)
    names += [aside.put(tmp_path, b"%d" % n) for n in range(5, 12)]
    assert sorted(one.name for one in tmp_path.iterdir()) == names[-5:]
    assert [(tmp_path / name).read_bytes() for name in names[-5:]] == [b"7", b"8", b"9", b"10", b"11"]
    assert aside.tally(tmp_path) == aside.AsideTally(5, 7, 7)
    assert "7 older ones went" in aside.tally(tmp_path).in_words(tmp_path)


def test_at_most_so_many_bytes_the_oldest_out(tmp_path: Path, small: None):
    for _ in range(4):
        aside.put(tmp_path, b"x" * 25)
    assert aside.tally(tmp_path) == aside.AsideTally(4, 100, 0)
    aside.put(tmp_path, b"x")
    assert aside.tally(tmp_path) == aside.AsideTally(4, 76, 1)
    aside.put(tmp_path, b"y" * 100)
    assert aside.tally(tmp_path) == aside.AsideTally(1, 100, 5)


def test_the_largest_that_mqtt_carries_fits_twice():
    assert aside.MOST_BYTES >= 2 * 268_435_455  # MQTT 3.1.1, 2.2.3


def test_what_a_kill_left_half_written_goes_and_what_is_not_ours_stays(tmp_path: Path, small: None):
    (tmp_path / "00000009-aaaaaaaa.part").write_bytes(b"half")
    (tmp_path / "note.txt").write_text("mine")
    aside.put(tmp_path, b"1")
    for n in range(9):
        aside.put(tmp_path, b"%d" % n)
    assert not list(tmp_path.glob("*.part"))
    assert (tmp_path / "note.txt").read_text() == "mine"
    assert aside.tally(tmp_path).files == 5


def test_no_folder_is_no_message(tmp_path: Path):
    assert aside.tally(tmp_path / "none").in_words(tmp_path) == "no message was too much to take"
