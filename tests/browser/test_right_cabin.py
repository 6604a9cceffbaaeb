"""A cabin with two units, one at boil and one clear: whose page and whose form one sees, wherever one comes from.

A real chromium, dashboard and collector; no broker is needed, for the readings are in the store before.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from ingest.actions import transaction
from ingest.db.intake import keep
from ingest.db.schema import rounded
from ingest.evaluation.evaluate import evaluate, owe
from ingest.settings import Settings
from ingest.store import Store
from tests.browser.conftest import CHROMIUM
from tests.conftest import REACTOR, Running, cabin_toml, environment, free_port, listens, wait_for

playwright = pytest.importorskip("playwright.sync_api", reason="needs the package playwright")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason=f"needs {CHROMIUM} (Debian: apt-get install chromium)")]
WITHIN_MS = 40_000  # the machine may be busy
SIZES = {
    "desk": {"viewport": {"width": 1280, "height": 900}},
    "phone": {  # Streamlit shuts its list of pages after a choice where the browser says that it is a phone's
        "viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True,
        "user_agent": "Mozilla/5.0 (Linux; Android 14) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/140.0 "
        "Mobile Safari/537.36"}}

# the clear unit comes first in the registry and by its name
UNITS = ("annex", "main")
BOIL, CLEAR, SPARE, OTHER = "Heron-Point, main", "Heron-Point, annex", "Heron-Point, spare", "Otter-Cove"
SAID = ".tl-verdict, .tl-badge, .tl-lines, .tl-map, .tl-card, .tl-next, .tl-unit-here, [data-testid=stForm]"


def fill(path: Path, *more: str) -> None:
    """Heron Point's annex runs fine, `more` units too; its main unit, and Otter Cove's, have been dark with the
    tap open.

    The store's time nearly stands still, so that the annex is as clear in the last test as in the first.
    """
    store = Store(path)
    wall = datetime.now(UTC)
    store.con.execute("INSERT INTO clock VALUES ($wall, $wall, 0.001)", {"wall": wall})
    store.close()
    store = Store(path)
    store.act("enroll", {
        "text": REACTOR + cabin_toml("heron-point", *UNITS, *more) + cabin_toml("otter-cove", "main")})
    now = wall.replace(second=0, microsecond=0)
    at = pd.date_range(now - timedelta(hours=3), now, freq="60s", tz="UTC")
    fine = pd.DataFrame({
        "cabin": "heron-point", "unit": "annex", "at": at, "lamp_on": True, "power_on": True,
        "intensity_w_m2": 58.0, "flow_l_min": 0.0})
    lit = at < now - timedelta(hours=1)
    dark = fine.assign(unit="main", lamp_on=lit, power_on=lit, intensity_w_m2=58.0 * lit, flow_l_min=5.0)
    rows = pd.concat([fine, *(fine.assign(unit=one) for one in more), dark, dark.assign(cabin="otter-cove")])
    none = pd.DataFrame({name: [] for name in ("source", "cabin", "unit", "payload", "reason")})

    def work() -> None:
        owe(store.con, keep(store.con, rows=rounded(rows), refused=none, arrived=now).touched)

    transaction(store.con, work)
    evaluate(store.con, store.now())
    store.close()


class House:
    """The store with its collector and its dashboard, each a process."""

    def __init__(self, folder: Path, *more: str) -> None:
        self.path = folder / "tarnlight.duckdb"
        fill(self.path, *more)
        self.collector = Running(
            Settings(store=self.path, broker=f"mqtt://127.0.0.1:{free_port()}"), folder / "collector.log")
        self.collector.start(connected=False)
        self.port, self.log = free_port(), folder / "show.log"
        self.start_show()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start_show(self) -> None:
        with self.log.open("ab") as log:
            self.show = subprocess.Popen(
                [sys.executable, "-m", "dashboard.cli", "show", "--port", str(self.port)],
                env=environment(self.path), stdout=log, stderr=log, cwd=self.path.parent)
        wait_for(lambda: listens(self.port) or self.show.poll() is not None, 60, "the page listens")
        assert self.show.poll() is None, self.log.read_text()

    def stop_show(self) -> None:
        self.show.send_signal(signal.SIGTERM)
        assert self.show.wait(20) == 0


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """A house of the tests in this file; each leaves it running."""
    one = House(tmp_path_factory.mktemp("house"))
    yield one
    one.stop_show()
    one.collector.kill()


@pytest.fixture(params=["phone", pytest.param("desk", marks=pytest.mark.slow)])
def page(browser: Any, request: pytest.FixtureRequest) -> Iterator[Any]:
    """A page at a desk's width and on a phone."""
    one = browser.new_page(**SIZES[request.param])
    one.set_default_timeout(WITHIN_MS)
    yield one
    one.close()


