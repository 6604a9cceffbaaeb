"""The cabin's way to the centre's broker: what its bridge says on this machine goes on by TLS, and back.

No message is looked at or kept here: the cabin's broker keeps what the centre's has not acknowledged. Where the
centre cannot be reached the bridge is turned away at once, and tries again by itself.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import signal
import ssl
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ingest.broker.bridge import CA, FOLDER, UPLINK
from ingest.settings import BadInput

logger = logging.getLogger(__name__)

REACHED_WITHIN_S = 20.0  # a link over a satellite takes seconds for what a handshake says to and fro
AT_ONCE = 4  # connections; the bridge needs one, and another while an old one dies
_BLOCK = 65_536


@dataclass(frozen=True, slots=True)
class Uplink:
    """Where the bridge is waited for, where it is led, and whose word is taken for that."""

    listen: int
    host: str
    port: int
    trusted: ssl.SSLContext


def uplink_of(folder: Path) -> Uplink:
    """The uplink that `tarnlight broker --bridge-to` wrote to a broker's folder.

    Raises
    ------
    BadInput
        If it wrote none, or it cannot be read.
    """
    place = folder.absolute() / FOLDER
    try:
        found = json.loads((place / UPLINK).read_text(encoding="utf-8"))
        trusted = ssl.create_default_context(cadata=(place / CA).read_text(encoding="utf-8"))
        return Uplink(int(found["listen"]), str(found["host"]), int(found["port"]), trusted)
    except FileNotFoundError as error:
        raise BadInput(
            f"{error.filename} is not there: `tarnlight broker {folder} --bridge-to mqtts://...` writes it"
        ) from error
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BadInput(f"{place} cannot be used: {error}") from error


def run(uplink: Uplink) -> None:
    """Carry on until told to stop.

    Raises
    ------
    BadInput
        If the port is taken.
    """
    asyncio.run(_Carrier(uplink).serve())


class _Carrier:
    """Connections of the bridge, each carried to the centre."""

    def __init__(self, uplink: Uplink) -> None:
        self._uplink = uplink
        self._open: set[asyncio.Task[Any]] = set()
        self._trouble = ""

    async def serve(self) -> None:
        stop, loop = asyncio.Event(), asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, stop.set)
        try:
            server = await asyncio.start_server(self._carry, "127.0.0.1", self._uplink.listen)
        except OSError as error:
            raise BadInput(f"port {self._uplink.listen} of 127.0.0.1 cannot be had: {error.strerror}") from error
        await stop.wait()
        server.close()
        for one in self._open:
            one.cancel()
        await asyncio.gather(*self._open, return_exceptions=True)

    async def _carry(self, near: asyncio.StreamReader, back: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is None or len(self._open) >= AT_ONCE:
            back.close()
            return
        self._open.add(task)
        far: asyncio.StreamWriter | None = None
        try:
            answer, out = await asyncio.wait_for(asyncio.open_connection(
                self._uplink.host, self._uplink.port, ssl=self._uplink.trusted,
                server_hostname=self._uplink.host), REACHED_WITHIN_S)
            far = out
            self._told("")
            await _carried((near, out), (answer, back))
        except (OSError, TimeoutError) as error:
            self._told(getattr(error, "verify_message", "") or str(error) or "no answer")
        finally:
            self._open.discard(task)
            for end in filter(None, (back, far)):
                end.close()
                with contextlib.suppress(OSError):
                    end.transport.abort()

    def _told(self, trouble: str) -> None:
        """Log where trouble begins, changes or ends; a link that stays cut is told of once."""
        if trouble and trouble != self._trouble:
            logger.warning("%s:%d cannot be reached: %s", self._uplink.host, self._uplink.port, trouble)
        elif self._trouble and not trouble:
            logger.warning("%s:%d is reached again", self._uplink.host, self._uplink.port)
        self._trouble = trouble


async def _pump(source: asyncio.StreamReader, sink: asyncio.StreamWriter) -> None:
    """Carry one direction, no faster than it is taken."""
    with contextlib.suppress(OSError):
        while block := await source.read(_BLOCK):
            sink.write(block)
            await sink.drain()


async def _carried(*ways: tuple[asyncio.StreamReader, asyncio.StreamWriter]) -> None:
    """Carry both directions until one ends: half a connection is of no use to either end."""
    tasks = [asyncio.ensure_future(_pump(source, sink)) for source, sink in ways]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for one in tasks:
            one.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


if __name__ == "__main__":
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    try:
        run(uplink_of(Path(sys.argv[1])))
    except BadInput as error:
        print(f"tarnlight uplink: {error}", file=sys.stderr)
        sys.exit(2)
