"""A real chromium reads the pages of the lamps and of the trips, at a desk and on a phone."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import icalendar
import pandas as pd
import pytest

from ingest.settings import Settings
from tests.browser.conftest import CHROMIUM
from tests.conftest import Running, environment, free_port, listens, wait_for
from tests.lamp_fleet import NAMES, lamp_store, slug

pytest.importorskip("playwright.sync_api", reason="needs the package playwright")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason=f"needs {CHROMIUM} (Debian: apt-get install chromium)"),
]
DESKTOP, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
SIZES = [pytest.param(DESKTOP, id="desk", marks=pytest.mark.slow), pytest.param(PHONE, id="phone")]
READY = {"lamps": ".tl-lives", "visits": ".js-plotly-plot .main-svg"}  # what stands last of what is looked at
WITHIN_MS = 40_000  # of a page's first opening, a fit included; the machine may be busy


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The dashboard over a collector whose store holds a simulated fleet's ageing; no broker is needed."""
    path = tmp_path_factory.mktemp("pages") / "tarnlight.duckdb"
    lamp_store(path, now=datetime.now(UTC))
    one = Running(Settings(store=path, broker=f"mqtt://127.0.0.1:{free_port()}"), path.with_name("collector.log"))
    one.start(connected=False)
    port = free_port()
    with path.with_name("show.log").open("ab") as log:
        page = subprocess.Popen(
            [sys.executable, "-m", "dashboard.cli", "show", "--port", str(port)],
            env=environment(path),
            stdout=log,
            stderr=log,
        )
        try:
            wait_for(lambda: listens(port), 60, "the page listens")
            yield f"http://127.0.0.1:{port}"
        finally:
            page.send_signal(signal.SIGTERM)
            page.wait(20)
            one.kill()


@pytest.fixture(scope="module")
def opened(address: str, browser: Any) -> Callable[[str, dict[str, int]], Any]:
    """Opens a page of ours at a size, once its first drawing is there; notes requests that leave this machine."""

    def open_page(name: str, size: dict[str, int]) -> Any:
        page = browser.new_page(viewport=size, accept_downloads=True)
        page.strangers = []
        page.on(
            "request",
            lambda request: (
                page.strangers.append(request.url)
                if "127.0.0.1" not in request.url and not request.url.startswith(("data:", "blob:"))
                else None
            ),
        )
        page.goto(f"{address}/{name}")
        page.locator(READY[name.split("?")[0]]).first.wait_for(timeout=WITHIN_MS)
        return page

    return open_page


def fits(page: Any) -> bool:
    """Whether nothing sticks out sideways."""
    return page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")


def bottom_of(page: Any, selector: str) -> float:
    box = page.locator(selector).first.bounding_box()
    return box["y"] + box["height"]


@pytest.mark.parametrize("size", SIZES)
def test_the_lamps_page_says_who_is_due_and_draws_each_lamp(
    opened: Callable[..., Any], size: dict[str, int]
) -> None:
    page = opened("lamps", size)
    told = page.inner_text("[data-testid=stMain]")
    headline = page.inner_text(".tl-headline")
    assert "below" in headline or "somebody within 30 days" in headline or "Nothing has to be done" in headline
    assert bottom_of(page, ".tl-headline") < size["height"]  # the first screen
    for name in NAMES:
        assert name in told
    assert "held out: the 80 % interval held" in told and "local health authority" in told
    assert "Sensor checks" in told and fits(page)
    # a line a lamp, all of them on one screen of a desk, a few on one of a phone; each in the order of its mark
    assert page.locator("li.tl-lamp").count() == page.locator(".tl-lives li").count() == len(NAMES)
    row = page.locator("li.tl-lamp").first.bounding_box()
    assert row["height"] < (60 if size is DESKTOP else 150)
    assert bottom_of(page, "li.tl-lamp:last-child") < size["height"] or size is PHONE
    marks = [one.split()[-2:] for one in page.locator("li.tl-lamp .tl-l-mark").all_inner_texts()]
    order = [["Below", "need"], ["▲", "Due"], ["Not", "known"], ["Above", "need"]]
    assert [order.index(one) for one in marks] == sorted(order.index(one) for one in marks)
    # nothing is drawn in full until somebody asks for it; a drawing has today in its middle
    assert page.locator(".js-plotly-plot").count() == 0
    page.get_by_role("combobox").press("ArrowDown")  # a press by mouse scrolls first, which shuts the list
    page.get_by_role("option").first.wait_for(timeout=WITHIN_MS)
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    page.locator(".js-plotly-plot .main-svg").first.wait_for(timeout=WITHIN_MS)
    assert "needs" in page.inner_text(".js-plotly-plot") and "today" in page.inner_text(".js-plotly-plot")
    assert fits(page)
    page.close()


