"""Hostile histories: a truth known second by second, a logger that fails, and what the program says of it.

`python -m tests.hostile --count 1000 --seed 7` prints the table, `--replay SEED` one history in full. Independent
of what it measures: nothing here imports how the program judges time and water, nor the demo's simulator. What is
known of the program is its outside: `fleet.toml`, CSV rows and link events in, `status --json` and `outages --json`
out.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from .door import Door, by_cabin
from .faults import FAULTS, make_case
from .harness import as_json, measure, play, seeds_of, slug, table
from .logger import QUANTITIES
from .truth import runs


def main() -> int:
    """Run, or replay."""
    words = argparse.ArgumentParser(prog="python -m tests.hostile", description=__doc__)
    words.add_argument("--count", type=int, default=300)
    words.add_argument("--seed", type=int, default=1, help="of the run; those of its histories follow")
    words.add_argument("--only", help=f"these faults alone, by comma: {', '.join(FAULTS)}")
    words.add_argument("--json", action="store_true")
    words.add_argument("--jobs", type=int, default=2, help="processes at work")
    words.add_argument("--replay", type=int, help="one history in full, by its own seed")
    options = words.parse_args()
    only = tuple(options.only.split(",")) if options.only else None
    if options.replay is not None:
        return replay(options.replay, only)
    began = time.perf_counter()
    found = measure(
        seeds_of(options.seed, options.count), only,
        lambda done: print(f"{done} of {options.count}, {time.perf_counter() - began:.0f} s", file=sys.stderr),
        options.jobs)
    print(json.dumps(as_json(found)) if options.json else table(found))
    return 0


def replay(seed: int, only: tuple[str, ...] | None) -> int:
    """One history: what was true, what the logger said around it, and what the program made of it."""
    case = make_case(seed, only)
    truth = case.truth
    with tempfile.TemporaryDirectory() as folder:
        door = Door(Path(folder))
        (one,) = play(door, [seed], only)
        status, outages = door.status(), by_cabin(door.outages()).get(slug(seed), [])
    print(f"history {seed}: {', '.join(case.kinds)}; {truth.seconds / 3600:.2f} h")
    print(f"unit {case.unit}{'; then ' + str(case.re_enrolled) if case.re_enrolled else ''}")
    print(f"logger {[(name, getattr(case.logger, name)) for name in case.logger.__slots__ if name != 'truthless']}")
    print(f"{one}")
    print(f"wet {one.wet}, dry {one.dry}, bounds asked {one.bounds_asked}: least {one.low_holds}, "
          f"most {one.upper_holds}, weak {one.weak_holds}")
    for first, last in runs(truth.unsettled | truth.short):
        water = float(truth.litres[first:last].sum())
        short = float(truth.litres[first:last][truth.short[first:last]].sum())
        print(f"-- {first} to {last} s ({last - first} s): {water:.2f} L drawn, {short:.2f} L short; power off "
              f"{int((~truth.power[first:last]).sum())} s, lamp off {int((~truth.burning[first:last]).sum())} s")
        near = case.rows[(case.rows["t"] > first - 200) & (case.rows["t"] < last + 300)].sort_values("t")
        shown = near[["t", "stamp", "what", "late", *(name for name in QUANTITIES if near[name].notna().any())]]
        if len(shown) > 24:
            shown = shown.iloc[np.r_[0:12, len(shown) - 12 : len(shown)]]
        print(shown.to_string(index=False))
    print(json.dumps(status, indent=1))
    end = truth.seconds
    for row in outages:
        print({key: value for key, value in row.items() if key not in ("cabin", "unit")})
    print(f"(the history ends at second {end})")
    return 0


if __name__ == "__main__":
    sys.exit(main())
