"""A command that is told to stop does so, whatever it is doing at that instant."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import dashboard
from dashboard.commands.run import _Stop

# Waits as short as can be, one after the other: nearly every signal comes in the middle of one.
ROUNDS = """\
import os, signal, sys, threading
sys.path.insert(0, sys.argv[1])
from dashboard.commands.run import stop_on_signals
for number in range(200):
    stop = stop_on_signals()
    threading.Timer(0.002, os.kill, (os.getpid(), (signal.SIGTERM, signal.SIGINT)[number % 2])).start()
    while not stop.wait(0.0):
        pass
print(number + 1)"""


def test_a_signal_in_the_middle_of_a_wait_ends_it():
    root = Path(dashboard.__file__).parents[1]
    done = subprocess.run(
        [sys.executable, "-c", ROUNDS, str(root)], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.split() == ["200"]


def test_a_wait_lasts_as_long_as_asked_and_no_longer_than_until_it_is_told():
    stop = _Stop()
    begun = time.monotonic()
    assert stop.wait(0.12) is False and time.monotonic() - begun >= 0.12
    stop.set()
    begun = time.monotonic()
    assert stop.wait(3600) and stop.wait() and stop.is_set() and time.monotonic() - begun < 60
    stop.clear()
    assert not stop.is_set() and stop.wait(-1.0) is False
