"""A real chromium opens the pages of a real dashboard, fed through a real broker, and reads the words on them."""

from __future__ import annotations

import signal
import subprocess
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.browser.conftest import CHROMIUM
from tests.conftest import (
    Mosquitto,
    Running,
    console_script,
    environment,
    free_port,
    hostile_folder,
    listens,
    publish,
    senml,
    wait_for,
)

playwright = pytest.importorskip("playwright.sync_api", reason="needs the package playwright")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason=f"needs {CHROMIUM} (Debian: apt-get install chromium)")]
LINE = ".tl-lines > li"  # of a unit on the first page
DESKTOP, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
WORDS_WITHIN_MS = 30_000  # of a page's first opening; the machine may be busy


@pytest.fixture
def show(enrolled: Path) -> Iterator[str]:
    """`tarnlight show` on this test's store, as a process in a folder full of namesakes; its address."""
    port, told = free_port(), enrolled.with_name("show.log")
    here = hostile_folder(enrolled.parent / "here")  # nothing in the working folder takes the place of our code
    with told.open("ab") as log:
        process = subprocess.Popen(
            [console_script(), "show", "--port", str(port)], env=environment(enrolled), cwd=here,
            stdout=log, stderr=log)
        wait_for(lambda: listens(port) or process.poll() is not None, 60, "the page listens")
        assert process.poll() is None, told.read_text()
        yield f"http://127.0.0.1:{port}"
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 0


def send(broker: Mosquitto, slug: str, ages_min: range, **values: float | bool) -> None:
    """Readings of a unit, so many minutes old."""
    now = datetime.now(UTC)
    publish(broker.port, f"tarnlight/{slug}/main/log", *(
        senml(now - timedelta(minutes=one), **values) for one in reversed(ages_min)))


def fits(page: Any) -> bool:
    """Whether nothing sticks out sideways."""
    return page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")


def top_of(page: Any, selector: str) -> float:
    """How far down the page's first such element begins."""
    # waits for the element, which goes and comes when the page draws itself anew
    return page.locator(selector).first.evaluate("found => found.getBoundingClientRect().top")


def test_both_pages_say_what_is_known_and_change_by_themselves(
    browser: Any, show: str, mosquitto: Mosquitto, collector: Running
) -> None:
    """From message to words without a reload, at a desk and on a phone."""
    lit = {"lamp": True, "power": True, "intensity": 58.0, "flow": 0.0}
    send(mosquitto, "heron-point", range(0, 10), **lit)
    send(mosquitto, "otter-cove", range(0, 10), **lit)
    page = browser.new_page(viewport=DESKTOP)
    page.goto(show)
    page.get_by_text("1 of 2 cabins needs you now: Otter-Cove (silent).").wait_for(timeout=WORDS_WITHIN_MS)
    page.locator(".tl-clear-line", has_text="Heron-Point").wait_for(timeout=10_000)  # lines follow the headline
    page.locator(".tl-clear-line", has_text="Otter-Cove").wait_for(timeout=WORDS_WITHIN_MS)  # comes second
    assert "This unit has never been heard." in page.locator(LINE).first.inner_text()  # its annex
    assert page.locator(LINE).count() == 1 and "● Clear" in page.locator(".tl-clear-line").inner_text()
    assert "local health authority" in page.inner_text("body")
    page.evaluate("window.neverReloaded = true")

    send(mosquitto, "heron-point", range(0, 1), lamp=False, power=False, intensity=0.0, flow=6.0)
    both = "2 of 2 cabins need you now: Heron-Point (boil); Otter-Cove (silent)."
    page.get_by_text(both).wait_for(timeout=10_000)
    page.locator(LINE, has_text="The power is off").wait_for(timeout=10_000)  # lines follow the headline
    first = page.locator(LINE).first.inner_text()
    assert "■ Boil" in first and "Heron-Point" in first and "The power is off, and the lamp is dark." in first
    assert "Boil tap water before drinking" in first and page.evaluate("window.neverReloaded") and fits(page)

    page.locator(LINE).get_by_role("link", name="Heron-Point").click()
    page.locator(".js-plotly-plot .barlayer .bars").first.wait_for(timeout=WORDS_WITHIN_MS)
    assert "cabin=heron-point&unit=main" in page.url
    page.get_by_role("heading", name="Latest readings").wait_for()
    page.get_by_text("Dark, no power").first.wait_for()
    told = page.inner_text("[data-testid=stMain]")
    for words in ("What to do now", "Latest readings", "Margin to target", "Dark, no power", "Too weak"):
        assert words in told, words
    page.get_by_role("tab", name="Record").click()
    page.get_by_text("Record what was done").first.wait_for()
    assert fits(page)
    page.close()

    phone = browser.new_page(viewport=PHONE)
    phone.goto(f"{show}/cabin?cabin=heron-point&unit=main")  # as a QR code has it
    phone.locator(".tl-verdict").wait_for(timeout=WORDS_WITHIN_MS)
    for selector in (".tl-verdict h1", ".tl-verdict .tl-badge", ".tl-verdict .tl-action"):
        assert top_of(phone, selector) < PHONE["height"], f"{selector} is on the first screen"
    assert "■ Boil" in phone.locator(".tl-verdict").inner_text() and fits(phone)
    phone.goto(show)
    phone.locator(LINE).first.wait_for(timeout=WORDS_WITHIN_MS)
    assert top_of(phone, f"{LINE} .tl-l-do") < PHONE["height"] and fits(phone)
    phone.close()


def test_the_page_waits_for_a_collector_and_comes_back_by_itself(
    browser: Any, show: str, make_collector: Callable[..., Running]
) -> None:
    """Either side restarts without the other."""
    page = browser.new_page(viewport=PHONE)
    page.goto(show)
    page.get_by_role("heading", name="The collector does not answer").wait_for(timeout=WORDS_WITHIN_MS)
    assert "tarnlight collect" in page.inner_text(".tl-box pre") and fits(page)
    one = make_collector(f"mqtt://127.0.0.1:{free_port()}", connected=False)
    page.get_by_text("2 of 2 cabins need you now").wait_for(timeout=20_000)
    one.kill()
    page.get_by_role("heading", name="The collector does not answer").wait_for(timeout=20_000)
    assert page.locator(LINE).count() == 0
    one.start(connected=False)
    page.get_by_text("2 of 2 cabins need you now").wait_for(timeout=20_000)
    page.close()
