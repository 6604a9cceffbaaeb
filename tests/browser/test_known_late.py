"""People around an advisory: guests who drank before anybody knew, and two who record the same step.

Real mosquitto, collector, calendar file, dashboard and chromium.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from ingest.settings import Settings
from ingest.store import Store
from tests.browser.conftest import CHROMIUM
from tests.browser.test_after_cut import (
    DARK,
    FLEET,
    LIT,
    TOPIC,
    ZONE,
    every,
    large,
    next_is,
    pack,
    playwright,
    reading,
    see,
    shown,
)
from tests.browser.test_right_cabin import SIZES, WITHIN_MS, fits
from tests.conftest import Mosquitto, Running, publish, tarnlight

pytestmark = [
    pytest.mark.browser, pytest.mark.broker,
    pytest.mark.skipif(not CHROMIUM.exists(), reason=f"needs {CHROMIUM} (Debian: apt-get install chromium)")]
PAGE = "after-cut?cabin=loon-narrows&unit=main"


def calendar(path: Path, *stays: tuple[date, date, str]) -> None:
    """A file of bookings as RFC 5545 has them: arrival, departure, and who."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//test//EN"]
    for number, (arrives, leaves, who) in enumerate(stays):
        lines += [
            "BEGIN:VEVENT", f"UID:{number}@test", f"DTSTART;VALUE=DATE:{arrives:%Y%m%d}",
            f"DTEND;VALUE=DATE:{leaves:%Y%m%d}", f"SUMMARY:{who}", "END:VEVENT"]
    path.write_bytes("\r\n".join([*lines, "END:VCALENDAR", ""]).encode())


@contextmanager
def collected(path: Path, broker: Mosquitto, fleet: str) -> Iterator[Running]:
    """A store with this fleet, and its collector."""
    store = Store(path)
    store.act("enroll", {"text": fleet})
    store.close()
    running = Running(Settings(store=path, broker=broker.url), path.with_name("collector.log"))
    running.start()
    try:
        yield running
    finally:
        running.kill()


@contextmanager
def page_of(browser: Any, size: str, last: Path) -> Iterator[Any]:
    """A page of somebody's own; how it looked at the end stays in `last`."""
    context = browser.chromium.new_context(**SIZES[size])
    page = context.new_page()
    page.set_default_timeout(WITHIN_MS)
    try:
        yield page
    finally:
        page.screenshot(path=last, full_page=True)
        context.close()


def test_water_known_late_names_the_stays_it_touched_with_a_draft_to_each(store_path, mosquitto, browser, tmp_path):
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    dark = (now - timedelta(days=5)).replace(minute=5)
    there, today = dark.astimezone(ZONE).date(), now.astimezone(ZONE).date()
    day = timedelta(days=1)
    bookings = tmp_path / "loon.ics"
    calendar(
        bookings, (there - 9 * day, there - 3 * day, "The Hales"), (there - 2 * day, there + day, "The Reeds"),
        (today - day, today + 2 * day, "Cy Dale, 2 adults and 1 infant"),
        (today + 3 * day, today + 5 * day, "The Next"))
    fleet = FLEET.replace('slug = "loon-narrows"\n', f'slug = "loon-narrows"\ncalendar = "{bookings}"\n', 1)
    store_path.parent.mkdir(parents=True, mode=0o700)
    store_path.with_name("tarnlight.toml").write_text(f'calendar_files = "{tmp_path}"\n')
    with collected(store_path, mosquitto, fleet), shown(store_path, tmp_path) as address, \
            page_of(browser, "phone", tmp_path / "phone.png") as phone, \
            page_of(browser, "desk", tmp_path / "desk.png") as desk:
        publish(mosquitto.port, TOPIC, pack(*(
            reading(at, 0.0, **LIT) for at in every(5, now - timedelta(hours=1), now + timedelta(minutes=1)))))
        phone.goto(f"{address}/{PAGE}")
        see(phone, "No boil notice has ever stood here.")
        assert "Guests" not in phone.locator("body").inner_text()

        # the logger's link was down for five days: ten minutes dark with a tap open, and lit ever since
        out = dark + timedelta(minutes=10)
        publish(mosquitto.port, TOPIC, pack(
            *(reading(at, 0.0, **LIT) for at in every(5, dark - timedelta(minutes=15), dark)),
            *(reading(at, 4.0, **DARK) for at in every(1, dark, out)),
            *(reading(at, 0.0, **LIT) for at in every(5, out, now - timedelta(hours=1)))))
        desk.goto(f"{address}/{PAGE}")
        for page in (phone, desk):
            playwright.expect(page.locator(".tl-badge")).to_have_text("■ Boil", timeout=WITHIN_MS)
            guests(page, there, today, dark)
            assert fits(page)

        told = tarnlight(store_path, "advisory", "stays", "a1").stdout
        assert "The Reeds" in told and "Cy Dale" in told and "The Hales" not in told and "The Next" not in told
        draft = phone.get_by_test_id("stCode").first.inner_text()
        assert " ".join(draft.split()) in " ".join(told.split())  # page and command give one letter


