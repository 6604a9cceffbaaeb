"""The process that fits the fleet's lamps for `lamp`: it needs seconds and memory that the collector has to spare
for nobody.

On standard input it is given the store's path as JSON. It asks the collector that started it, and answers a line
for each lamp with dates: cabin, unit, the middle and the early date, what to do, and since when it is as it is.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from ingest.outlook.lamps import lamp_outlook
from ingest.settings import Settings
from ingest.store import client


def main() -> None:
    """Answer what standard input asks for."""
    store = client(Settings(store=Path(json.load(sys.stdin)["store"])))
    for one in lamp_outlook(store, store.now()).lamps:
        if one.crosses_p50 is None:
            continue
        done = [day for day in (one.lamp_swapped_on, one.sleeve_cleaned_on) if day is not None]
        sys.stdout.write(json.dumps({
            "cabin": one.cabin.slug, "unit": one.unit.slug, "likely": one.crosses_p50.isoformat(),
            "early": (one.crosses_p10 or one.crosses_p50).isoformat(), "action": one.action or "",
            "since": max(done).isoformat() if done else ""}) + "\n")


if __name__ == "__main__":
    main()