def named(page: Any, name: str) -> None:
    """Wait until the page is about that unit, and still."""
    playwright.expect(page.locator(".tl-verdict h1")).to_have_text(name, timeout=WITHIN_MS)
    playwright.expect(page.locator('[data-test-script-state="notRunning"]')).to_have_count(1, timeout=WITHIN_MS)


def at(page: Any, path: str, **query: str) -> None:
    """Wait until the address is this one."""
    told = "&".join(f"{key}={value}" for key, value in query.items())
    page.wait_for_url(re.compile(rf"{re.escape(f'/{path}?{told}')}$"), timeout=WITHIN_MS)


def go(page: Any, title: str) -> None:
    """Streamlit's own way to another page: a bar at a desk, behind a button on a phone."""
    button = page.get_by_test_id("stExpandSidebarButton")
    if page.viewport_size["width"] < 500:
        assert button.evaluate("one => getComputedStyle(one, '::after').content") == '"Pages"'
        button.click()
    page.get_by_role("link", name=title, exact=True).click()


def forms(page: Any) -> str:
    """All words in the page's forms, in those of closed parts too."""
    return "\n".join(page.get_by_test_id("stForm").all_text_contents())


def tab(page: Any, name: str) -> None:
    """Open a tab of a cabin's page."""
    page.get_by_role("tab", name=name, exact=True).click()
    page.get_by_role("tab", name=name, exact=True, selected=True).wait_for()


def fits(page: Any) -> bool:
    """Whether nothing sticks out sideways."""
    return page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")


def test_a_cabin_without_a_unit_opens_at_its_worst_with_the_others_words_beside_it(page: Any, house: House) -> None:
    page.goto(f"{house.address}/cabin?cabin=heron-point")
    named(page, BOIL)
    assert "■ Boil" in page.locator(".tl-verdict").inner_text() and fits(page)
    at(page, "cabin", cabin="heron-point", unit="main")  # it stays this unit when another becomes worse
    assert page.locator(".tl-unit-here").inner_text() == "■ Boil: main"
    other = page.get_by_role("link", name="● Clear: annex")
    assert other.bounding_box()["y"] < page.locator(".tl-verdict").bounding_box()["y"]
    other.click()
    named(page, CLEAR)
    at(page, "cabin", cabin="heron-point", unit="annex")
    warning = page.locator(".tl-warning")
    playwright.expect(warning).to_have_text(
        "■ This page is about annex only. In the same cabin main is at boil.", timeout=WITHIN_MS)
    assert page.get_by_role("link", name="■ Boil: main").count() == 1 and fits(page)
    page.go_back()
    named(page, BOIL)
    at(page, "cabin", cabin="heron-point", unit="main")


def test_cabin_and_unit_go_along_from_page_to_page_back_and_on_reload(page: Any, house: House) -> None:
    chosen = {"cabin": "heron-point", "unit": "annex"}
    page.goto(f"{house.address}/cabin?cabin=heron-point&unit=annex")
    named(page, CLEAR)
    page.get_by_role("heading", name="Refused records of this unit").wait_for()
    for title, path in (("After a power cut", "after-cut"), ("One cabin", "cabin")):
        go(page, title)
        at(page, path, **chosen)
        named(page, CLEAR)
        assert BOIL not in forms(page) and OTHER not in forms(page)
    page.go_back()  # once is enough: no entry of the history is in between
    at(page, "after-cut", **chosen)
    named(page, CLEAR)
    page.go_back()
    at(page, "cabin", **chosen)
    # the heading is that of both pages: only what the page ends with says that it is drawn
    page.get_by_role("heading", name="Refused records of this unit").wait_for()
    named(page, CLEAR)
    page.go_forward()
    at(page, "after-cut", **chosen)
    page.reload()
    named(page, CLEAR)
    at(page, "after-cut", **chosen)

    # through pages that are about no unit
    go(page, "Now")
    page.locator(".tl-lines").first.wait_for()
    at(page, "", **chosen)
    page.reload()
    page.locator(".tl-lines").first.wait_for()
    go(page, "Advisories")
    at(page, "advisories", **chosen)
    page.get_by_text("Raise one by hand").click()
    page.get_by_role("button", name=f"Raise a boil advisory for {CLEAR}").wait_for()
    go(page, "After a power cut")
    at(page, "after-cut", **chosen)
    named(page, CLEAR)

    # a link that names another unit is followed
    go(page, "Now")
    page.locator(".tl-lines > li").get_by_role("link", name=BOIL).click()
    named(page, BOIL)
    page.get_by_role("link", name=re.compile("What to do step by step")).click()
    at(page, "after-cut", cabin="heron-point", unit="main")
    named(page, BOIL)


