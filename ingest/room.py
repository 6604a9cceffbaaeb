"""Is there room beside the store? Under the floor nothing is taken in, whoever brings it."""

from __future__ import annotations

import shutil

from ingest.settings import Settings

NOT_TAKEN_IN = "nothing is taken in"  # stands in the collector's trouble while the disk is full


def lacking(settings: Settings) -> str:
    """What to say where the store's disk has less room than the settings ask for; empty where it has enough."""
    free_mb = shutil.disk_usage(settings.store.parent).free // 2**20
    if free_mb >= settings.disk_floor_mb:
        return ""
    return (
        f"the disk of {settings.store} has {free_mb} MB left, under the {settings.disk_floor_mb} at which "
        f"{NOT_TAKEN_IN}")
