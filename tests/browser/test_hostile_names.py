"""What names say is shown as it was written: a real chromium over a store whose names are markup of every kind."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest

from ingest.settings import Settings
from ingest.store import Store
from tests.browser.conftest import CHROMIUM
from tests.conftest import Running, environment, free_port, listens, wait_for
from tests.lamp_fleet import NAMES, fleet_toml, lamp_store, slug

playwright = pytest.importorskip("playwright.sync_api", reason="needs the package playwright")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason=f"needs {CHROMIUM} (Debian: apt-get install chromium)"),
]
WITHIN_MS = 40_000

NAMED = (
    "![a](http://evil.example/a.png) Bay", "[press](http://evil.example/b) Bay",
    "<img src=http://evil.example/c> Bay", "http://evil.example/d Bay", "www.evil.example Bay",
    "ann@evil.example Bay", ":red[**d**] `e` $f$ ~~g~~ Bay",
    "# <a href='http://evil.example/h'>h</a> :material/lock: Bay")
TRIP = "![t](http://evil.example/t.png) www.evil.example https://evil.example/t ann@evil.example"
PAGES = ("now", "cabin", "after-cut", "advisories", "shared-event", "lamps", "visits", "cabins", "system")


def hostile_toml() -> str:
    text = fleet_toml().replace('trip = "north-shore"', f"trip = {json.dumps(TRIP)}")
    for name, named in zip(NAMES, NAMED, strict=True):
        text = text.replace(f'name = "{name}"', f"name = {json.dumps(named)}")
    return text


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The dashboard over a store whose names are hostile; an advisory stands at two of the cabins."""
    path = tmp_path_factory.mktemp("names") / "tarnlight.duckdb"
    lamp_store(path, now=datetime.now(UTC))
    store = Store(path)
    store.act("enroll", {"text": hostile_toml()})
    for name in NAMES[:2]:
        store.act("advisory-raise", {"cabin": slug(name), "unit": "main", "by": "![w](http://evil.example/w)"})
    store.act("advisory-lift", {
        "advisory": "a2", "by": "www.evil.example", "reason": "[r](http://evil.example/r)"})
    store.close()
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


def own_picture(source: str) -> bool:
    """Whether it is a drawing of ours: it names no address but that of its own format, and runs nothing."""
    kind, _, text = source.partition(",")
    text = unquote(text).replace('xmlns="http://www.w3.org/2000/svg"', "", 1)
    return kind == "data:image/svg+xml" and not any(
        word in text.lower()
        for word in ("http", "href", "url(", "script", "foreignobject", "evil", "data:", "onload"))


@pytest.mark.parametrize("name", PAGES)
def test_no_name_becomes_a_link_an_image_or_a_request(
    address: str, browser: Any, name: str, tmp_path: Path
) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    strangers: list[str] = []
    page.on("request", lambda request: strangers.append(request.url) if "evil" in request.url else None)
    for cabin in [slug(one) for one in NAMES] if name in ("cabin", "after-cut") else [""]:
        page.goto(f"{address}/{name}" + (f"?cabin={cabin}&unit=main" if cabin else ""))
        if cabin:
            named = NAMED[[slug(one) for one in NAMES].index(cabin)]
            page.wait_for_function(
                "named => document.querySelector('[data-testid=stMain]').innerText.includes(named)", arg=named,
                timeout=WITHIN_MS)
        else:
            page.locator(".tl-headline").first.wait_for(timeout=WITHIN_MS)
        page.wait_for_function(
            "() => !document.querySelector('[data-testid=stSpinner], [data-testid=stStatusWidget]')",
            timeout=WITHIN_MS)
        if name == "visits":
            page.locator(".js-plotly-plot .main-svg").first.wait_for(timeout=WITHIN_MS)
        page.evaluate("() => document.querySelectorAll('details').forEach(one => { one.open = true })")
        page.screenshot(path=tmp_path / f"{name}.png", full_page=True)
        drawn = page.evaluate(
            "() => [...document.querySelectorAll('a[href], img[src], source[src], iframe[src]')]"
            ".map(one => one.href || one.src).filter(one => !one.startsWith(location.origin))")
        assert not [one for one in drawn if not own_picture(one)], f"{name} {cabin}: {drawn}"
    shown = page.inner_text("[data-testid=stMain]").replace("\u2060", "")  # which nobody sees
    if name == "visits":
        assert f", {TRIP}: leave" in shown
    assert not strangers
    page.close()