@pytest.mark.slow
def test_every_form_says_whose_it_is_in_its_heading_and_its_button(page: Any, house: House) -> None:
    page.goto(f"{house.address}/cabin?cabin=heron-point&unit=main")
    named(page, BOIL)
    tab(page, "Record")
    page.get_by_role("heading", name=f"Record what was done at {BOIL}").wait_for()
    page.get_by_role("button", name=f"Record for {BOIL}").wait_for()
    tab(page, "Telling")
    page.get_by_role("button", name=f"Confirm for {BOIL}, so that nobody else is called").wait_for()
    assert page.get_by_role("heading", name=f"The advisory of {BOIL}: confirm that it was read").count() == 1

    go(page, "After a power cut")
    named(page, BOIL)
    page.get_by_text("Lift it although steps are undone", exact=True).click()
    page.get_by_role("heading", name=f"Lift the notice for {BOIL}").wait_for()
    page.get_by_role("button", name=f"Lift the notice, for {BOIL}").wait_for()
    for form in page.get_by_test_id("stForm").all():
        assert BOIL in form.get_by_role("heading").first.inner_text()
        assert BOIL in form.get_by_test_id("stFormSubmitButton").inner_text()

    # the reader picks another one: its form, and nothing of the one before
    page.goto(f"{house.address}/cabin?cabin=heron-point&unit=main")
    named(page, BOIL)
    tab(page, "Record")
    page.get_by_label("Note (a lamp's serial").fill("of the main unit")
    page.get_by_role("link", name="● Clear: annex").click()
    named(page, CLEAR)
    tab(page, "Record")
    page.get_by_role("button", name=f"Record for {CLEAR}").wait_for()
    assert page.get_by_label("Note (a lamp's serial").input_value() == ""


def test_a_step_is_recorded_for_the_unit_that_was_gone_along_with(browser: Any, house: House) -> None:
    page = browser.new_page(**SIZES["desk"])
    page.set_default_timeout(WITHIN_MS)
    page.goto(f"{house.address}/cabin?cabin=heron-point&unit=annex")
    named(page, CLEAR)
    go(page, "After a power cut")
    at(page, "after-cut", cabin="heron-point", unit="annex")
    named(page, CLEAR)
    page.go_back()
    at(page, "cabin", cabin="heron-point", unit="annex")
    named(page, CLEAR)
    tab(page, "Record")
    page.get_by_label("Who did it (name)").fill("Ada Brook")
    page.get_by_role("button", name=f"Record for {CLEAR}").click()
    page.get_by_text(f"{CLEAR}: lamp swapped").wait_for()
    found = house.collector.client().ask("SELECT cabin, unit, who FROM service_event")
    assert found.to_dict("records") == [{"cabin": "heron-point", "unit": "annex", "who": "Ada Brook"}]
    page.close()


