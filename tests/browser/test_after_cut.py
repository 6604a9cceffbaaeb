"""The reason the software exists, end to end: a cut, seen on a phone, to the lifted notice.

Real mosquitto, collector, dashboard and chromium. Days pass by setting the store's clock ahead while the collector
is down; what happened meanwhile comes as a backlog, as from a logger whose link was down.
"""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from pypdf import PdfReader

from ingest.settings import Settings
from ingest.store import Store
from tests.browser.conftest import FLAGS
from tests.conftest import (
    REACTOR,
    Mosquitto,
    Running,
    environment,
    free_port,
    listens,
    publish,
    tarnlight,
    wait_for,
)

playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright")
CHROMIUM = next((path for path in ("/usr/bin/chromium", "/usr/bin/chromium-browser") if Path(path).exists()), None)
playwright.expect.set_options(timeout=20_000)
pytestmark = [
    pytest.mark.browser, pytest.mark.broker,
    pytest.mark.skipif(CHROMIUM is None, reason="needs Debian's chromium (apt-get install chromium)")]

FLEET = REACTOR + """
[[cabin]]
slug = "loon-narrows"
name = "Loon Narrows"
time_zone = "America/Toronto"
latitude = 45.4
longitude = -79.2
altitude_m = 320
[[cabin.unit]]
slug = "main"
reactor = "annular-40"
uvt_pct = 82.0
cold_plumbing_l = 18.0
hot_tank_l = 20.0
peak_flow_l_min = 19.0
cadence_s = 300  # two ends cover no more time
sends_every_s = 1800
drawdown_l = 25.0
[[contact]]
name = "Lakes Health Unit"
role = "health-authority"
phone = "+1 555 0199"
[[contact]]
name = "Ann Marsh"
role = "manager"
phone = "+1 555 0100"
"""
TOPIC = "tarnlight/loon-narrows/main/log"
ZONE = ZoneInfo("America/Toronto")
BY_ITSELF_S = 15.0  # some two on a machine of its own; beside two other browsers it took 5.3
LIT = {"power": True, "lamp": True, "intensity": 55.0, "uvt": 0.86}
DARK = {"power": False, "lamp": False, "intensity": 0.0}


def reading(at: datetime, flow_l_min: float, **state: float | bool) -> list[dict[str, object]]:
    """Records of one instant as RFC 8428 has them; flow in m3/s."""
    values = {"flow": flow_l_min / 60_000.0, **state}
    return [
        {"n": name, "t": at.timestamp(), **({"vb": value} if isinstance(value, bool) else {"v": value})}
        for name, value in values.items()]


def pack(*readings: list[dict[str, object]]) -> str:
    return json.dumps([record for one in readings for record in one])


def every(minutes: int, start: datetime, end: datetime) -> list[datetime]:
    """Instants from start up to before end."""
    return [start + timedelta(minutes=n) for n in range(0, int((end - start) / timedelta(minutes=1)), minutes)]


class Days:
    """The store's clock, and the collector that lives by it."""

    def __init__(self, store: Path, broker: Mosquitto) -> None:
        self.store, self.broker = store, broker
        self.running = Running(Settings(store=store, broker=broker.url), store.with_name("collector.log"))

    def begin(self, at: datetime) -> None:
        """Start the collector at this instant."""
        store = Store(self.store)
        store.con.execute("DELETE FROM clock")
        store.con.execute(
            "INSERT INTO clock VALUES ($wall, $at_, 1.0)", {"wall": datetime.now(UTC), "at_": at})
        store.close()
        self.running.start()

    def pass_to(self, at: datetime, *backlog: list[dict[str, object]]) -> None:
        """Let time pass with the link down; then all that the logger kept comes at once."""
        self.running.terminate()
        publish(self.broker.port, TOPIC, pack(*backlog))
        self.begin(at)


