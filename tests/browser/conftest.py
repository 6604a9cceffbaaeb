"""The browser that pages are looked at with."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = Path("/usr/bin/chromium")
# One process draws all pages, with nothing that imitates a graphics card: half the processor time of a page.
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-dev-shm-usage",
         "--in-process-gpu", "--disable-software-rasterizer", "--renderer-process-limit=1",
         "--disable-site-isolation-trials"]


class OneProfile:
    """A browser whose pages of one size share a profile: Streamlit's scripts are read and compiled once in it.

    What a page keeps for itself goes when it is closed. Who was never there before asks `chromium` for a context.
    """

    def __init__(self, chromium: Any) -> None:
        self.chromium = chromium
        self._contexts: dict[str, Any] = {}

    def new_page(self, **options: Any) -> Any:
        """A page of that size and kind; whoever asked for it closes it."""
        key = repr(sorted(options.items()))
        if key not in self._contexts:
            self._contexts[key] = self.chromium.new_context(**options)
        return self._contexts[key].new_page()


@pytest.fixture(scope="module")
def browser() -> Iterator[OneProfile]:
    """A headless chromium."""
    from playwright import sync_api  # files that need it are skipped where it is not installed

    with sync_api.sync_playwright() as found:
        one = found.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield OneProfile(one)
        one.close()
