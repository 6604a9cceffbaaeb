"""One bad feed is one cabin's trouble: what hangs is ended in time, and the others are read."""

from __future__ import annotations

import json
import subprocess
import time
from datetime import date
from pathlib import Path

import pytest

from ingest.bookings.addresses import Allowed
from ingest.bookings.readings import Feed, readings
from ingest.own_python import python_of
from tests.ingest.bookings.feed_server import booked, drips_body, drips_headers, serves, serving

DAYS = date(2026, 1, 1), date(2027, 1, 1)
WITHIN_S = 3.0
NEVER_DONE = "DTSTART;VALUE=DATE:20200101\nRRULE:FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30"  # there is no 30 February


def feed_of(*events: str) -> bytes:
    body = "".join(
        f"BEGIN:VEVENT\nUID:{number}@test\nSUMMARY:s3cret guest\n{one}\nEND:VEVENT\n"
        for number, one in enumerate(events))
    return f"BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//test//EN\n{body}END:VCALENDAR\n".replace("\n", "\r\n").encode()


BAD = {
    "seconds": (serves(feed_of("DTSTART:20200101T000000Z\nRRULE:FREQ=SECONDLY")), "event 1 cannot be understood"),
    "never-on": (serves(feed_of("DTSTART;VALUE=DATE:20200101\nRRULE:FREQ=DAILY;INTERVAL=0")), "at least 1"),
    "year-9999": (serves(feed_of("DTSTART;VALUE=DATE:99991230\nDURATION:P20D")), "event 1 cannot be understood"),
    "endless": (serves(feed_of(*[NEVER_DONE] * 50)), f"took more than {WITHIN_S:g} s"),
    "drip": (drips_body, f"took more than {WITHIN_S:g} s"),
    "drip-of-headers": (drips_headers, f"took more than {WITHIN_S:g} s"),
    "page": (serves(b"<html>s3cret guest, please log in</html>"), "no iCalendar"),
    "bytes": (serves(bytes(range(256)) * 100), "no iCalendar"),
}


def test_each_bad_feed_is_told_in_time_and_the_good_ones_are_read() -> None:
    names = ["good-1", *BAD, "good-2"]
    with serving() as feeds:
        for name, (answer, _) in BAD.items():
            feeds.answers[f"/{name}?key=s3cret"] = answer
        feeds.answers["/good-1?key=s3cret"] = feeds.answers["/good-2?key=s3cret"] = serves(booked("20261125"))
        asked = [
            Feed(cabin=name, calendar=feeds.url(f"/{name}?key=s3cret"), time_zone="America/Toronto")
            for name in names]
        began = time.monotonic()
        found = {
            one.feed.cabin: one for one in readings(asked, Allowed(hosts=("127.0.0.1",)), *DAYS, within_s=WITHIN_S)}
        took_s = time.monotonic() - began
    assert list(found) == names
    for name in ("good-1", "good-2"):
        assert [one.start for one in found[name].bookings] == [date(2026, 11, 25)] and not found[name].trouble
    for name, (_, why) in BAD.items():
        assert why in found[name].trouble and not found[name].bookings, name
        assert "s3cret" not in repr(found[name]) and "log in" not in found[name].trouble
    # three that hang, each with a new process for the rest, whose start may take a while where others work too
    assert took_s < 3 * WITHIN_S + 60


def test_a_doubled_recurrence_id_is_one_feeds_trouble_at_most() -> None:
    doubled = feed_of("DTSTART;VALUE=DATE:20261125\nRRULE:FREQ=DAILY;COUNT=2\nRECURRENCE-ID;VALUE=DATE:20261126\n"
                      "RECURRENCE-ID;VALUE=DATE:20261126")
    with serving() as feeds:
        feeds.answers["/bad"], feeds.answers["/good"] = serves(doubled), serves(booked("20261125"))
        bad, good = readings(
            [Feed(cabin=name, calendar=feeds.url(f"/{name}"), time_zone="UTC") for name in ("bad", "good")],
            Allowed(hosts=("127.0.0.1",)), *DAYS)
    assert bad.trouble or bad.bookings  # told, or taken for what it is; never silently free
    assert len(good.bookings) == 1


def test_whoever_waits_for_all_of_them_waits_no_longer_than_was_said(tmp_path: Path) -> None:
    with serving() as feeds:
        for name in "abc":
            feeds.answers[f"/{name}"] = drips_body
        asked = [Feed(cabin=name, calendar=feeds.url(f"/{name}"), time_zone="UTC") for name in "abc"]
        began = time.monotonic()
        found = list(readings(asked, Allowed(hosts=("127.0.0.1",)), *DAYS, within_s=30, all_within_s=5))
        assert time.monotonic() - began < 25
    assert [one.trouble for one in found] == ["there was no time left to read it"] * 3


def test_none_is_read_once_the_collector_stops() -> None:
    asked = [Feed(cabin="a", calendar="a.ics", time_zone="UTC")]
    assert list(readings(asked, Allowed(), *DAYS, stopped=lambda: True)) == []


def test_a_reader_that_nobody_is_left_to_end_ends_itself() -> None:
    """As where the collector was killed while a feed hangs."""
    with serving() as feeds:
        feeds.answers["/"] = drips_body
        asked = {
            "files": "", "hosts": ["127.0.0.1"], "since": "2026-01-01", "until": "2027-01-01", "within_s": -4.0,
            "feeds": [{"calendar": feeds.url("/"), "time_zone": "UTC"}]}
        found = subprocess.run(
            python_of("ingest.bookings.reader"), input=json.dumps(asked), text=True, capture_output=True,
            timeout=60, check=False)
    assert found.returncode != 0 and found.stdout == '{"ready": true}\n'


@pytest.mark.parametrize("zone", ["America/Toronto", "Pacific/Auckland"])
def test_files_are_read_in_the_cabins_zone(tmp_path: Path, zone: str) -> None:
    (tmp_path / "a.ics").write_bytes(feed_of("DTSTART:20261125T120000Z\nDTEND:20261125T130000Z"))
    (found,) = readings([Feed(cabin="a", calendar="a.ics", time_zone=zone)], Allowed(files=str(tmp_path)), *DAYS)
    assert [one.end.day for one in found.bookings] == [26 if zone == "Pacific/Auckland" else 25]
