"""All controllers of the fleet, each asked at its unit's cadence; one that is dead or slow stops no other."""

from __future__ import annotations

import asyncio
import logging
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import paho.mqtt.client as paho

from ingest.poller.modbus import Line, Unanswered
from ingest.settings import Settings
from ingest.wire.mqtt_client import connect_args, make_client
from ingest.wire.senml_out import pack
from models.fleet import Fleet, polled
from models.registers import Controller

logger = logging.getLogger(__name__)

Key = tuple[str, str]

FIRST_WAIT_S = 2.0  # before a controller that did not answer is asked again, doubled each time
LONGEST_WAIT_S = 300.0
LOOK_S = 60.0  # between two looks at the registry
KEPT = 20_000  # readings kept in memory while the broker cannot be reached: two weeks of one unit by the minute

Publish = Callable[[str, str], None]


class Told:
    """What is wrong with a unit, said when it begins, when it changes and when it ends, and never each minute."""

    def __init__(self, key: Key) -> None:
        self._name, self._said = "/".join(key), ""

    def now(self, problems: str) -> None:
        """What is wrong now; empty: nothing."""
        if problems and problems != self._said:
            logger.warning("%s: %s", self._name, problems)
        elif self._said and not problems:
            logger.info("%s: all its registers are read again", self._name)
        self._said = problems


async def poll_one(key: Key, controller: Controller, cadence_s: float, publish: Publish) -> None:
    """Ask one controller for ever, at its cadence; after no answer later and later."""
    told, topic = Told(key), f"tarnlight/{key[0]}/{key[1]}/log"
    failures = 0
    async with Line(controller) as line:
        while True:
            began, wait_s = time.monotonic(), cadence_s
            try:
                at = datetime.now(UTC)
                heard = await line.read()
                if heard.values:
                    publish(topic, pack(at, heard.values))
                told.now("; ".join(heard.problems))
                failures = 0
            except Unanswered as error:
                told.now(f"{error}; asked again later and later")
                failures += 1
                wait_s = min(max(cadence_s, FIRST_WAIT_S * 2.0 ** min(failures - 1, 10)), LONGEST_WAIT_S)
            except Exception as error:  # outermost: a fault of ours with one unit must not stop the others
                line.close()  # what is still to come on it answers nothing that is asked later
                told.now(f"could not be read: {type(error).__name__}: {error}")
                failures += 1
                wait_s = LONGEST_WAIT_S
            await asyncio.sleep(max(0.0, began + wait_s - time.monotonic()))


def _of_a_line(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """What a controller sends that is no frame ends in the library's transport; its line says that it is silent."""
    if "transport" in context:
        logger.debug("%s", context.get("message"))
    else:
        loop.default_exception_handler(context)


class Poller:
    """Polls what the registry names, and goes by it as it changes."""

    def __init__(self, fleet: Callable[[], Fleet], publish: Publish) -> None:
        self._fleet, self._publish = fleet, publish
        self._tasks: dict[Key, tuple[object, asyncio.Task[None]]] = {}

    async def run(self, stop: threading.Event) -> None:
        """Until told to stop."""
        due = 0.0
        asyncio.get_running_loop().set_exception_handler(_of_a_line)
        try:
            while not stop.is_set():
                if time.monotonic() >= due:
                    due = time.monotonic() + LOOK_S
                    await self._look()
                await asyncio.sleep(0.2)
        finally:
            tasks = [task for _, task in self._tasks.values()]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _look(self) -> None:
        try:
            wanted = polled(await asyncio.to_thread(self._fleet))
        except Exception as error:  # the collector is away: go on as before
            logger.warning("the registry cannot be read just now, so what is polled stays as it is: %s", error)
            return
        for key in [key for key, (what, _) in self._tasks.items() if wanted.get(key) != what]:
            self._tasks.pop(key)[1].cancel()
        for key, (controller, cadence_s) in wanted.items():
            if key not in self._tasks:
                task = asyncio.get_running_loop().create_task(
                    poll_one(key, controller, cadence_s, self._publish))
                self._tasks[key] = ((controller, cadence_s), task)


class Out:
    """A connection to the broker that keeps what is published while the broker cannot be reached."""

    def __init__(self, settings: Settings, client_id: str) -> None:
        self._client = make_client(settings, client_id, persistent=False)
        self._client.max_queued_messages_set(KEPT)
        self._client.on_connect = self._on_connect
        args = connect_args(settings)
        if "clean_start" in args:
            args |= {"clean_start": True, "properties": None}
        self._client.connect_async(**args)
        self._client.loop_start()
        self._full = False

    def publish(self, topic: str, payload: str) -> None:
        """At QoS 1."""
        full = self._client.publish(topic, payload, qos=1).rc == paho.MQTT_ERR_QUEUE_SIZE
        if full and not self._full:
            logger.warning("the broker cannot be reached, and %d readings wait already: newer ones are lost", KEPT)
        self._full = full

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: paho.Client, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            logger.warning("the broker refused the connection: %s", reason)
        else:
            logger.info("connected to the broker")
