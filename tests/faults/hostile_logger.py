"""A logger with a valid password that tries everything: MQTT 3.1.1 by hand, since no library sends this."""

from __future__ import annotations

import contextlib
import json
import random
import select
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

BURST = 2_000  # messages at full speed, each round
MARK_V = 1.11  # battery voltage of every reading that it forges in another's name. [V]


def _text(value: bytes) -> bytes:
    return len(value).to_bytes(2, "big") + value


def _packet(head: int, body: bytes) -> bytes:
    """Fixed header with its variable length [MQTT 3.1.1, 2.2.3], and the rest."""
    length, out = len(body), bytearray([head])
    while True:
        length, low = divmod(length, 128)
        out.append(low | (0x80 if length else 0))
        if not length:
            return bytes(out) + body


def connect_packet(
    user: str, password: str, client_id: bytes, will: tuple[bytes, bytes] | None = None, *, clean: bool = True
) -> bytes:
    """CONNECT, with a retained will at QoS 1 where one is given [MQTT 3.1.1, 3.1]."""
    flags = 0xC0 | (0x02 if clean else 0) | (0x2C if will else 0)
    parts = [client_id, *(will or ()), user.encode(), password.encode()]
    return _packet(0x10, _text(b"MQTT") + bytes([4, flags, 0, 60]) + b"".join(map(_text, parts)))


def publish_packet(
    topic: bytes, payload: bytes, qos: int = 1, mid: int = 1, *, retain: bool = False, dup: bool = False
) -> bytes:
    """PUBLISH [MQTT 3.1.1, 3.3]."""
    head = 0x30 | (0x08 if dup else 0) | qos << 1 | int(retain)
    return _packet(head, _text(topic) + (mid.to_bytes(2, "big") if qos else b"") + payload)


