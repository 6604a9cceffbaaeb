"""README's first command, as a person runs it: everything up, everything answered, everything gone."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from tests.conftest import (
    console_script,
    environment,
    free_port,
    hostile_folder,
    tarnlight,
    tarnlight_here,
    wait_for,
)

# what other programs read of `status --json`
KEYS = {
    "cabin", "unit", "verdict", "since", "reasons", "next_action", "dose_mj_cm2", "dose_low_mj_cm2",
    "dose_target_mj_cm2", "log_credit", "intensity_w_m2", "flow_l_min", "uvt_pct", "lamp_on", "lamp_hours",
    "last_heard", "advisory", "cautions",
}


def descendants(pid: int) -> set[int]:
    """Processes that a process started, and those that they did."""
    parents = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                stat = (entry / "stat").read_text()
            except OSError:
                continue
            parents[int(entry.name)] = int(stat.rsplit(")", 1)[1].split()[1])
    found, todo = set(), [pid]
    while todo:
        one = todo.pop()
        children = {child for child, parent in parents.items() if parent == one}
        found |= children
        todo += children
    return found


def alive(pid: int) -> bool:
    """Whether a process runs still; one that only waits to be buried does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="reads /proc to see what is left running")
@pytest.mark.parametrize("number", [signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.slow)])
def test_the_demo_comes_up_answers_and_leaves_nothing_behind(tmp_path, number):
    store = tmp_path / "demo.duckdb"
    with socket.socket() as taken, (tmp_path / "out").open("w+") as out:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        demo = subprocess.Popen(
            [sys.executable, "-m", "dashboard.cli", "demo", "--cabins", "3", "--days", "2", "--port", str(port)],
            env=environment(store), stdout=out, stderr=subprocess.STDOUT, start_new_session=True)
        try:
            def said() -> str:
                return Path(out.name).read_text()

            wait_for(lambda: "the page is at" in said() or demo.poll() is not None, 120, "the demo's page")
            assert demo.poll() is None, said()
            assert f"port {port} is taken, using" in said()
            address = re.search(r"http://127\.0\.0\.1:\d+", said())[0]
            with urllib.request.urlopen(address, timeout=10) as answer:
                assert answer.status == 200
            told = tarnlight(store, "status", "--json")
            assert told.returncode == 0, told.stderr
            found = json.loads(told.stdout)
            assert len({one["cabin"] for one in found}) == 3
            assert all(set(one) == KEYS for one in found)
            started = descendants(demo.pid)
            assert len(started) >= 4  # broker, collector, feed, page
        finally:
            os.killpg(demo.pid, number) if number == signal.SIGINT else demo.terminate()
            began = time.monotonic()
            code = demo.wait(60)
        assert code == 0, said()
        assert time.monotonic() - began < 30
        wait_for(lambda: not any(alive(pid) for pid in started), 10, "the demo's processes to be gone")
        assert not store.with_name(store.name + ".serve.json").exists()


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")
def test_the_demo_runs_in_any_folder_and_leaves_nothing_that_others_can_read(tmp_path):
    """Beside packages of our names, and under umask 000; the feed's readings come through broker and collector."""
    store = tmp_path / "data" / "demo.duckdb"
    with (tmp_path / "out").open("w+") as out:
        demo = subprocess.Popen(
            [console_script(), "demo", "--cabins", "2", "--days", "0", "--speed", "60", "--port", str(free_port())],
            env=environment(store), cwd=hostile_folder(tmp_path / "here"), umask=0,
            stdout=out, stderr=subprocess.STDOUT, start_new_session=True)
        try:
            def said() -> str:
                log = store.with_name("demo.duckdb.log")
                return Path(out.name).read_text() + (log.read_text() if log.exists() else "")

            def heard() -> bool:
                told = tarnlight_here(store, "status", "--json")
                return told.returncode == 0 and all(one["last_heard"] for one in json.loads(told.stdout))

            wait_for(lambda: "the page is at" in said() or demo.poll() is not None, 120, "the demo's page")
            assert demo.poll() is None, said()
            wait_for(heard, 60, "every unit of the demo is heard")
            assert "the working folder gave" not in said()
            made = list(store.parent.rglob("*"))
            assert {"demo.duckdb", "demo.duckdb.fleet.toml", "demo.duckdb.serve.json"} <= {one.name for one in made}
            assert [str(one) for one in (store.parent, *made) if one.stat().st_mode & 0o077] == []
        finally:
            demo.terminate()
            code = demo.wait(60)
        assert code == 0, said()


def test_the_demo_never_overwrites_a_store_that_is_not_its_own(enrolled):
    before = enrolled.read_bytes()
    told = tarnlight(enrolled, "demo", "--cabins", "1", "--days", "0")
    assert told.returncode == 2
    assert "never overwrites" in told.stderr
    assert enrolled.read_bytes() == before


@pytest.mark.skipif(sys.platform != "linux", reason="the kernel's own word to a child whose parent is gone")
def test_a_demo_that_is_killed_leaves_no_process_behind(tmp_path):
    store = tmp_path / "demo.duckdb"
    with (tmp_path / "out").open("w+") as out:
        demo = subprocess.Popen(
            [sys.executable, "-m", "dashboard.cli", "demo", "--cabins", "1", "--days", "0",
             "--port", str(free_port())],
            env=environment(store), stdout=out, stderr=subprocess.STDOUT, start_new_session=True)
        try:
            wait_for(lambda: len(descendants(demo.pid)) >= 4, 60, "broker, collector, feed and page")
            started = descendants(demo.pid)
        finally:
            demo.kill()
            demo.wait(10)
    wait_for(lambda: not any(alive(pid) for pid in started), 30, "all of them are gone")