@contextmanager
def shown(store: Path, folder: Path) -> Iterator[str]:
    """`tarnlight show` on the store; its address."""
    port = free_port()
    with (folder / "show.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "dashboard.cli", "show", "--port", str(port)],
            env={**environment(store), "TARNLIGHT_PUBLIC_URL": "https://water.example.org"}, stdout=log, stderr=log,
            cwd=store.parent)
        try:
            wait_for(lambda: listens(port), 30, "the dashboard answers")
            yield f"http://127.0.0.1:{port}"
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(20)


@contextmanager
def phone(folder: Path):
    """A page of chromium at a phone's size."""
    with playwright.sync_playwright() as player:
        browser = player.chromium.launch(
            executable_path=CHROMIUM,
            args=[*FLAGS, "--disable-component-update"])
        context = browser.new_context(viewport={"width": 390, "height": 844}, accept_downloads=True)
        page = context.new_page()
        page.set_default_timeout(20_000)
        try:
            yield page
        finally:
            page.screenshot(path=folder / "last.png", full_page=True)
            browser.close()


def see(page, words: str, within_s: float = 20.0) -> None:
    playwright.expect(page.get_by_text(words).first).to_be_visible(timeout=1000 * within_s)


def next_is(page, title: str) -> None:
    playwright.expect(page.locator(".tl-next-title")).to_have_text(title)


def large(page, what: str, button: str):
    """The form of the one next step, once the page stands still with it and with nothing of the step before."""
    form = page.locator(f'[class*="st-key-next-"][class*="-{what}"]')
    playwright.expect(form.get_by_role("button", name=button)).to_have_count(1)
    playwright.expect(page.locator('[data-test-script-state="notRunning"]')).to_have_count(1)
    playwright.expect(form.get_by_label("Your name")).to_have_count(1)
    playwright.expect(page.locator('[class*="st-key-next-"]')).to_have_count(1)
    return form


def set_when(form, at: datetime, label: str = "When") -> None:
    """Type an instant, part by part, as the cabin's clock has it."""
    for part, digits in (("year", "%Y"), ("month", "%m"), ("day", "%d"), ("hour", "%H"), ("minute", "%M")):
        field = form.get_by_role("spinbutton", name=re.compile(f"^{part}, {label}"))
        field.press_sequentially(f"{at.astimezone(ZONE):{digits}}")


def test_from_the_cut_to_the_lifted_notice_on_a_phone(store_path, mosquitto, tmp_path):
    # at five past, so that the cut lies within one hour: stored intervals break at the end of each; and at half a
    # minute, so that the reading just before is of the same minute
    cut = (datetime.now(UTC) - timedelta(days=4)).replace(minute=5, second=30, microsecond=0)
    last = cut + timedelta(days=3)
    store = Store(store_path)
    store.act("enroll", {"text": FLEET})
    store.close()
    days = Days(store_path, mosquitto)
    days.begin(cut)
    with shown(store_path, tmp_path) as address, phone(tmp_path) as page:
        try:
            story(page, address, days, cut, last, store_path)
        finally:
            days.running.kill()


