"""What is enrolled, and forms to enrol more."""

from __future__ import annotations

from dashboard.views.frame import guarded
from ingest.store import Client


@guarded
def cabins(store: Client) -> None:
    """What is enrolled."""
