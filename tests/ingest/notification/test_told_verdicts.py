"""A cabin's other collector is told what changed, and not each minute how long it has lasted."""

from __future__ import annotations

from datetime import timedelta

from ingest.notification.sign import Signs
from ingest.settings import Settings
from ingest.store import Store
from ingest.wire.mqtt import Subscription
from tests.conftest import utc
from tests.ingest.ingest_streams import commit, steady

NOW = utc("2026-11-20T08:00:00")


def test_a_silence_that_goes_on_is_told_once_and_another_verdict_at_once(held: Store):
    commit(held, steady(NOW - timedelta(hours=2), 60), NOW)
    held.act("evaluate", {})
    now, told = [NOW], []
    held.now = lambda: now[0]  # type: ignore[method-assign]
    subscription = Subscription(Settings(store=held.path), held.now)  # started by nobody: what it has to send waits
    subscription.connected = True
    signs = Signs(held, subscription, lambda cabin, own: told.append((cabin, own["main"].reasons)))

    def look() -> list[tuple[str, ...]]:
        told.clear()
        signs.turn(changed=True)
        return [reasons for cabin, reasons in told if cabin == "heron-point"]

    (first,) = look()
    now[0] += timedelta(minutes=10)
    assert look() == []
    held.act("advisory-raise", {"cabin": "heron-point", "unit": "main", "by": "Ann Lund"})
    (other,) = look()
    assert other != first and "boil" in other[0].lower()
