"""A real chromium sees to several cabins of one event at once, at a desk and on a phone."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from ingest.settings import Settings
from tests.browser.conftest import CHROMIUM
from tests.browser.test_after_cut import shown
from tests.browser.test_right_cabin import SIZES, WITHIN_MS, fits
from tests.conftest import Running, free_port, tarnlight_here
from tests.dashboard.commands.test_advisory_many import store_of_three

__all__ = ["store_of_three"]
playwright = pytest.importorskip("playwright.sync_api", reason="needs the package playwright")
pytestmark = [
    pytest.mark.browser, pytest.mark.slow,  # its rules are held without a browser by views/test_shared_event.py
    pytest.mark.skipif(not CHROMIUM.exists(), reason=f"needs {CHROMIUM} (Debian: apt-get install chromium)")]


@pytest.mark.parametrize("size", ["phone", pytest.param("desk", marks=pytest.mark.slow)])
def test_from_now_to_the_event_and_two_of_its_cabins_confirmed_in_one_press(
    store_of_three: Path, browser: Any, size: str, tmp_path: Path
) -> None:
    (event,) = json.loads(tarnlight_here(store_of_three, "events", "--json").stdout)
    running = Running(
        Settings(store=store_of_three, broker=f"mqtt://127.0.0.1:{free_port()}"), tmp_path / "collector.log")
    running.start(connected=False)
    page = browser.new_page(**SIZES[size])
    page.set_default_timeout(WITHIN_MS)
    try:
        with shown(store_of_three, tmp_path) as address:
            page.goto(address)
            page.locator(".tl-event summary", has_text="3 open").click()
            page.get_by_role("link", name="See to them together").click()
            page.wait_for_url(f"{address}/shared-event?event={event['id']}*")
            page.get_by_text("For which cabins").wait_for()
            assert fits(page)
            page.screenshot(path=tmp_path / f"{size}.png", full_page=True)
            for name in ("Heron-Point, main (a1)", "Loon-Bay, main"):
                page.locator("label", has_text=name).click()
            page.get_by_label("Your name").fill("Kim Or")
            page.get_by_role("button", name="Record for the ticked cabins").click()
            page.get_by_text("2 of 2 done.").wait_for()
            # the ticks come after the words of the same run
            playwright.expect(page.locator("input[type=checkbox]:checked")).to_have_count(0, timeout=WITHIN_MS)
            assert fits(page)
            page.screenshot(path=tmp_path / f"{size}-done.png", full_page=True)
    finally:
        page.close()
        running.kill()
