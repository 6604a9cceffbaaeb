"""Every page can be read and worked by whoever comes: axe-core finds nothing of ours, and focus is seen.

Rules: axe-core's of WCAG 2.0 to 2.2, levels A and AA. Contrast of focus: WCAG 2.2, success criteria 1.4.11 and
2.4.7 (models/SOURCES.md, section 16), measured on the pixels that change.
"""

from __future__ import annotations

import io
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from PIL import Image

from ingest.settings import Settings
from ingest.store import Store
from tests import contrast
from tests.browser.conftest import CHROMIUM
from tests.browser.shots import WIDTHS
from tests.conftest import FLEET_TOML, Running, environment, free_port, listens, wait_for
from tests.dashboard.views.test_app import fill
from tests.lamp_fleet import NAMES, lamp_store, slug

pytest.importorskip("playwright.sync_api", reason="needs the package playwright")
axe_playwright = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason=f"needs {CHROMIUM} (Debian: apt-get install chromium)")]
WITHIN_MS = 40_000
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"]
DARK = "cabin=otter-cove&unit=main"  # a power cut with the tap open
# page: its address, what is there once it is drawn, and its title
PAGES = {
    "now": ("", ".tl-lines > li", "Now | tarnlight"),
    "over-time": ("over-time", ".tl-rows > li", "Over time | tarnlight"),
    "cabin": (f"cabin?{DARK}", ".js-plotly-plot .main-svg", "Otter-Cove, main | One cabin | tarnlight"),
    "after-cut": (
        f"after-cut?{DARK}", ".js-plotly-plot .main-svg", "Otter-Cove, main | After a power cut | tarnlight"),
    "record": (f"cabin?{DARK}&tab=Record", "[data-testid=stForm]", "Otter-Cove, main | One cabin | tarnlight"),
    "telling": (f"cabin?{DARK}&tab=Telling", ".tl-form", "Otter-Cove, main | One cabin | tarnlight"),
    "advisories": ("advisories", ".tl-headline", "Advisories | tarnlight"),
    "shared-event": ("shared-event", ".tl-headline", "Shared event | tarnlight"),
    "lamps": ("lamps", ".tl-lives", "Lamps | tarnlight"),
    "visits": ("visits", ".js-plotly-plot .main-svg", "Visits | tarnlight"),
    "commission": (f"commission?{DARK}", ".tl-headline", "Otter-Cove, main | Set up | tarnlight"),
    "cabins": ("cabins", ".tl-entry", "Cabins | tarnlight"),
    "system": ("system", ".tl-table", "System | tarnlight"),
    "notice": (f"notice?{DARK}", "h1", "Otter-Cove, main: Boil | tarnlight"),
}
# Of the framework's own markup, which no page of ours can change: rule, part of the element's HTML, why it stays.
NOT_OURS: tuple[tuple[str, str, str], ...] = ()


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The dashboard over lamps with a past, a cabin that is fine, one dark, one never heard, and a refusal."""
    path = tmp_path_factory.mktemp("accessible") / "tarnlight.duckdb"
    lamp_store(path, now=datetime.now(UTC))
    store = Store(path)
    store.act("enroll", {"text": FLEET_TOML})
    store.act("advisory-raise", {"cabin": slug(NAMES[0]), "unit": "main", "by": "Ann Lund"})
    store.act("advisory-lift", {"advisory": "a1", "by": "Ann Lund", "reason": "a mistake"})
    store.close()
    fill(path)
    one = Running(Settings(store=path, broker=f"mqtt://127.0.0.1:{free_port()}"), path.with_name("collector.log"))
    one.start(connected=False)
    port = free_port()
    with path.with_name("show.log").open("ab") as log:
        page = subprocess.Popen(
            [sys.executable, "-m", "dashboard.cli", "show", "--port", str(port)], env=environment(path), stdout=log,
            stderr=log, cwd=path.parent)
        try:
            wait_for(lambda: listens(port), 60, "the page listens")
            yield f"http://127.0.0.1:{port}"
        finally:
            page.send_signal(signal.SIGTERM)
            page.wait(20)
            one.kill()


@pytest.fixture(scope="module")
def page(browser: Any) -> Iterator[Any]:
    """One page for all tests here: what the browser has fetched, it keeps."""
    one = browser.new_page(viewport=WIDTHS["desk"], color_scheme="light")
    one.set_default_timeout(WITHIN_MS)
    yield one
    one.close()


def at(page: Any, address: str, name: str) -> None:
    """Open a page, and all that opens on it."""
    turned(page, "desk", "light")
    where, there, title = PAGES[name]
    page.goto(f"{address}/{where}")
    page.locator(there).first.wait_for()
    page.wait_for_function("title => document.title === title", arg=title)
    if name != "notice":
        page.locator('[data-test-script-state="notRunning"]').wait_for()
    page.evaluate("() => document.querySelectorAll('details').forEach(one => { one.open = true })")


def turned(page: Any, width: str, mode: str) -> None:
    """The same page at another width or in the other mode, as where a phone is turned or the evening comes."""
    page.set_viewport_size(WIDTHS[width])
    page.emulate_media(color_scheme=mode)
    page.wait_for_timeout(350)  # transitions of colour


def violations(page: Any) -> list[str]:
    """What axe-core finds that is not on the list of exceptions, each with its element."""
    for _ in range(3):  # where the page drew itself anew in that very moment, there was nothing to judge
        found = axe_playwright.Axe().run(page, options={
            "runOnly": {"type": "tag", "values": TAGS}, "resultTypes": ["violations"]}).response
        if judged := {"color-contrast", "html-has-lang"} <= {one["id"] for one in found["passes"]}:
            break
        page.wait_for_timeout(500)
    assert judged
    return [
        f"{one['id']}: {node['html'][:160]} at {node['target']}: {node['failureSummary'][:300]}"
        for one in found["violations"] for node in one["nodes"]
        if not any(one["id"] == rule and part in node["html"] for rule, part, _ in NOT_OURS)]


@pytest.mark.parametrize("looks", [
    pytest.param((("desk", "light"), ("phone", "dark")), id="two"),
    pytest.param((("desk", "dark"), ("phone", "light")), id="other-two", marks=pytest.mark.slow)])
@pytest.mark.parametrize("name", PAGES)
def test_axe_core_finds_nothing_of_ours(
    page: Any, address: str, name: str, looks: tuple[tuple[str, str], ...]
) -> None:
    at(page, address, name)
    poor = {}
    for width, mode in looks:
        turned(page, width, mode)
        if found := violations(page):
            poor[width, mode] = found
    assert poor == {}
    levels = page.evaluate(
        "() => [...document.querySelectorAll('h1, h2, h3, h4, h5, h6')].filter(one => one.checkVisibility())"
        ".map(one => Number(one.tagName[1]))")
    assert levels.count(1) == 1, levels
    assert all(then <= before + 1 for before, then in pairwise(levels)), levels
    unnamed = page.evaluate(
        "() => [...document.querySelectorAll('[data-testid=stPlotlyChart]')].filter(one => !(one.getAttribute("
        "'aria-label') || one.querySelector('[role=img][aria-label]'))).length")
    assert unnamed == 0


def test_a_poor_contrast_would_be_found(page: Any, address: str) -> None:
    at(page, address, "system")
    page.evaluate("() => { document.querySelector('.tl-note').style.color = '#bbbbbb' }")
    assert any(one.startswith("color-contrast") for one in violations(page))


@pytest.mark.parametrize(("name", "mode", "stops"), [
    ("now", "dark", 18), pytest.param("cabin", "light", 40, marks=pytest.mark.slow)])
def test_who_goes_by_keyboard_sees_where(page: Any, address: str, name: str, mode: str, stops: int) -> None:
    """Around each stop as many pixels change by 3:1 as a line of one pixel around it has."""
    at(page, address, name)
    turned(page, "desk", mode)
    unseen, seen = [], 0
    for _ in range(stops):
        page.keyboard.press("Tab")
        stop = page.evaluate_handle("() => document.activeElement")
        if stop.evaluate("one => one === document.body"):
            break
        told = ring(page, stop)
        told = told if told[1] >= told[2] else ring(page, stop)  # the page may have drawn itself anew meanwhile
        seen += 1
        if told[1] < told[2]:
            unseen.append(told)
    assert unseen == [] and seen > 14


def ring(page: Any, stop: Any) -> tuple[str, int, int]:
    """What a stop is; how many pixels change by 3:1 as it loses focus; how many a line around it has."""
    what, x, y, wide, high, around = stop.evaluate(
        "one => { const box = one.getBoundingClientRect(); const parts = [...one.getClientRects()];"
        " return [one.outerHTML.slice(0, 120), box.x, box.y, box.width, box.height,"
        " parts.reduce((sum, part) => sum + 2 * (part.width + part.height), 0)] }")
    clip = {"x": max(0, x - 8), "y": max(0, y - 8), "width": wide + 16, "height": high + 16}
    page.wait_for_timeout(100)
    focused = page.screenshot(clip=clip)
    stop.evaluate("one => one.blur()")
    page.wait_for_timeout(100)
    before, after = (np.asarray(Image.open(io.BytesIO(one)).convert("RGB"), float)
                     for one in (page.screenshot(clip=clip), focused))
    stop.evaluate("one => one.focus()")
    where = np.argwhere(np.abs(before - after).max(axis=2) > 8)
    ratios = [contrast.ratio(tuple(before[y, x]), tuple(after[y, x])) for y, x in where]
    return what, sum(one >= contrast.MARKS for one in ratios), int(around)
