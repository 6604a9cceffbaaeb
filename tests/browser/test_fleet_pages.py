"""A real chromium finds the worst of many cabins at a glance, narrows the list, and opens one."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from ingest import private_files
from ingest.actions import transaction
from ingest.db.intake import keep
from ingest.db.schema import rounded
from ingest.evaluation.evaluate import evaluate, owe
from ingest.settings import Settings
from ingest.store import Store
from tests.browser.conftest import CHROMIUM
from tests.browser.test_after_cut import shown
from tests.browser.test_right_cabin import WITHIN_MS, fits
from tests.conftest import MOSQUITTO, REACTOR, Mosquitto, Running, cabin_toml

pytestmark = [
    pytest.mark.browser, pytest.mark.broker,
    pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed (Debian: apt-get install mosquitto)"),
    pytest.mark.skipif(not CHROMIUM.exists(), reason=f"needs {CHROMIUM} (Debian: apt-get install chromium)")]
SIZES = {"desk": {"width": 1440, "height": 900}, "phone": {"width": 390, "height": 844}}
LINE = ".tl-lines > li"


def fill(path: Path, slugs: list[str], dark: set[str], silent: set[str]) -> None:
    """Five hours of each cabin: fine, or dark for the last hour with a tap open, or silent for the last hour."""
    private_files.make_folder(path.parent)
    wall = datetime.now(UTC)
    store = Store(path)
    # the store's time nearly stands still: whoever is clear in the first test is so in the last
    store.con.execute("INSERT INTO clock VALUES ($wall, $wall, 0.001)", {"wall": wall})
    store.close()
    store = Store(path)
    store.act("enroll", {"text": REACTOR + "".join(
        cabin_toml(slug, "main").replace("latitude = 45.4", f"latitude = {45 + 0.01 * number:.2f}")
        for number, slug in enumerate(slugs))})
    now = store.now().replace(second=0, microsecond=0)
    at = pd.date_range(now - timedelta(hours=5), now, freq="60s", tz="UTC")
    parts = []
    for slug in slugs:
        out = (at > now - timedelta(hours=1)) & (slug in dark)
        one = pd.DataFrame({
            "cabin": slug, "unit": "main", "at": at, "lamp_on": ~out, "power_on": ~out,
            "intensity_w_m2": np.where(out, 0.0, 58.0), "flow_l_min": np.where(out, 5.0, 0.0),
            "total_l": 100.0 + 5.0 * np.cumsum(out)})
        parts.append(one[at < now - timedelta(hours=1)] if slug in silent else one)

    def work() -> None:
        rows = rounded(pd.concat(parts, ignore_index=True))
        owe(store.con, keep(store.con, rows=rows, refused=pd.DataFrame(), arrived=now).touched)

    transaction(store.con, work)
    evaluate(store.con, store.now())
    store.close()


@contextmanager
def fleet(folder: Path, slugs: list[str], dark: set[str], silent: set[str]) -> Iterator[str]:
    """The page of such a fleet."""
    path = folder / "data" / "tarnlight.duckdb"
    fill(path, slugs, dark, silent)
    broker = Mosquitto(folder / "mosquitto")
    broker.start()
    running = Running(Settings(store=path, broker=broker.url), folder / "collector.log")
    try:
        running.start()
        with shown(path, folder) as address:
            yield address
    finally:
        if running.process is not None:
            running.kill()
        broker.stop()


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """64 cabins, one at boil and two silent; nothing is changed in them."""
    slugs = [f"cabin-{number:02d}" for number in range(64)]
    with fleet(tmp_path_factory.mktemp("many"), slugs, {"cabin-47"}, {"cabin-11", "cabin-60"}) as address:
        yield address


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Five cabins, one at boil and two silent; nothing is changed in them."""
    slugs = ["pike-narrows", "otter-ledge", "loon-bay", "fox-meadow", "elk-run"]
    with fleet(tmp_path_factory.mktemp("few"), slugs, {"loon-bay"}, {"pike-narrows", "elk-run"}) as address:
        yield address


