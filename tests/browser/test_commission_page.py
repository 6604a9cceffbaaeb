"""The page of commissioning: an item recorded on a phone and at a desk, the list of a season, nothing sticking out.

A real chromium, dashboard and collector; no broker is needed, for the readings are in the store before.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.browser import test_right_cabin
from tests.browser.conftest import CHROMIUM
from tests.browser.test_right_cabin import SIZES, WITHIN_MS, House, fits, tab

pytestmark = [
    pytest.mark.browser, pytest.mark.slow,  # its rules are held without a browser by views/test_commission.py
    pytest.mark.skipif(not CHROMIUM.exists(), reason=f"needs {CHROMIUM} (Debian: apt-get install chromium)")]
house = test_right_cabin.house  # one of these tests' own


@pytest.mark.parametrize(("size", "scheme", "unit"), [("phone", "light", "annex"), ("desk", "dark", "main")])
def test_an_item_is_recorded_and_the_season_has_a_list_of_its_own(
    browser: Any, house: House, size: str, scheme: str, unit: str
) -> None:
    page = browser.new_page(**SIZES[size], color_scheme=scheme)
    page.set_default_timeout(WITHIN_MS)
    page.goto(f"{house.address}/cabin?cabin=heron-point&unit={unit}")
    tab(page, "Record")
    page.get_by_text("Commissioning, seasonal shut-down and start-up →").click()
    name = f"Heron-Point, {unit}"
    page.get_by_text(f"{name}: nothing of this commissioning is on record").wait_for()
    assert f"unit={unit}" in page.url and fits(page)
    page.get_by_role("button", name="Hung level, or upright").click()
    page.get_by_label("Who says so (name)").first.fill("Ann Lund")
    page.get_by_role("button", name=f"Record for {name}").click()
    page.get_by_text("Hung level, or upright: done, by Ann Lund.").wait_for()
    page.get_by_text(f"{name}: commissioning not finished, 10 of 11 items open").wait_for()
    assert fits(page)
    page.get_by_text("Seasonal shut-down", exact=True).click()
    page.get_by_text("Frost: not known.").wait_for()
    page.get_by_text(f"{name}: nothing of this seasonal shut-down is on record").wait_for()
    assert fits(page)
    page.close()
