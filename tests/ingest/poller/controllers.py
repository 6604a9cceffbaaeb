"""Controllers on loopback: the library's own server with a set of registers, and servers that misbehave."""

from __future__ import annotations

import asyncio
import contextlib
import socketserver
import threading
from collections.abc import Iterator

from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.conftest import free_port, listens, wait_for


def device() -> SimDevice:
    """A controller with an id of 7; what lies between its registers it does not have."""
    coils = [SimData(0, values=[True, False] * 8, datatype=DataType.BITS)]
    discrete = [SimData(0, values=[False, True] * 8, datatype=DataType.BITS)]
    holding = [
        SimData(10, values=4.52, datatype=DataType.FLOAT32), SimData(12, values=-125, datatype=DataType.INT16),
        SimData(13, values=123_456_789, datatype=DataType.UINT32),
        SimData(20, values=65_535, datatype=DataType.UINT16),
        SimData(30, values=float("nan"), datatype=DataType.FLOAT32)]
    inputs = [SimData(0, values=0b100, datatype=DataType.UINT16), SimData(1, values=865, datatype=DataType.UINT16)]
    return SimDevice(7, simdata=(coils, discrete, holding, inputs))


@contextlib.contextmanager
def serving(port: int | None = None) -> Iterator[int]:
    """The library's server, in a thread of its own; its port."""
    port = port or free_port()
    loop = asyncio.new_event_loop()

    async def serve() -> ModbusTcpServer:
        server = ModbusTcpServer(device(), address=("127.0.0.1", port))
        await server.serve_forever(background=True)
        return server

    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    server = asyncio.run_coroutine_threadsafe(serve(), loop).result(10)
    wait_for(lambda: listens(port), 10, "the controller answers")
    try:
        yield port
    finally:
        asyncio.run_coroutine_threadsafe(server.shutdown(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)


@contextlib.contextmanager
def answering(frame: bytes | None) -> Iterator[int]:
    """Answers each question with these bytes behind its own transaction's number; None: never."""

    class Handler(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            while asked := self.request.recv(260):
                if frame is not None:
                    self.request.sendall(asked[:2] + frame)

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Handler) as server:
        server.daemon_threads = True
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield int(server.server_address[1])
        server.shutdown()
        thread.join(10)
