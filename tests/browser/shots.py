"""Pictures of every page, at a desk and on a phone, light and dark, taken from the demo.

    .venv/bin/python -m tests.browser.shots FOLDER [--page cabin] [--address http://127.0.0.1:8501]
    .venv/bin/python -m tests.browser.shots --readme

Starts `tarnlight demo` with a store of its own, unless an address of one that runs is given, and writes a picture a
page, width and mode. `--readme` writes the two that README shows instead.
"""

from __future__ import annotations

import argparse
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

from tests.conftest import console_script, environment, free_port, wait_for

DOCS = Path(__file__).resolve().parents[2] / "dashboard" / "docs"
CHROMIUM = Path("/usr/bin/chromium")
WIDTHS = {"desk": {"width": 1440, "height": 900}, "phone": {"width": 390, "height": 844}}
MODES = ("light", "dark")
BIRCH = "cabin=birch-landing&unit=main"  # of the demo: a power cut, guests in
# page: its address, and what is there once it is drawn
PAGES = {
    "now": ("", ".tl-lines > li"), "over-time": ("over-time", ".tl-rows > li"),
    "cabin": (f"cabin?{BIRCH}", ".js-plotly-plot .main-svg"),
    "after-cut": (f"after-cut?{BIRCH}", ".js-plotly-plot .main-svg"),
    "advisories": ("advisories", ".tl-headline"), "shared-event": ("shared-event", ".tl-headline"),
    "lamps": ("lamps", ".tl-lives, .tl-table"), "visits": ("visits", ".tl-headline"),
    "commission": (f"commission?{BIRCH}", ".tl-headline"), "cabins": ("cabins", ".tl-entry"),
    "system": ("system", ".tl-table"), "notice": (f"notice?{BIRCH}", "h1")}
# name: page, width, mode, height
README = {
    "first-page.png": ("now", "desk", "light", 860), "after-cut-phone.png": ("after-cut", "phone", "dark", 844)}
WITHIN_MS = 90_000
SETTLES_MS = 2_500  # fonts, the theme, drawings


@contextmanager
def demo() -> Iterator[str]:
    """The address of a demo of our own."""
    with tempfile.TemporaryDirectory() as folder:
        port, out = free_port(), Path(folder) / "out"
        running = subprocess.Popen(
            [console_script(), "demo", "--port", str(port)],
            env=environment(Path(folder) / "demo.duckdb"), cwd=folder, stdout=out.open("w"))
        try:
            wait_for(
                lambda: "the page is at" in out.read_text() or running.poll() is not None, 240, "the page is there")
            yield f"http://127.0.0.1:{port}"
        finally:
            running.send_signal(signal.SIGINT)
            running.wait(30)


@contextmanager
def opened(
    browser: Any, address: str, name: str, width: str, mode: str, height: int | None = None
) -> Iterator[Any]:
    """A page, drawn and settled."""
    where, there = PAGES[name]
    size = WIDTHS[width] | ({} if height is None else {"height": height})
    page = browser.new_page(viewport=size, color_scheme=mode)
    page.goto(f"{address}/{where}")
    page.locator(there).first.wait_for(timeout=WITHIN_MS)
    page.wait_for_timeout(SETTLES_MS)
    yield page
    page.close()


def full(page: Any, path: Path) -> None:
    """The whole page: Streamlit scrolls within itself, so the window is made as high as what it holds."""
    high = page.evaluate(
        "() => Math.max(...[...document.querySelectorAll('[data-testid=stMain], body')]"
        ".map(one => one.scrollHeight))")
    page.set_viewport_size({"width": page.viewport_size["width"], "height": min(int(high), 9_000)})
    page.wait_for_timeout(800)
    page.screenshot(path=path)


def take(address: str, folder: Path, names: list[str]) -> None:
    """All of these pages into the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as found:
        browser = found.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        for name in names:
            for width in WIDTHS:
                for mode in MODES:
                    with opened(browser, address, name, width, mode) as page:
                        full(page, folder / f"{name}-{width}-{mode}.png")
        browser.close()


def take_for_readme(address: str) -> None:
    """What README shows, as high as a screen."""
    with sync_playwright() as found:
        browser = found.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        for file, (name, width, mode, height) in README.items():
            with opened(browser, address, name, width, mode, height) as page:
                page.screenshot(path=DOCS / file)
        browser.close()


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--readme", action="store_true")
    parser.add_argument("--page", action="append", choices=list(PAGES), help="may be given more than once")
    parser.add_argument("--address", help="of a demo that runs")
    asked = parser.parse_args()
    if asked.readme == (asked.folder is not None):
        parser.error("give a folder, or --readme")

    def from_there(address: str) -> None:
        if asked.readme:
            take_for_readme(address)
        else:
            take(address, asked.folder, asked.page or list(PAGES))

    if asked.address:
        from_there(asked.address.rstrip("/"))
    else:
        with demo() as address:
            from_there(address)


if __name__ == "__main__":
    main()
