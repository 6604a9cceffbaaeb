"""Payloads made by chance from the shapes that the decoder knows: it answers each, in bounded time and memory.

In CI a few thousand; `PAYLOADS=1000000 pytest -m soak -s tests/ingest/wire/test_many_payloads.py` for a million
(some twenty minutes), TARNLIGHT_TEST_SEED for other ones.
"""

from __future__ import annotations

import json
import os
import resource
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest

from ingest.db.intake import Known, Message, decode
from models.doors import TimeIn, Topic, Topics, Value
from tests.seeds import generator

NOW = datetime(2026, 9, 10, 6, 0, tzinfo=UTC)
KEY = ("heron-point", "main")
KNOWN = Known({KEY}, topics=Topics.of((KEY, one) for one in (
    Topic(topic="heron/state", time="/at", time_in=TimeIn.ISO, values=(
        Value(column="intensity_w_m2", unit="mW/cm2", path="/uv/sensor"),
        Value(column="lamp_on", path="/uv/lamp"))),
    Topic(topic="heron/flow", values=(Value(column="flow_l_min", unit="gpm"),)))))
LOG = "tarnlight/heron-point/main/log"
TOPICS = (
    LOG, LOG, LOG, LOG, LOG, LOG, "tarnlight/heron-point/main/link", "heron/state", "heron/flow",
    "tarnlight/heron-point/attic/log", "tarnlight/heron-point/main/log/more", "tarnlight//main/log", "")
NAMES = (
    "intensity", "flow", "total", "lamp", "power", "temp", "uvt", "battery", "hours", "intensity_w_m2", "lit", "",
    "\x00", "urn:dev:ow:10e2073a01080063:intensity", "İ", "x" * 300)
LABELS = ("bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x_", "at", "uv")
UNITS = ("W/m2", "mW/cm2", "l/min", "gpm", "Cel", "degF", "%", "V", "mV", "", "parsec", 7)
NUMBERS = (
    0, -0.0, 1, -1, 0.1, 41.5, 1e308, -1e308, 1e-308, 2**53 + 1, 2**63, 10**320, 2**28, NOW.timestamp(),
    -NOW.timestamp(), 4.1e9, float("nan"), float("inf"), -float("inf"))
AT_ONCE = 50
MOST_S, MOST_MB = 1.0, 100.0


def one_of(dice: np.random.Generator, some: tuple[Any, ...]) -> Any:
    return some[int(dice.integers(len(some)))]


def value(dice: np.random.Generator, depth: int = 0) -> Any:
    """A value of any kind, more often a number."""
    kind = dice.random()
    if kind < 0.55:
        return one_of(dice, NUMBERS) if dice.random() < 0.5 else float(np.round(dice.normal(40, 30), 2))
    if kind < 0.7:
        return one_of(dice, (True, False, None, "", "on", "ON", "1", "NaN", "2026-09-10T05:59:00Z"))
    if kind < 0.8:
        return "".join(chr(int(one)) for one in dice.integers(1, 0xD7FF, int(dice.integers(0, 40))))
    if depth > 3:
        return None
    if kind < 0.9:
        return [value(dice, depth + 1) for _ in range(int(dice.integers(0, 4)))]
    return {str(one_of(dice, LABELS)): value(dice, depth + 1) for _ in range(int(dice.integers(0, 4)))}


def record(dice: np.random.Generator) -> Any:
    """A record that is nearly right, or anything."""
    if dice.random() < 0.1:
        return value(dice)
    out: dict[str, Any] = {"n": one_of(dice, NAMES), "v": value(dice)}
    for label in LABELS:
        if dice.random() < 0.08:
            out[label] = one_of(dice, UNITS) if label in ("u", "bu") and dice.random() < 0.7 else value(dice)
    if dice.random() < 0.3:
        del out[one_of(dice, tuple(out))]
    return out