def story(page, address: str, days: Days, cut: datetime, last: datetime, store: Path) -> None:
    port = days.broker.port
    # lit, dosed, and water drawn
    publish(port, TOPIC, pack(*(
        reading(at, 6.0 if number % 3 == 0 else 0.0, **LIT)
        for number, at in enumerate(every(5, cut - timedelta(hours=2), cut)))))
    page.goto(f"{address}/after-cut?cabin=loon-narrows&unit=main")
    see(page, "Clear")
    see(page, "No boil notice has ever stood here.")

    # the power goes while a tap is open; the logger writes of the last second in which the lamp was lit, too
    sent = time.monotonic()
    publish(port, TOPIC, pack(reading(cut - timedelta(seconds=1), 8.0, **LIT), reading(cut, 8.0, **DARK)))
    see(page, "Boil", within_s=BY_ITSELF_S)
    playwright.expect(page.locator(".tl-badge")).to_have_text("■ Boil", timeout=1000 * BY_ITSELF_S)
    seen_s = time.monotonic() - sent
    print(f"boil on the page {seen_s:.1f} s after the message was sent")
    assert seen_s < BY_ITSELF_S
    next_is(page, "Draw no water to drink")
    see(page, "keep it boiling for 1 minute")

    # Two hours later: power is back after half an hour, 12 L were run. Past the dark lamp went at most 1 min x
    # 8 L/min and a second of it before the first dark reading, 8.13 L; nothing if the tap was shut at once, as no
    # total says that it was not.
    back, two_hours = cut + timedelta(minutes=30), cut + timedelta(hours=2)
    half_past = two_hours - timedelta(minutes=30)
    days.pass_to(
        two_hours,
        *(reading(at, 0.0, **DARK) for at in every(5, cut + timedelta(minutes=1), back)),
        *(reading(at, 0.0, **LIT) for at in every(5, back, half_past)), reading(half_past, 12.0, **LIT),
        *(reading(half_past + timedelta(minutes=n), 0.0, **LIT) for n in (1, 6, 11)))
    next_is(page, "Run every cold tap")
    see(page, "12 of 50 L metered since the last under-dosed litre")
    # to the last dark reading: the stored interval of the last litre ends there, as the lamp may come on after it
    there = [at.astimezone(ZONE) for at in (cut, cut + timedelta(minutes=26))]
    see(page, f"Between {there[0]:%H:%M %Z} and {there[1]:%H:%M %Z}")
    see(page, "Up to 9 L of water may have reached the pipes without full disinfection.")

    # the notice, from the page
    with page.expect_download() as download:
        page.get_by_role("button", name="Notice for the tap (PDF)").click()
    (paper,) = PdfReader(BytesIO(Path(download.value.path()).read_bytes())).pages
    text = " ".join(paper.extract_text().split())
    for words in ("Boil water before drinking", "Loon Narrows", "Up to 9 L of water", "1 minute", "Ann Marsh",
                  "Lakes Health Unit, +1 555 0199"):
        assert words in text, words
    assert "https://water.example.org/cabin?cabin=loon-narrows&unit=main" in text.replace(" ", "")

    # up to 9 L untreated. Cold: 18 L of dispersed pipe until 2.16e-4 of it is left, 50 L; the flow sensor sees the
    # litres, a person says which taps ran when. The tank of 20 L: its heel of 2 L full of it, .1, .01, .001, .0001.
    publish(port, TOPIC, pack(
        *(reading(two_hours + timedelta(minutes=n - 17), 18.0, **LIT) for n in range(16)),
        reading(two_hours - timedelta(minutes=1), 0.0, **LIT)))
    see(page, re.compile("300 of 50 L metered since"))
    next_is(page, "Run every cold tap")
    form = large(page, "flush_cold", "Record: cold pipes flushed")
    set_when(form, two_hours + timedelta(minutes=-17), "The taps ran from")
    set_when(form, two_hours + timedelta(minutes=-13), "until")
    form.get_by_label("Your name").fill("Bo Reed")
    form.get_by_role("button", name="Record: cold pipes flushed").click()
    see(page, "Cold pipes flushed, by Bo Reed.")
    next_is(page, "Clean the hot tank")
    see(page, re.compile("Drain and refill it 4 times: 130 L"))
    form = large(page, "flush_hot", "Record: hot tank drained")
    set_when(form, two_hours)
    form.get_by_label("How many times drained and refilled").fill("3")
    form.get_by_label("Your name").fill("Bo Reed")
    form.get_by_role("button", name="Record: hot tank drained").click()
    see(page, re.compile("drained 3 times; this water asks for 4 times"))
    form.get_by_label("How many times drained and refilled").fill("4")
    form.get_by_role("button", name="Record: hot tank drained").click()
    see(page, "Hot tank and hot pipes cleaned, by Bo Reed.")
    next_is(page, "Disinfect the plumbing with chlorine")
    button = "Record: plumbing disinfected with chlorine"
    form = large(page, "disinfect", button)
    form.get_by_label("Your name").fill("Bo Reed")
    form.get_by_role("button", name=button).click()
    see(page, "Plumbing disinfected with chlorine, by Bo Reed.")
    next_is(page, "Have the water tested")

    # three days later the laboratory has both results
    days.pass_to(last, *(reading(at, 0.0, **LIT) for at in every(5, two_hours, last)))
    page.reload()  # as one does days later; a page that stayed open may yet have to see that the collector was away
    for number, button in ((1, "Record the first sample"), (2, "Record the second sample")):
        form = large(page, f"sample_{number}", button)
        result = form.get_by_text("Satisfactory", exact=True)
        playwright.expect(result).to_have_count(1)
        result.click()
        set_when(form, cut + timedelta(hours=3) + timedelta(hours=25 * (number - 1)))
        form.get_by_label("Your name").fill("Bo Reed")
        form.get_by_role("button", name=button).click()
    next_is(page, "Lift the notice")
    form = large(page, "lift", "Lift the notice")
    form.get_by_label("Your name").fill("Ann Marsh")
    form.get_by_role("button", name="Lift the notice").click()
    see(page, re.compile("Lifted by Ann Marsh"))
    playwright.expect(page.locator(".tl-badge")).to_have_text("● Clear", timeout=10_000)

    (unit,) = json.loads(tarnlight(store, "status", "--json").stdout)
    assert (unit["verdict"], unit["advisory"]) == ("clear", None)
    page.goto(f"{address}/advisories")
    see(page, "No boil advisory stands.")
    page.get_by_text(re.compile("Lifted by Ann Marsh")).first.click()
    for words in ("plumbing disinfected with chlorine", "Bo Reed", "hot tank and hot pipes cleaned"):
        see(page, words)


