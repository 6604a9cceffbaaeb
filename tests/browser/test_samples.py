"""What a laboratory found, a water test typed as a ratio, a sensor check and its withdrawal, on a phone.

A real chromium, dashboard and collector; no broker is needed, for the readings are in the store before.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.browser.conftest import CHROMIUM
from tests.browser.test_right_cabin import (
    CLEAR,
    SIZES,
    SPARE,
    WITHIN_MS,
    House,
    fits,
    named,
    playwright,
    tab,
)

pytestmark = [
    pytest.mark.browser, pytest.mark.slow,  # its rules are held without a browser by views/test_sample_forms.py
    pytest.mark.skipif(not CHROMIUM.exists(), reason=f"needs {CHROMIUM} (Debian: apt-get install chromium)")]


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """A house of these tests' own: its clear units do not stay so. Each test has one of them."""
    one = House(tmp_path_factory.mktemp("house"), "spare")
    yield one
    one.stop_show()
    one.collector.kill()


def fill_in(page: Any, label: str, text: str) -> None:
    page.get_by_label(label).fill(text)


@pytest.mark.parametrize("told", ["sample", pytest.param("check", marks=pytest.mark.slow)])
def test_on_a_phone(browser: Any, house: House, tmp_path, told: str) -> None:
    """A ratio is asked about, a failing sample turns a clear tap to boil; a check of 1.6 does, until withdrawn."""
    page = browser.new_page(**SIZES["phone"])
    page.set_default_timeout(WITHIN_MS)
    try:
        {"sample": sample, "check": check}[told](page, house)
    finally:
        page.screenshot(path=tmp_path / "last.png", full_page=True)
        page.close()


def sample(page: Any, house: House) -> None:
    page.goto(f"{house.address}/cabin?cabin=heron-point&unit=annex")
    named(page, CLEAR)
    tab(page, "Record")
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
    assert client.ask("SELECT kind, value FROM service_event WHERE unit = 'annex'").to_dict("records") == [
        {"kind": "water-tested", "value": 88.0}]

    page.reload()
    named(page, CLEAR)
    page.get_by_role("tab", name="Record", selected=True).wait_for()  # the address kept it
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


def check(page: Any, house: House) -> None:
    page.goto(f"{house.address}/cabin?cabin=heron-point&unit=spare")
    named(page, SPARE)
    tab(page, "Record")
    pick(page, "Sensor checked", SPARE)
    fill_in(page, "Who did it (name)", "Ada Brook")
    fill_in(page, "Value, where there is one", "1.6")
    page.get_by_role("button", name=f"Record for {SPARE}").click()
    page.get_by_text("1.60 of the reference, above the limit of 1.2: it reads 60 % too high").first.wait_for()
    badge = page.locator(".tl-verdict .tl-badge")
    playwright.expect(badge).not_to_have_text("● Clear", timeout=WITHIN_MS)
    tab(page, "Readings")
    page.get_by_text("divided by 1.6").first.wait_for()
    tab(page, "Record")
    assert fits(page)

    page.reload()
    named(page, SPARE)
    page.get_by_text("A record is wrong: withdraw or correct it").click()
    pick(page, re.compile("sensor-checked 1.6 by Ada Brook"), SPARE, box="Record")
    fill_in(page, "Your name", "Bo Dahl")
    fill_in(page, "Why", "the wrong unit's sensor")
    page.get_by_role("button", name=f"Withdraw or correct, for {SPARE}").click()
    page.get_by_text("WITHDRAWN by Bo Dahl (the wrong unit's sensor), counts no longer").wait_for()
    assert page.locator("s", has_text="Sensor checked").count() == 1 and fits(page)
    client = house.collector.client()
    assert client.ask("SELECT count(*) AS n FROM service_done WHERE unit = 'spare'")["n"].iloc[0] == 0
    assert client.ask("SELECT dose_low_mj_cm2 AS d FROM present WHERE unit = 'spare'")["d"].iloc[0] > 0


def pick(page: Any, what: str | re.Pattern[str], unit: str = CLEAR, box: str = "What was done") -> None:
    """Choose from a list; it shuts where the page draws itself anew just then."""
    option = page.get_by_role("option", name=what, exact=True)
    for _ in range(5):
        named(page, unit)
        page.get_by_role("combobox", name=box, exact=box == "Record").click()
        try:
            option.click(timeout=WITHIN_MS / 10)
            return
        except playwright.TimeoutError:
            continue
    raise AssertionError(f"the list does not show {what!r}")
