"""The picture of the first page that README shows, taken from the demo.

    .venv/bin/python -m tests.browser.first_page_picture

Starts `tarnlight demo` with a store of its own, waits for the lines, writes `dashboard/docs/first-page.png`.
"""

from __future__ import annotations

import signal
import subprocess
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.conftest import console_script, environment, free_port, wait_for

PICTURE = Path(__file__).resolve().parents[2] / "dashboard" / "docs" / "first-page.png"
CHROMIUM = Path("/usr/bin/chromium")
WINDOW = {"width": 1280, "height": 860}


def take(path: Path) -> None:
    """Run the demo, and photograph its first page."""
    with tempfile.TemporaryDirectory() as folder:
        port = free_port()
        out = Path(folder) / "out"
        demo = subprocess.Popen(
            [console_script(), "demo", "--port", str(port)],
            env=environment(Path(folder) / "demo.duckdb"), cwd=folder, stdout=out.open("w"))
        try:
            wait_for(
                lambda: "the page is at" in out.read_text() or demo.poll() is not None, 240, "the page is there")
            with sync_playwright() as found:
                browser = found.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
                page = browser.new_page(viewport=WINDOW)
                page.goto(f"http://127.0.0.1:{port}")
                page.locator(".tl-lines > li").nth(2).wait_for(timeout=90_000)
                page.wait_for_timeout(3_000)  # fonts and the sidebar settle
                page.screenshot(path=path)
                browser.close()
        finally:
            demo.send_signal(signal.SIGINT)
            demo.wait(30)


if __name__ == "__main__":
    take(PICTURE)
    print(PICTURE)