def guests(page: Any, there: date, today: date, dark: datetime) -> None:
    """Whom it touched stands on the page, a draft to each can be opened and read."""
    page.get_by_role("heading", name="Guests who may have drunk it").wait_for()
    see(page, "It became known late and touches 2 stays.")
    body = page.locator("body").inner_text()
    assert "The Hales" not in body and "The Next" not in body
    drafts = []
    for arrives, leaves, who in (
        (there - timedelta(days=2), there + timedelta(days=1), "The Reeds"),
        (today - timedelta(days=1), today + timedelta(days=2), "Cy Dale, 2 adults and 1 infant"),
    ):
        part = page.get_by_test_id("stExpander").filter(has_text=who)
        playwright.expect(part).to_have_count(1, timeout=WITHIN_MS)
        dates = f"{arrives:%d %b %Y} to {leaves:%d %b %Y}"
        assert dates in part.inner_text() and ("there now" in part.inner_text()) is (leaves > today)
        part.locator("summary").click()
        code = part.get_by_test_id("stCode")
        code.wait_for()
        text = " ".join(code.inner_text().split())
        assert f"your stay from {dates}" in text
        since = (dark - timedelta(minutes=5)).astimezone(ZONE)  # lit for the last time: dark from then on, at worst
        assert f"{since:%H:%M %Z}" in text and f"{since:%d %b %Y}" in text
        order = [text.index(words) for words in (
            "your stay", "may have reached the taps", "infants, people with weak immunity",
            "should see a doctor", "Lakes Health Unit, +1 555 0199", "Ann Marsh, +1 555 0100",
            "What your local health authority says goes before this letter.")]
        assert order == sorted(order)
        drafts.append(text)
    # who has left cannot stop any more; who is there is told so before all else to do
    assert "stop drinking" not in drafts[0] and "You came later" in drafts[1] and "You came later" not in drafts[0]
    assert drafts[1].index("Please stop drinking the tap water now") < drafts[1].index("infants, people with")


@pytest.mark.slow  # CI holds the rule by command (tests/ingest/record)
def test_the_second_of_two_who_record_a_step_is_told_who_did_and_when(store_path, mosquitto, browser, tmp_path):
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    with collected(store_path, mosquitto, FLEET) as collector, shown(store_path, tmp_path) as address, \
            page_of(browser, "desk", tmp_path / "first.png") as first, \
            page_of(browser, "phone", tmp_path / "second.png") as second:
        # dark for ten minutes an hour ago; no power sensor: that the power is steady, people record
        dark = [now - timedelta(minutes=60), now - timedelta(minutes=55)]
        publish(mosquitto.port, TOPIC, pack(*(
            [{"n": "lamp", "t": at.timestamp(), "vb": at not in dark},
             {"n": "intensity", "t": at.timestamp(), "v": 0.0 if at in dark else 55.0},
             {"n": "uvt", "t": at.timestamp(), "v": 0.86}]
            for at in every(5, now - timedelta(hours=2), now + timedelta(minutes=1)))))
        button = "Record: power back and steady"
        second.clock.install()
        for page, name in ((first, "Bo Reed"), (second, "Cy Vale")):
            page.goto(f"{address}/{PAGE}")
            playwright.expect(page.locator(".tl-badge")).to_have_text("■ Boil", timeout=WITHIN_MS)
            next_is(page, "Keep the power on")
            large(page, "power_stable", button).get_by_label("Your name").fill(name)
        # the second one's page stands still, as a phone's does in a pocket
        second.clock.pause_at(datetime.now() + timedelta(seconds=1))
        large(first, "power_stable", button).get_by_role("button", name=button).click()
        see(first, "power back and steady, by Bo Reed.")
        second.get_by_role("button", name=button).click()
        second.clock.resume()
        see(second, re.compile(
            r"Power back and steady is recorded already: Bo Reed, done .*, recorded .* Nothing was stored twice\."))
        told = second.locator(".tl-box").filter(has_text="Recorded by somebody else")
        form = second.locator('[class*="st-key-next-"]')
        assert 0 < form.bounding_box()["y"] - told.bounding_box()["y"] < 400  # where it was pressed, it is seen
        next_is(second, "Run every cold tap")
        assert "recorded already" not in first.locator("body").inner_text()
        assert fits(second)
        kept = collector.client().ask("SELECT body FROM advisory_event WHERE body LIKE '%step-recorded%'")
        assert len(kept) == 1 and "Bo Reed" in kept["body"].iloc[0]