def pack(dice: np.random.Generator) -> Any:
    if dice.random() < 0.3:  # as an honest one writes it, with one thing amiss at times
        out: list[Any] = [
            {"n": name, "v": float(np.round(dice.uniform(0, 60), 1)), "t": -float(dice.integers(0, 90_000))}
            for name in ("intensity", "flow", "battery")]
        return out if dice.random() < 0.5 else [*out, record(dice)]
    many = int(dice.integers(1, 6)) if dice.random() < 0.98 else int(dice.integers(100, 2_000))
    return [record(dice) for _ in range(many)]


def state(dice: np.random.Generator) -> Any:
    return {"at": one_of(dice, ("2026-09-10T05:59:00Z", "yesterday", 7, None, "2026-09-10T05:59:00+99:99")),
            "uv": {"sensor": value(dice), "lamp": value(dice)}, "more": value(dice)}


SHAPES: tuple[Callable[[np.random.Generator], Any], ...] = (pack, pack, pack, state, value, record)


def payload(dice: np.random.Generator) -> bytes:
    """What a device may send: a shape that is known, and at times broken after it was written."""
    ascii_only = bool(dice.random() < 0.5)
    text = json.dumps(one_of(dice, SHAPES)(dice), ensure_ascii=ascii_only).encode("utf-8", "replace")
    kind = dice.random()
    if kind < 0.15 and text:  # bytes that flip
        out = bytearray(text)
        for at in dice.integers(0, len(out), int(dice.integers(1, 6))):
            out[int(at)] = int(dice.integers(256))
        return bytes(out)
    if kind < 0.22:  # cut short
        return text[: int(dice.integers(0, len(text) + 1))]
    if kind < 0.26:  # a part of it again and again
        start = int(dice.integers(0, len(text) + 1))
        return text[:start] + text[start : start + 40] * int(dice.integers(2, 400)) + text[start:]
    if kind < 0.28:
        return one_of(dice, (
            b"[" * 100_000, b'{"a":' * 50_000, b"9" * 200_000, b'"' * 100_000, b"", b"\xff\xfe" * 9))
    return text


def peak_mb() -> float:
    """The most that this process ever held. [MB]"""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1024 if sys.platform == "linux" else 1024**2)


def play(many: int, name: str) -> tuple[float, float, int]:
    """Decode so many; the longest that one took [s], by how much the peak grew [MB], and how many rows came."""
    dice = generator(name)
    warm = [Message(one_of(dice, TOPICS), payload(dice), NOW) for _ in range(2_000)]
    decode(warm, KNOWN, pd.Timestamp(NOW))
    before, longest, rows = peak_mb(), 0.0, 0
    for first in range(0, many, AT_ONCE):
        some = [Message(one_of(dice, TOPICS), payload(dice), NOW) for _ in range(min(AT_ONCE, many - first))]
        began = time.thread_time()
        found = decode(some, KNOWN, pd.Timestamp(NOW))
        took = time.thread_time() - began
        rows += len(found.rows)
        assert set(zip(found.rows["cabin"], found.rows["unit"], strict=True)) <= {KEY}
        if took > longest and took > MOST_S / 10:  # which of them was it?
            for one in some:
                began = time.thread_time()
                decode([one], KNOWN, pd.Timestamp(NOW))
                took = time.thread_time() - began
                longest = max(longest, took)
                assert took <= MOST_S, (one.topic, len(one.payload), one.payload[:300])
        else:
            longest = max(longest, took / AT_ONCE)
    return longest, peak_mb() - before, rows


def test_a_few_thousand_payloads_are_each_answered_in_bounded_time_and_memory():
    longest_s, more_mb, rows = play(1_500, "payloads")
    assert rows > 100  # not all of them is nonsense
    assert longest_s <= MOST_S and more_mb <= MOST_MB


@pytest.mark.soak
@pytest.mark.timeout(7200)
def test_a_million_payloads_are_each_answered_in_bounded_time_and_memory():
    many = int(os.environ.get("PAYLOADS", "1000000"))
    longest_s, more_mb, rows = play(many, "many payloads")
    print(f"{many:,} payloads, {rows:,} rows: the longest {longest_s:.3f} s, peak memory {more_mb:+.0f} MB")
    assert longest_s <= MOST_S and more_mb <= MOST_MB