@pytest.mark.slow
def test_a_bad_sample_starts_the_cleaning_again_and_lifting_with_steps_undone_needs_a_reason(
    store_path, mosquitto, tmp_path
):
    now = datetime.now(UTC)
    store = Store(store_path)
    store.act("enroll", {"text": FLEET})
    store.close()
    days = Days(store_path, mosquitto)
    days.begin(now)
    # no meter and no power sensor: what the sensors cannot tell, a person may record
    publish(mosquitto.port, TOPIC, pack(*(
        [{"n": "lamp", "t": at.timestamp(), "vb": True}, {"n": "intensity", "t": at.timestamp(), "v": 55.0},
         {"n": "uvt", "t": at.timestamp(), "v": 0.86}]
        for at in every(5, now - timedelta(hours=2), now))))
    with shown(store_path, tmp_path) as address, phone(tmp_path) as page:
        try:
            page.goto(f"{address}/advisories")
            page.get_by_text("Raise one by hand").click()
            page.get_by_label("Your name").fill("Ann Marsh")
            page.get_by_role("button", name="Raise a boil advisory").click()
            see(page, "One boil advisory stands; one waits for a person now.")
            page.get_by_role("link", name=re.compile("Steps, notice and lifting of Loon Narrows")).click()
            next_is(page, "Keep the power on")
            see(page, "the person who answers for this water decided so")

            page.get_by_text("A water sample was not satisfactory", exact=True).click()
            failed = page.locator("[data-testid=stExpander]").filter(has_text="both samples start again")
            failed.get_by_label("Your name").fill("Bo Reed")
            failed.get_by_role("button", name="Record the failed sample").click()
            see(page, "Sample not satisfactory, by Bo Reed.")

            page.get_by_text("Lift it although steps are undone", exact=True).click()
            early = page.locator("[data-testid=stExpander]").filter(has_text="The reason is kept")
            lift = early.get_by_role("button", name="Lift the notice")
            early.get_by_label("Your name").fill("Ann Marsh")
            lift.click()
            see(page, re.compile("still undone: .*disinfect.*lift with a reason"))
            early.get_by_label("Reason").fill("The health unit found it good")
            lift.click()
            see(page, re.compile("Lifted by Ann Marsh.*Undone: .*Reason given: The health unit found it good"))
        finally:
            days.running.kill()