@pytest.mark.parametrize("size", SIZES)
def test_the_visits_page_draws_routes_without_a_map_from_anywhere(
    opened: Callable[..., Any], size: dict[str, int]
) -> None:
    page = opened("visits", size)
    told = page.inner_text("[data-testid=stMain]")
    assert "The next is on" in page.inner_text(".tl-headline")
    drawn = page.inner_text(".js-plotly-plot")
    assert {"S", "1", "N"} <= set(drawn.split()) and "km" in drawn
    assert not any(name in drawn for name in NAMES)  # names stand in the list, not over the stops
    assert "Load for all trips" in told and "no calendar: ask" in told and "ask before you go" in told
    first = page.locator(".tl-stops").first.inner_text()
    assert first.split()[0] == "1" and any(name in first for name in NAMES)
    assert bottom_of(page, ".tl-parts") < size["height"]  # what to load is on the first screen
    assert fits(page) and page.strangers == []
    page.close()


@pytest.mark.parametrize("name", ["lamps", pytest.param("visits", marks=pytest.mark.slow)])
def test_cautions_stand_once_open_at_a_desk_and_with_the_first_in_sight_on_a_phone(
    opened: Callable[..., Any], name: str
) -> None:
    power, mercury = "Before anything is opened: power off and unplugged.", "A broken lamp holds mercury"
    page = opened(name, DESKTOP)
    assert page.locator(".tl-care").count() == 1
    assert page.get_by_text(power).bounding_box()["y"] < page.get_by_text(mercury).bounding_box()["y"]
    page.close()
    page = opened(name, PHONE)
    assert page.get_by_text(power).is_visible() and not page.get_by_text(mercury).is_visible()
    page.locator(".tl-care summary").click()
    page.get_by_text(mercury).wait_for(state="visible", timeout=WITHIN_MS)
    assert fits(page)
    page.close()


def test_the_plan_can_be_taken_along(opened: Callable[..., Any]) -> None:
    page = opened("visits", DESKTOP)
    with page.expect_download(timeout=WITHIN_MS) as taken:
        page.get_by_text("Visits (.csv)").click()
    table = pd.read_csv(taken.value.path())
    days = table["day"].tolist()
    assert taken.value.suggested_filename == f"visits_all-cabins_{days[0]}_{days[-1]}.csv"
    assert table["order"].iloc[0] == 1 and set(table["cabin"]) <= {slug(name) for name in NAMES}
    with page.expect_download(timeout=WITHIN_MS) as taken:
        page.get_by_text("Visits (.xlsx)").click()
    book = pd.read_excel(taken.value.path(), engine="openpyxl")
    assert book["tasks"].tolist() == table["tasks"].tolist() and list(book.columns) == list(table.columns)
    with page.expect_download(timeout=WITHIN_MS) as sheet:
        page.get_by_text("Sheet to print (.html)").click()
    html = Path(sheet.value.path()).read_text(encoding="utf-8")
    assert "<section>" in html and "Load:" in html and "<script" not in html and "http" not in html
    with page.expect_download(timeout=WITHIN_MS) as calendar:
        page.get_by_text("Trips for a calendar (.ics)").click()
    events = icalendar.Calendar.from_ical(Path(calendar.value.path()).read_bytes()).walk("VEVENT")
    assert len(events) == html.count("<section>") > 0
    page.close()


def test_miles_are_shown_to_who_wants_them_and_the_year_on_demand(opened: Callable[..., Any]) -> None:
    page = opened("visits", DESKTOP)
    page.get_by_text("US (gal, °F)").click()
    page.get_by_text(" mi in all").first.wait_for(timeout=WITHIN_MS)
    page.get_by_text("Play a year of both").click()
    page.get_by_text("Days under threshold, all units").wait_for(timeout=WITHIN_MS)
    assert "The plan does better in" in page.inner_text("[data-testid=stMain]")
    page.close()
