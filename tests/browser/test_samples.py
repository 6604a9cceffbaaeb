"""What a laboratory found, and a water test typed as a ratio, through the cabin's page on a phone.

A real chromium, dashboard and collector; no broker is needed, for the readings are in the store before.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.browser.test_right_cabin import CHROMIUM, CLEAR, FLAGS, SIZES, WITHIN_MS, House, fits, named, playwright

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason=f"needs {CHROMIUM} (Debian: apt-get install chromium)")]


@pytest.fixture
def house(tmp_path) -> Iterator[House]:
    """A house of this test's own: its clear unit does not stay so."""
    one = House(tmp_path)
    yield one
    one.stop_show()
    one.collector.kill()


def fill_in(page: Any, label: str, text: str) -> None:
    page.get_by_label(label).fill(text)


def test_a_ratio_is_asked_about_and_a_failing_sample_turns_a_clear_tap_to_boil(house: House, tmp_path) -> None:
    with playwright.sync_playwright() as player:
        browser = player.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        page = browser.new_page(**SIZES["phone"])
        page.set_default_timeout(WITHIN_MS)
        try:
            story(page, house)
        finally:
            page.screenshot(path=tmp_path / "last.png", full_page=True)
            browser.close()


def story(page: Any, house: House) -> None:
    page.goto(f"{house.address}/cabin?cabin=heron-point&unit=annex")
    named(page, CLEAR)
    record = page.get_by_role("button", name=f"Record for {CLEAR}")
    pick(page, "Water tested")
    fill_in(page, "Who did it (name)", "Ada Brook")
    fill_in(page, "Value, where there is one", "0.88")
    record.click()
    page.get_by_text("0.88: did you mean 88 %?").wait_for()
    page.get_by_role("button", name=f"Record 88 % for {CLEAR}").click()
    page.get_by_text(f"{CLEAR}: water tested").wait_for()
    playwright.expect(page.get_by_text("did you mean 88 %?")).to_have_count(0, timeout=WITHIN_MS)
    client = house.collector.client()
    assert client.ask("SELECT kind, value FROM service_event").to_dict("records") == [
        {"kind": "water-tested", "value": 88.0}]

    page.reload()
    named(page, CLEAR)
    pick(page, "Sampled")
    fill_in(page, "Who did it (name)", "Ada Brook")
    page.get_by_text("A water sample: what the laboratory found").click()
    fill_in(page, "E. coli per 100 mL", "12")
    fill_in(page, "Total coliforms per 100 mL", "30")
    fill_in(page, "Laboratory", "Lakes Lab")
    fill_in(page, "Sample number", "W-17")
    assert fits(page)
    record.click()
    page.get_by_text("Not satisfactory, unsafe to drink unboiled: E. coli 12, total coliforms 30").wait_for()
    playwright.expect(page.locator(".tl-verdict .tl-badge")).to_have_text("■ Boil", timeout=WITHIN_MS)
    page.get_by_text("A boil advisory stands because of a water sample that was not satisfactory").first.wait_for()


def pick(page: Any, what: str) -> None:
    """Choose what was done; the list shuts where the page draws itself anew just then."""
    option = page.get_by_role("option", name=what, exact=True)
    for _ in range(5):
        named(page, CLEAR)
        page.get_by_role("combobox", name="What was done").click()
        try:
            option.click(timeout=WITHIN_MS / 10)
            return
        except playwright.TimeoutError:
            continue
    raise AssertionError(f"the list does not show {what!r}")
