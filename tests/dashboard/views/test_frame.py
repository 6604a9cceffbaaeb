"""The guard around a page: what it says where readings of long ago cannot be had."""

from __future__ import annotations

from streamlit.testing.v1 import AppTest

from dashboard.views import frame
from ingest.settings import ArchiveUnavailable
from tests.dashboard.views.test_app import fresh

__all__ = ["fresh"]


def test_a_page_says_which_readings_cannot_be_had_and_draws_nothing_in_their_place(monkeypatch):
    monkeypatch.setattr(frame, "get_store", lambda: None)  # neither is asked before the page itself is drawn
    monkeypatch.setattr(frame, "heartbeat", lambda store: None)

    def body(store: object) -> None:
        raise ArchiveUnavailable("the readings of heron-point/<b>main</b> of 2026-03 cannot be had: x is missing")

    monkeypatch.setattr(frame, "page_of_a_test", frame.guarded(body), raising=False)

    def script() -> None:
        from dashboard.views import frame

        frame.page_of_a_test()  # type: ignore[attr-defined]

    shown = AppTest.from_function(script).run()
    assert not shown.exception
    (box,) = [one.proto.body for one in shown.get("html")]
    assert "Readings of months past cannot be had" in box and "What is not known is never clear" in box
    assert "The readings of heron-point/&lt;b&gt;main&lt;/b&gt; of 2026-03" in box
    assert "does not answer" not in box