@pytest.fixture(scope="module")
def twelve(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Twelve cabins at boil; nothing is changed in them."""
    slugs = [f"long-named-cabin-{number:02d}" for number in range(12)]
    with fleet(tmp_path_factory.mktemp("twelve"), slugs, set(slugs), set()) as address:
        yield address


BOTH = ["phone", pytest.param("desk", marks=pytest.mark.slow)]  # where there is less room, more sticks out


@pytest.mark.parametrize("size", BOTH)
def test_the_worst_of_64_cabins_is_on_the_first_screen_and_opens_with_one_press(
    browser: Any, many: str, tmp_path: Path, size: str
) -> None:
    page = browser.new_page(viewport=SIZES[size])
    page.set_default_timeout(WITHIN_MS)
    page.goto(many)
    first = page.locator(LINE).first
    first.get_by_role("link", name="Cabin-47").wait_for()
    box = first.bounding_box()
    assert box["y"] + box["height"] <= SIZES[size]["height"]
    told = first.inner_text()
    assert "■ Boil" in told and "A power cut" in told and "Boil tap water" in told
    assert re.search(r"dark (1 h|\d+ min)", first.locator("img").get_attribute("alt"))
    assert first.locator("img").evaluate("one => one.complete && one.naturalWidth > 0")  # it is drawn
    assert page.locator(LINE).count() == 3  # the clear ones are names in one line
    assert page.locator(".tl-clear-line a").count() == 61
    assert page.locator(".tl-map-mark").count() == 64 and fits(page)

    page.evaluate("window.neverLoaded = true")
    first.get_by_role("link", name="Cabin-47").click()
    page.locator(".tl-verdict", has_text="Cabin-47").wait_for()
    assert "cabin=cabin-47&unit=main" in page.url and page.evaluate("window.neverLoaded")

    page.go_back()
    page.locator(LINE).first.wait_for()
    page.close()


def test_search_and_filter_stay_in_the_address_and_survive_a_reload(
    browser: Any, few: str, tmp_path: Path
) -> None:
    page = browser.new_page(viewport=SIZES["desk"])
    page.set_default_timeout(WITHIN_MS)
    page.goto(few)
    page.locator(LINE).nth(2).wait_for()
    page.get_by_role("button", name="Silent 2").click()
    page.wait_for_url("**show=silent*")
    page.wait_for_function(f"document.querySelectorAll('{LINE}').length === 2")
    page.get_by_placeholder("Search").fill("PIKE")
    page.get_by_placeholder("Search").press("Enter")
    page.wait_for_url("**find=PIKE*")
    page.wait_for_function(f"document.querySelectorAll('{LINE}').length === 1")
    page.reload()
    page.wait_for_function(f"document.querySelectorAll('{LINE}').length === 1")
    assert "Pike-Narrows" in page.locator(LINE).inner_text()
    page.wait_for_function("document.querySelector('input[placeholder^=Search]').value === 'PIKE'")
    page.get_by_placeholder("Search").fill("no such cabin")
    page.get_by_placeholder("Search").press("Enter")
    page.get_by_role("heading", name="No cabin fits this filter").wait_for()
    page.close()

    page = browser.new_page(viewport=SIZES["desk"])  # a link that somebody sent
    page.set_default_timeout(WITHIN_MS)
    page.goto(f"{few}/?show=clear")
    page.wait_for_function(f"document.querySelectorAll('{LINE}').length === 2")
    assert "● Clear" in page.locator(LINE).first.inner_text()
    page.close()


@pytest.mark.parametrize(("size", "screens"), [("desk", 1), ("phone", 2)])
def test_12_cabins_in_trouble_fit(
    browser: Any, twelve: str, tmp_path: Path, size: str, screens: int
) -> None:
    page = browser.new_page(viewport=SIZES[size])
    page.set_default_timeout(WITHIN_MS)
    page.goto(twelve)
    page.locator(LINE).nth(11).wait_for()
    page.locator(".tl-event").wait_for()
    page.wait_for_timeout(1_000)  # the last font has come
    bottom = page.locator(LINE).nth(11).evaluate("one => one.getBoundingClientRect().bottom")
    page.screenshot(path=tmp_path / f"twelve-{size}.png")
    assert bottom <= screens * SIZES[size]["height"] and fits(page), bottom
    page.close()


@pytest.mark.parametrize("size", BOTH)
def test_from_the_fleet_over_time_to_the_cabin_at_that_time_and_its_figures(
    browser: Any, few: str, tmp_path: Path, size: str
) -> None:
    page = browser.new_page(viewport=SIZES[size])
    page.set_default_timeout(WITHIN_MS)
    page.goto(f"{few}/over-time?days=7")
    row = page.locator(".tl-rows > li", has_text="Loon-Bay")
    row.locator(".tl-t-part").last.wait_for()
    assert page.locator(".tl-rows > li").count() == 5 and fits(page)
    page.get_by_text("1 boil advisory raised in 7 days").wait_for()
    assert "dark" in row.locator(".tl-t-part").last.get_attribute("title")
    page.screenshot(path=tmp_path / f"over-time-{size}.png", full_page=True)

    row.locator(".tl-t-part").last.click()
    page.wait_for_url("**/cabin?cabin=loon-bay&unit=main&at=*")
    page.locator(".tl-verdict", has_text="Loon-Bay").wait_for()
    page.get_by_role("button", name="Show up to now").wait_for()
    page.locator(".js-plotly-plot .barlayer .bars").first.wait_for()
    assert fits(page)
    with page.expect_download() as told:
        page.get_by_role("button", name="Figures (CSV)").click()
    rows = Path(told.value.path()).read_text().splitlines()
    assert rows[0].startswith("from,to,margin_mj_cm2,target_mj_cm2,")
    assert told.value.suggested_filename.endswith(".csv")
    names = rows[0].split(",")
    dark_s = sum(float(one.split(",")[names.index("dark_s")]) for one in rows[1:])
    assert 3000 < dark_s < 5400  # an hour, and what went by since
    with page.expect_download() as told:
        page.get_by_role("button", name="Picture (SVG)").click()
    drawn = ElementTree.fromstring(Path(told.value.path()).read_text())
    assert drawn.tag.endswith("svg") and "Loon-Bay, main" in drawn[0].text
    page.get_by_role("button", name="Show up to now").click()
    page.wait_for_function("!location.search.includes('at=')")
    page.get_by_role("button", name="Show up to now").wait_for(state="hidden")
    page.close()