@pytest.mark.parametrize("path", ["cabin", pytest.param("after-cut", marks=pytest.mark.slow)])
@pytest.mark.parametrize(("query", "words"), [
    ("cabin=nowhere", "No cabin 'nowhere' is enrolled"),
    ("cabin=heron-point&unit=attic", "Cabin 'heron-point' has no unit 'attic'"),
    ("unit=main", "The address names a unit 'main' and no cabin"),
])
def test_an_address_that_names_nothing_enrolled_says_so_and_shows_nobodys_form(
    browser: Any, house: House, path: str, query: str, words: str
) -> None:
    page = browser.new_page(**SIZES["phone"])
    page.set_default_timeout(WITHIN_MS)
    page.goto(f"{house.address}/{path}?{query}")
    page.get_by_role("heading", name=words).wait_for()
    playwright.expect(page.locator('[data-test-script-state="notRunning"]')).to_have_count(1, timeout=WITHIN_MS)
    assert page.locator(SAID).count() == 0 and fits(page)
    go(page, "Advisories")  # nor does the form there take another's
    page.get_by_text("Only a named person lifts an advisory.").wait_for()
    page.get_by_role("heading", name=words).wait_for()
    assert page.get_by_test_id("stForm").count() == 0
    page.close()


def test_an_unknown_unit_leads_to_the_cabins_own_units(browser: Any, house: House) -> None:
    page = browser.new_page(**SIZES["phone"])
    page.set_default_timeout(WITHIN_MS)
    page.goto(f"{house.address}/after-cut?cabin=heron-point&unit=attic")
    page.get_by_role("link", name=BOIL).click()
    named(page, BOIL)
    at(page, "after-cut", cabin="heron-point", unit="main")
    page.close()


# Nothing stale -----------------------------------------------------------------------------------

# Notes each change of the page in which words of before stand beside the words that nobody answers.
WATCH = """said => {
  window.beside = [];
  new MutationObserver(() => {
    const heads = [...document.querySelectorAll('.tl-box h2')].map(one => one.textContent);
    const silent = heads.includes('The collector does not answer');
    const left = document.querySelectorAll(said);
    if (silent && left.length) window.beside.push([...left].map(one => one.className).join(' '));
  }).observe(document.body, {subtree: true, childList: true, characterData: true});
}"""
PAGES = {"": ".tl-lines", "cabin": ".tl-verdict", "after-cut": ".tl-verdict", "advisories": ".tl-card"}


@pytest.mark.parametrize(("path", "how"), [
    ("", "hanging"), ("after-cut", "killed"),
    *(pytest.param(path, how, marks=pytest.mark.slow) for path in PAGES for how in ("killed", "hanging")
      if (path, how) not in {("", "hanging"), ("after-cut", "killed")})])
def test_when_the_collector_does_not_answer_nothing_of_before_stays(
    browser: Any, house: House, path: str, how: str
) -> None:
    page = browser.new_page(**SIZES["phone"])
    page.set_default_timeout(WITHIN_MS)
    page.goto(f"{house.address}/{path}?cabin=heron-point&unit=main")
    page.locator(PAGES[path]).first.wait_for()
    page.evaluate(WATCH, SAID)
    assert house.collector.process is not None
    if how == "killed":
        house.collector.kill()
    else:
        os.kill(house.collector.process.pid, signal.SIGSTOP)
    try:
        page.get_by_role("heading", name="The collector does not answer").wait_for()
        assert page.locator(SAID).count() == 0
        page.wait_for_timeout(3_000)  # parts that draw themselves anew have had their turn
        assert page.locator(SAID).count() == 0 and page.evaluate("window.beside") == []
    finally:
        if how == "killed":
            house.collector.start(connected=False)
        else:
            os.kill(house.collector.process.pid, signal.SIGCONT)
    page.locator(PAGES[path]).first.wait_for()
    at(page, path, cabin="heron-point", unit="main")
    page.close()


def test_a_page_that_lost_its_program_shows_nothing_of_before(browser: Any, house: House) -> None:
    page = browser.new_page(**SIZES["phone"])
    page.set_default_timeout(WITHIN_MS)
    page.goto(f"{house.address}/cabin?cabin=heron-point&unit=annex")
    named(page, CLEAR)
    house.stop_show()
    try:
        page.locator(".tl-verdict").wait_for(state="hidden")
        told = page.evaluate(
            "getComputedStyle(document.querySelector('[data-testid=stMainBlockContainer]'), '::before').content")
        assert "Not known is never clear" in told
        visible = [one for one in page.locator(SAID).all() if one.is_visible()]
        assert visible == []
    finally:
        house.start_show()
    page.locator(".tl-verdict").wait_for()
    named(page, CLEAR)
    page.close()
