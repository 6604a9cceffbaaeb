"""One cabin."""
from __future__ import annotations

from dashboard.views.frame import guarded
from ingest.store import Client


@guarded
def cabin(store: Client) -> None:
    """One cabin."""
