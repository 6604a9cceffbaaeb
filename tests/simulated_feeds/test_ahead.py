"""Work done ahead by another process: in order, and that process does not outlive the first."""

import os
import subprocess
import sys
from functools import partial
from pathlib import Path

import pytest

import simulated_feeds
from simulated_feeds.ahead import ahead
from tests.conftest import wait_for

ROOT = Path(simulated_feeds.__file__).parents[1]
# A first process that says who works for it, and then waits with work undone.
FIRST = """\
import os, sys, time
from functools import partial
from simulated_feeds.ahead import ahead
if __name__ == "__main__":
    jobs = ahead([partial(os.getpid)] * 6)
    print(next(jobs), flush=True)
    time.sleep(120)"""


def runs(number):
    """Whether a process of that number runs: one that nobody has waited for yet does not."""
    stat = Path(f"/proc/{number}/stat")
    try:
        return stat.read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_results_come_in_the_order_of_the_jobs():
    assert list(ahead(partial(pow, one, 2) for one in range(7))) == [0, 1, 4, 9, 16, 25, 36]


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
def test_the_other_process_ends_with_a_first_one_that_was_killed(tmp_path):
    script = tmp_path / "first.py"
    script.write_text(FIRST)
    first = subprocess.Popen(
        [sys.executable, str(script)], stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)})
    try:
        other = int(first.stdout.readline())
        assert other != first.pid and runs(other)
        first.kill()
        first.wait(10)
        wait_for(lambda: not runs(other), 20, "the other process is gone")
    finally:
        first.kill()
        first.wait(10)
        first.stdout.close()
