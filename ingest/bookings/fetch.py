"""The bytes of one calendar, from where it may be read, of bounded size.

How long it may take is not held here: `readings` ends the process that this runs in, which also ends a resolver
that hangs and a server that sends a byte a second.
"""

from __future__ import annotations

import http.client
import ipaddress
import socket
import ssl
import stat
from urllib.parse import urljoin

from ingest.bookings.addresses import (
    Address,
    Allowed,
    CalendarUnreadable,
    WebAddress,
    file_of,
    is_named,
    is_public,
    is_web,
    private_words,
    refusal,
    web_address,
)

MOST_BYTES = 5 * 2**20  # a feed of bookings is some kB
MOST_REDIRECTS = 3
STEP_WITHIN_S = 10.0  # to connect, or between two pieces
REDIRECTS = (301, 302, 303, 307, 308)


def fetched(calendar: str, allowed: Allowed) -> bytes:
    """A calendar's bytes.

    Raises
    ------
    CalendarUnreadable
        If it may not be read, cannot be had, or is larger than any list of bookings.
    """
    if why := refusal(calendar, allowed):
        raise CalendarUnreadable(why)
    found = _of_web(calendar, allowed) if is_web(calendar) else _of_file(calendar, allowed)
    if len(found) > MOST_BYTES:
        raise CalendarUnreadable(f"it is larger than {MOST_BYTES} bytes")
    return found


def _of_file(calendar: str, allowed: Allowed) -> bytes:
    path = file_of(calendar, allowed)
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise CalendarUnreadable("it is no file")
        with path.open("rb") as file:
            return file.read(MOST_BYTES + 1)
    except OSError as error:
        raise CalendarUnreadable(f"it cannot be read: {error.strerror}") from None


def _of_web(calendar: str, allowed: Allowed) -> bytes:
    at, before = calendar, None
    for _ in range(MOST_REDIRECTS + 1):
        where = web_address(at)
        address = _checked(where, allowed)
        if before is not None:
            refuse_crossing(before, (where, address))
        answer, leads_to = _asked(where, address)
        if leads_to is None:
            return answer
        before = (where, address)
        try:
            at = urljoin(at, leads_to)
        except ValueError:
            at = ""
        if not at.startswith(("http://", "https://")):
            raise CalendarUnreadable("it leads on to what is no address of the web")
    raise CalendarUnreadable(f"it leads on more than {MOST_REDIRECTS} times")


def _checked(where: WebAddress, allowed: Allowed) -> Address:
    """The one address that is then connected to, so that no later answer of the resolver can put another there."""
    try:
        found = socket.getaddrinfo(where.host, where.port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        raise CalendarUnreadable(
            f"{where.host} is not found: {getattr(error, 'strerror', None) or 'no such name'}") from None
    addresses = [ipaddress.ip_address(str(one[4][0]).partition("%")[0]) for one in found]
    for one in addresses:
        if not is_public(one) and not is_named(allowed, where.host, one):
            raise CalendarUnreadable(private_words(where.host))
    return addresses[0]


def refuse_crossing(before: tuple[WebAddress, Address], after: tuple[WebAddress, Address]) -> None:
    """A feed of the internet leads nobody into a private network, nor out of one, nor off TLS."""
    if is_public(before[1]) != is_public(after[1]):
        raise CalendarUnreadable("it leads on from a public host to a private one, or back, which is not followed")
    if before[0].secure and not after[0].secure:
        raise CalendarUnreadable("it leads on from https to http, which is not followed")


def _asked(where: WebAddress, address: Address) -> tuple[bytes, str | None]:
    """What is there, or where that leads to."""
    connection = _Pinned(where, address)
    try:
        connection.request("GET", where.target, headers={
            "User-Agent": "tarnlight", "Accept": "text/calendar", "Accept-Encoding": "identity",
            "Connection": "close"})
        answer = connection.getresponse()
        leads_to = answer.getheader("Location")
        if answer.status in REDIRECTS and leads_to:
            return b"", leads_to
        if answer.status != 200:
            raise CalendarUnreadable(f"it answers with status {answer.status}")
        if answer.getheader("Content-Encoding", "identity").lower() != "identity":
            raise CalendarUnreadable("it answers packed, though it was asked not to")
        return answer.read(MOST_BYTES + 1), None
    except TimeoutError:
        raise CalendarUnreadable("it does not answer in time") from None
    except ssl.SSLError as error:
        raise CalendarUnreadable(f"no TLS with it: {error.reason or 'refused'}") from None
    except OSError as error:
        raise CalendarUnreadable(f"it cannot be reached: {error.strerror or 'the connection broke'}") from None
    except http.client.HTTPException:
        raise CalendarUnreadable("what answers there speaks no HTTP") from None
    finally:
        connection.close()


class _Pinned(http.client.HTTPConnection):
    """A connection to the address that was checked, in the name of its host; no proxy stands between."""

    def __init__(self, where: WebAddress, address: Address) -> None:
        super().__init__(where.host, where.port, timeout=STEP_WITHIN_S)
        self._where, self._address = where, address
        self.default_port = 443 if where.secure else 80  # which the Host header leaves out

    def connect(self) -> None:
        """Connect, and for https hold the certificate against the host."""
        self.sock = socket.create_connection((str(self._address), self._where.port), STEP_WITHIN_S)
        if self._where.secure:
            self.sock = ssl.create_default_context().wrap_socket(self.sock, server_hostname=self._where.host)