@dataclass
class Hostile:
    """Goes through its tricks in rounds, in a thread of its own, until told to stop."""

    port: int
    cabin: str
    password: str
    others: tuple[str, ...]
    seed: int = 1
    sent: int = 0
    cut_off: int = 0  # times that the broker ended its connection
    rounds: int = 0
    seen: set[bytes] = field(default_factory=set)  # packets from the broker that carry a foreign message
    _socket: socket.socket | None = None
    _mid: int = 0
    _stop: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self._dice = random.Random(self.seed)
        self._thread = threading.Thread(target=self._run)
        self.user = f"{self.cabin}/main"
        self.log = f"tarnlight/{self.cabin}/main/log".encode()
        self.link = f"tarnlight/{self.cabin}/main/link".encode()

    def __enter__(self) -> Hostile:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(60)
        self._leave()

    def _run(self) -> None:
        while not self._stop.is_set():
            for trick in self.tricks():
                if self._stop.is_set():
                    return
                with contextlib.suppress(OSError):
                    trick()
            self.rounds += 1
            self._stop.wait(0.2)

    # The wire

    def _leave(self) -> None:
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.close()
            self._socket = None

    def _connect(
        self, client_id: bytes = b"knotweed", will: tuple[bytes, bytes] | None = None, *, clean: bool = True
    ) -> socket.socket:
        self._leave()
        self._socket = socket.create_connection(("127.0.0.1", self.port), timeout=10)
        self._socket.sendall(connect_packet(self.user, self.password, client_id, will, clean=clean))
        self._socket.recv(4)
        return self._socket

    def _hear(self, within_s: float = 0.0) -> bytes:
        """What the broker sent meanwhile; notices where it ended the connection."""
        out = b""
        while self._socket is not None and select.select([self._socket], [], [], within_s)[0]:
            try:
                found = self._socket.recv(65536)
            except OSError:
                found = b""
            if not found:
                self.cut_off += 1
                self._leave()
                break
            out += found
        if any(f"tarnlight/{other}/".encode() in out for other in self.others):
            self.seen.add(out[:200])
        return out

    def send(self, *packets: bytes) -> None:
        """On a connection that stands; the broker's answers are heard and passed over."""
        for packet in packets:
            here = self._socket or self._connect()
            try:
                here.sendall(packet)
                self.sent += 1
            except OSError:
                self.cut_off += 1
                self._leave()
        self._hear()

    def _next(self) -> int:
        self._mid = self._mid % 65_535 + 1
        return self._mid

    def tell(self, payload: bytes, topic: bytes | None = None, qos: int = 1, *, retain: bool = False) -> None:
        """One message, on its own topic where none is named."""
        self.send(publish_packet(self.log if topic is None else topic, payload, qos, self._next(), retain=retain))

    # What it tries

    def tricks(self) -> list[Callable[[], None]]:
        """All of them, in an order of this round's own."""
        out: list[Callable[[], None]] = [
            self.in_anothers_name, self.flood, self.flood_of_twos, self.huge, self.deep, self.no_numbers,
            self.times, self.odd_topics, self.retained, self.wills, self.anothers_id,
            self.half_of_qos_2, self.bad_utf_8,
            self.overlong, self.listens, self.nonsense_packets, self.links]
        self._dice.shuffle(out)
        return out

    def _forged(self) -> bytes:
        return json.dumps([{"bt": round(time.time(), 3), "n": "battery", "v": MARK_V},
                           {"n": "intensity", "v": 0.0}, {"n": "lamp", "vb": False}]).encode()

    def in_anothers_name(self) -> None:
        for other in self.others:
            for what in ("main/log", "main/link", "advisory"):
                self.tell(b"down" if what.endswith("link") else self._forged(),
                          f"tarnlight/{other}/{what}".encode(), retain=self._dice.random() < 0.5)
        for topic in (b"$SYS/broker/version", b"tarnlight/collector/main/log", b"#", b"tarnlight"):
            self.tell(self._forged(), topic)
        # another's name within a pack of its own
        self.tell(json.dumps([{"bn": f"tarnlight/{self.others[0]}/main/", "bt": time.time(), "n": "battery",
                               "v": MARK_V}]).encode())

    def flood(self) -> None:
        packets = [publish_packet(self.log, b'[{"n":"pressure","v":%d}]' % n, n % 2, self._next())
                   for n in range(BURST)]
        for first in range(0, BURST, 100):
            self.send(b"".join(packets[first : first + 100]))
        self.sent += BURST - BURST // 100

    def flood_of_twos(self) -> None:
        for n in range(20):
            self.tell(b"[" + b",".join([b'{"n":"flow","v":"%d"}' % n] * 1_000) + b"]", qos=2)

    def huge(self) -> None:
        now = round(time.time())
        backlog = b",".join(b'{"n":"battery","v":12,"t":%d}' % (now - 60 * n) for n in range(55_000))
        self.tell(b"[" + backlog[:1_999_990].rsplit(b",{", 1)[0] + b"]")
        self.tell(b"[" + b"1," * 999_990 + b"1]")
        self.tell(b"x" * 2_100_000)  # the broker takes none of that size

    def deep(self) -> None:
        for opening in (b"[" * 1_000_000, b'{"a":' * 300_000, b"[[[[[[[[1]]]]]]]]", b"{" * 20):
            self.tell(opening)

    def no_numbers(self) -> None:
        for value in (b"NaN", b"Infinity", b"-Infinity", b"1e999", b"9" * 5_000, b"null", b"[]", b'"12"',
                      b"1" * 309):
            self.tell(b'[{"n":"battery","v":%s}]' % value)
            self.tell(b'[{"n":"battery","v":12,"t":%s}]' % value)
            self.tell(b'[{"bt":%s,"bv":%s},{"n":"battery","v":12}]' % (value, value))

    def times(self) -> None:
        now = time.time()
        for at in (now + 86_400, now + 3.15e9, 4_070_908_800, 1e18, -1e18, 2**28, 2**28 + 1, 0, 1, 946_684_800,
                   now + 299, now + 301, now - 3.15e8, 253_402_300_800, 9e9):
            self.tell(json.dumps([{"n": "battery", "v": 12.0, "t": at}]).encode())

    def odd_topics(self) -> None:
        for odd in (b"tarnlight/+/main/log", b"tarnlight/#", b"", b"/", b"tarnlight//main/log", self.log + b"/",
                    self.log + b"\x01", b"tarnlight/\x00/main/log", b"tarnlight/\x1b[2J/main/log", self.log + b"\n",
                    b"tarnlight/<script>/main/log", b"tarnlight/'; DROP TABLE reading; --/main/log",
                    b"tarnlight/../main/log"):
            self.tell(self._forged(), odd)

    def retained(self) -> None:
        self.tell(self._forged().replace(b"1.11", b"12.5"), retain=True)
        self.tell(b"nothing", retain=True)
        self.tell(b"", retain=True)
        self.tell(b"down", self.link, retain=True)

    def wills(self) -> None:
        for topic in (b"tarnlight/%s/main/link" % self.others[1].encode(), self.link, self.log):
            self._connect(will=(topic, b"down"))
            self._leave()  # without a word, so that the broker publishes it

    def anothers_id(self) -> None:
        for other in (f"{self.others[0]}-logger", f"{self.others[1]}/main", "collector", "tarnlight-collector"):
            self._connect(other.encode(), clean=self._dice.random() < 0.5)
            self.tell(self._forged(), f"tarnlight/{self.others[0]}/main/log".encode())
            self._leave()

    def half_of_qos_2(self) -> None:
        for _ in range(20):  # each left open
            self.tell(b'[{"n":"battery","v":12.5}]', qos=2)
        self._hear(0.05)
        self.send(*[_packet(0x62, n.to_bytes(2, "big")) for n in range(1, 50)])  # released, asked or not

    def bad_utf_8(self) -> None:
        self.tell(b'[{"n":"battery","v":12}]', b"tarnlight/\xff\xfe/main/log")
        self.tell(b'[{"n":"battery","v":12}]', self.log + b"\xc0\x80")
        self.tell(b'[{"n":"bat\xfftery","v":12}]')
        self.tell(b'[{"n":"\\ud800","v":12}]')

    def overlong(self) -> None:
        self.tell(self._forged(), b"tarnlight/" + b"a" * 60_000 + b"/main/log")
        self.tell(self._forged(), self.log + b"/" + b"b" * 65_000)
        self.tell(b'[{"bn":"' + b"a" * 1_000_000 + b'"},' + b",".join([b'{"n":"a","v":1}'] * 10_000) + b"]")
        self.tell(b'[{"n":"' + b"c" * 65_000 + b'","v":1}]')

    def listens(self) -> None:
        here = self._connect()
        for topic in (b"#", b"tarnlight/+/+/log", b"tarnlight/+/advisory", b"$SYS/#",
                      f"tarnlight/{self.others[2]}/main/log".encode()):
            here.sendall(_packet(0x82, self._next().to_bytes(2, "big") + _text(topic) + b"\x01"))
        self._hear(0.3)
        self._leave()

    def nonsense_packets(self) -> None:
        for packet in (b"\x00\x00", b"\xf0\x00", b"\x30\xff\xff\xff\xff\x7f", b"\x36\x02\x00\x00", b"\x10\x00",
                       self._dice.randbytes(500), b"\x82\x02\x00\x00"):
            self.send(packet)
            self._leave()
        self.send(publish_packet(self.log, b"[]", 1, 0), publish_packet(self.log, b"[]", 1, 7, dup=True))

    def links(self) -> None:
        for n in range(200):
            self.tell((b"up", b"down", b"sideways", b"\xff")[n % 4], self.link)
