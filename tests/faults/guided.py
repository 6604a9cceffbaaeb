"""The decoder under a coverage-guided fuzzer, atheris, which is no dependency of this project.

In an environment of its own, with our packages found behind it::

    own=$(mktemp -d) && python3 -m venv $own && $own/bin/pip install atheris
    PYTHONPATH=.:$(ls -d .venv/lib/python3*/site-packages) $own/bin/python -m tests.faults.guided \
        -max_total_time=600 -timeout=1 -rss_limit_mb=700

Options are those of libFuzzer. It begins with payloads of `tests.faults.payloads` and ends at the first that raises
anything but `PackRefused`, takes longer than a second, or fills the memory.
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

import atheris  # type: ignore[import-not-found]

with atheris.instrument_imports(include=["ingest.wire"]):
    from ingest.wire import senml

from tests.faults.payloads import NOW_S, payload

SEEDS = 500


def one(data: bytes) -> None:
    """Decode it; what may be refused is."""
    try:
        rows, refused = senml.readings(data, float(NOW_S))
    except senml.PackRefused:
        return
    assert rows or refused
    for each in refused:
        assert len(each.reason) < 3_000
        each.record.encode()


def main() -> None:
    """Begin with packs that are nearly right."""
    folder = Path(tempfile.mkdtemp(prefix="payloads-"))
    dice = random.Random(1)
    for number in range(SEEDS):
        (folder / str(number)).write_bytes(payload(dice)[:4_000])
    atheris.Setup([*sys.argv, "-max_len=8000", str(folder)], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
