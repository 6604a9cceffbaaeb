"""Loggers of a whole fleet, live against a broker, at any speed; and a fleet's past through a broker."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from datetime import datetime
from itertools import pairwise
from typing import Any

import numpy as np

from simulated_feeds import senml_out
from simulated_feeds.device import BrokerAddress, Device
from simulated_feeds.logger import Rows
from simulated_feeds.run import UnitRun, default_origin, history_frames, unix_s
from simulated_feeds.scenario import sites

__all__ = ["history_frames", "history_packs", "publish_history", "run_feed"]

logger = logging.getLogger(__name__)

STEP_S = 0.2  # of the wall clock, between looks at what is due
HISTORY_ROWS = 500  # in a pack of the past


def run_feed(
    broker_url: str, fleet: Mapping[str, Any], *, start: datetime, speed: float = 1.0, seed: int = 1,
    until: datetime | None = None, now: datetime | None = None, origin: datetime | None = None,
    user: str | None = None, password: str | None = None, stop_event: threading.Event | None = None,
    clock: Callable[[], float] = time.monotonic, wall_start: datetime | None = None,
) -> int:
    """Publish as the fleet's loggers would, from `start` on, until told to stop.

    Each unit has a client of its own, with `down` as its last will. A link that breaks drops its connection
    without a goodbye; when it is back, what the logger held comes in one message.

    Parameters
    ----------
    broker_url : str
        `mqtt://HOST:PORT` or `mqtts://HOST:PORT`.
    fleet : mapping
        A fleet.toml as tomllib reads it.
    start : datetime
        Aware; the simulated instant at which the feed begins.
    speed : float
        Simulated seconds a second, above 0.
    seed : int
    until : datetime, optional
        The simulated instant at which it ends; None: never.
    now : datetime, optional
        What scripted faults are relative to; None: `start`.
    origin : datetime, optional
        Where the run began. A feed goes on from `history_frames` of the same seed, now and origin; the
        default of both is the same for a history of up to `run.WARM_DAYS`.
    user, password : str, optional
    stop_event : threading.Event, optional
        Set it to stop: units say `down` and disconnect.
    clock : callable
        Seconds of the wall, monotonic.
    wall_start : datetime, optional
        Aware; the instant of the wall clock at which the simulated one was `start`: what is due by then is
        published at once. None: when all loggers are connected.

    Returns
    -------
    int
        Messages published to logs.

    Raises
    ------
    ValueError
        If the address, the speed or a time cannot be used.
    ConnectionError
        If the broker cannot be reached at the start, or refuses.
    """
    if not speed > 0:
        raise ValueError(f"speed must be above 0; got {speed!r}")
    address = BrokerAddress.parse(broker_url, user, password)
    stop = stop_event or threading.Event()
    begin_s, end_s = unix_s(start), unix_s(until) if until else float("inf")
    now = now or start
    count = 0
    with ExitStack() as stack:
        loggers = []
        for site in sites(fleet, seed):
            if stop.is_set():
                return count
            run = UnitRun(site, origin=origin or default_origin(start, now), now=now, seed=seed)
            run.deliver(begin_s)  # what was sent before is not ours to publish
            device = Device(address, site.cabin, site.unit)
            stack.callback(device.close)
            device.link()
            if not run.link_up:
                device.lose()
            loggers.append((run, device))
        logger.info("%d loggers publish to %s:%d", len(loggers), address.host, address.port)
        began = clock()
        if wall_start is not None:
            began -= time.time() - unix_s(wall_start)
        sim_s = begin_s
        while not stop.is_set() and sim_s < end_s:
            sim_s = min(begin_s + speed * (clock() - began), end_s)
            for run, device in loggers:
                count += _publish_due(run, device, sim_s)
                if stop.is_set():
                    break
            stop.wait(STEP_S if sim_s < end_s else 0)
    return count


def _publish_due(run: UnitRun, device: Device, until_s: float) -> int:
    """What one logger does until that instant: messages and changes of its link, in order."""
    rows, links = run.deliver(until_s)
    count, first = 0, 0
    for change_s, up in [*links.tolist(), (until_s, None)]:
        last = int(np.searchsorted(rows.sent_s, change_s, side="left"))
        for message in _messages(rows.taken(slice(first, last))):
            device.publish(senml_out.pack(message, device=f"{run.site.cabin}/{run.site.unit}/"))
            count += 1
        first = last
        if up and not device.linked:
            device.relink()
        elif up == 0 and device.linked:
            device.lose()
    return count


def _messages(rows: Rows) -> Iterator[Rows]:
    """Rows that were sent at one instant are one message."""
    edges = np.flatnonzero(np.diff(rows.sent_s, prepend=-1, append=-1))
    for first, last in pairwise(edges.tolist()):
        yield rows.taken(slice(first, last))


def history_packs(
    fleet: Mapping[str, Any], start: datetime, end: datetime, seed: int, *, now: datetime | None = None,
    origin: datetime | None = None,
) -> Iterator[tuple[str, str, str]]:
    """A fleet's past as large SenML packs: cabin, unit, payload. Parameters as of `history_frames`."""
    now = now or end
    for site in sites(fleet, seed):
        run = UnitRun(site, origin=origin or default_origin(start, now), now=now, seed=seed)
        run.deliver(unix_s(start))
        rows, _ = run.deliver(unix_s(end))
        for part in senml_out.split(rows, HISTORY_ROWS):
            yield site.cabin, site.unit, senml_out.pack(part, device=f"{site.cabin}/{site.unit}/")


def publish_history(
    broker_url: str, fleet: Mapping[str, Any], start: datetime, end: datetime, seed: int, *,
    now: datetime | None = None, origin: datetime | None = None, user: str | None = None,
    password: str | None = None, stop_event: threading.Event | None = None,
) -> int:
    """A fleet's past through a broker, unit by unit; the number of messages.

    Raises
    ------
    ConnectionError
        If the broker cannot be reached or refuses.
    """
    address, count, device = BrokerAddress.parse(broker_url, user, password), 0, None
    try:
        for cabin, unit, payload in history_packs(fleet, start, end, seed, now=now, origin=origin):
            if stop_event is not None and stop_event.is_set():
                break
            if device is None or device.topic != f"tarnlight/{cabin}/{unit}":
                if device is not None:
                    device.close()
                device = Device(address, cabin, unit)
                device.link()
            device.publish(payload)
            count += 1
    finally:
        if device is not None:
            device.close()
    return count
