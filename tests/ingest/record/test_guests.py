"""By command: the stays that an advisory touches which became known late, from a real calendar file."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

from ingest.evaluation.evaluate import evaluate
from ingest.store import Store
from tests.conftest import FLEET_TOML, tarnlight_here
from tests.ingest.ingest_streams import commit, steady


def test_the_command_names_the_stays_and_says_what_is_not_known(enrolled, tmp_path):
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    dark = now - timedelta(days=5)
    calendar = tmp_path / "heron.ics"
    day = f"{dark - timedelta(days=2):%Y%m%d}", f"{dark + timedelta(days=1):%Y%m%d}"
    calendar.write_bytes("\r\n".join((
        "BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//test//EN", "BEGIN:VEVENT", "UID:1@test",
        f"DTSTART;VALUE=DATE:{day[0]}", f"DTEND;VALUE=DATE:{day[1]}", "SUMMARY:The Reeds", "END:VEVENT",
        "END:VCALENDAR", "")).encode())
    enrolled.with_name("tarnlight.toml").write_text(f'calendar_files = "{tmp_path}"\n')
    text = FLEET_TOML.replace('slug = "heron-point"\n', f'slug = "heron-point"\ncalendar = "{calendar}"\n', 1)
    store = Store(enrolled)
    store.act("enroll", {"text": text})
    commit(store, steady(dark, 30, lamp_on=False, intensity_w_m2=0.0))
    commit(store, steady(dark + timedelta(minutes=30), 30))
    evaluate(store.con, now)
    store.close()
    (found,) = json.loads(tarnlight_here(enrolled, "advisory", "stays", "a1", "--json").stdout)
    assert (found["booking"], found["arrives"].replace("-", "")) == ("The Reeds", day[0])
    assert "should see a doctor" in found["draft"]
    told = tarnlight_here(enrolled, "advisory", "stays", "a1").stdout
    assert "The Reeds" in told and "These are drafts: a named person sends them." in told
    calendar.unlink()
    store = Store(enrolled)
    store.con.execute("UPDATE booking_feed SET tried_at = tried_at - INTERVAL 1 HOUR")  # time for another look
    store.close()
    told = tarnlight_here(enrolled, "advisory", "stays", "a1").stdout
    assert "which stays it touches is not known: the calendar of this cabin cannot be read" in told
    assert str(calendar) not in told  # a calendar's address may be a secret
    assert tarnlight_here(enrolled, "advisory", "stays", "a9").returncode == 2
