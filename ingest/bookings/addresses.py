"""Where a calendar may be read: public hosts by http or https; what is private only where the settings name it.

An address of a feed comes from whoever enrols a cabin, and what it leads to is another's. So nothing of this
machine or its network is reached by it unless the settings say so. Such an address is often a secret: no message
holds more of it than its host.
"""

from __future__ import annotations

import ipaddress
import re
import socket
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote, urlsplit

from ingest.settings import BadInput, Settings
from models.fleet import Fleet

Address = ipaddress.IPv4Address | ipaddress.IPv6Address

_NAT64 = ipaddress.IPv6Network("64:ff9b::/96")  # RFC 6052, section 2.1 (from memory)
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+:")  # two letters at least: C:\\ is a folder
_IN_A_TARGET = "/%:=&?~+!$,;'@()*[]"  # what an address may hold as it is, RFC 3986, section 3.3 (from memory)


class CalendarUnreadable(Exception):
    """A calendar could not be had or understood; the message says why, and of its address the host alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowed:
    """What the settings allow beside public hosts: a folder of files, and hosts by name or address."""

    files: str = ""
    hosts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WebAddress:
    """An address of a feed, in the parts that a request needs."""

    secure: bool
    host: str
    port: int
    target: str

    @property
    def literal(self) -> Address | None:
        """The address that the host is written as, in any way that a resolver would take; None: it is a name."""
        try:
            return ipaddress.ip_address(self.host)
        except ValueError:
            pass
        if re.fullmatch(r"[0-9a-fx.]+", self.host):  # 127.1 and 0x7f000001 are 127.0.0.1
            try:
                return ipaddress.IPv4Address(socket.inet_aton(self.host))
            except OSError:
                return None
        return None


def allowed_of(settings: Settings) -> Allowed:
    """What the settings allow."""
    return Allowed(files=settings.calendar_files, hosts=settings.calendar_hosts)


def is_web(calendar: str) -> bool:
    """Whether a calendar is an address, else it is a file's path."""
    return _SCHEME.match(calendar) is not None


def name_of(calendar: str) -> str:
    """What a message calls a calendar: its host, never its path, its query or its file."""
    if not is_web(calendar):
        return "its file"
    try:
        return urlsplit(calendar).hostname or "its address"
    except ValueError:
        return "its address"


def web_address(text: str) -> WebAddress:
    """An address in its parts.

    Raises
    ------
    CalendarUnreadable
        If it is no http:// or https:// address, or carries a user or password.
    """
    wrong = CalendarUnreadable("it must be an address like https://bookings.example.org/cabin.ics")
    if any(ord(one) <= 0x20 or ord(one) == 0x7F for one in text):
        raise wrong
    try:
        parts = urlsplit(text)
        host, port = parts.hostname or "", parts.port
        host = host if ":" in host else host.encode("idna").decode("ascii").rstrip(".").lower()
    except ValueError as error:  # UnicodeError is one
        raise wrong from error
    if parts.scheme not in ("http", "https") or not host or port == 0:
        raise wrong
    if parts.username is not None or parts.password is not None:
        raise CalendarUnreadable("its address must not carry a user or password")
    target = quote(parts.path or "/", safe=_IN_A_TARGET)
    if parts.query:
        target += "?" + quote(parts.query, safe=_IN_A_TARGET)
    secure = parts.scheme == "https"
    return WebAddress(secure=secure, host=host, port=port or (443 if secure else 80), target=target)


def is_public(address: Address) -> bool:
    """Whether an address is one of the internet at large, also where it is written within another."""
    if isinstance(address, ipaddress.IPv6Address):
        if address in _NAT64:
            return is_public(ipaddress.IPv4Address(int(address) & 0xFFFFFFFF))
        within = [one for one in (address.ipv4_mapped, address.sixtofour, *(address.teredo or ())) if one]
        if within:
            return all(is_public(one) for one in within)
        if address.is_site_local:
            return False
    return address.is_global and not address.is_multicast


def is_named(allowed: Allowed, host: str, address: Address) -> bool:
    """Whether the settings name a host, by its name or by the address that it has."""
    for one in allowed.hosts:
        if one.lower().rstrip(".") == host:
            return True
        try:
            if ipaddress.ip_address(one) == address:
                return True
        except ValueError:
            continue
    return False


def refusal(calendar: str, allowed: Allowed) -> str:
    """Why a calendar is not read, whatever would answer there; empty where it may be tried. Looks nothing up."""
    if not is_web(calendar):
        return _file_refusal(calendar, allowed)
    try:
        found = web_address(calendar)
    except CalendarUnreadable as error:
        return str(error)
    own = found.host == "localhost" or found.host.endswith(".localhost")
    literal = ipaddress.ip_address("127.0.0.1") if own else found.literal
    if literal is None or is_public(literal) or is_named(allowed, found.host, literal):
        return ""
    return private_words(found.host)


def private_words(host: str) -> str:
    """Why a host is not asked."""
    return (f"{host} is this machine or in a private network, and calendar_hosts in the settings does not name it")


def _file_refusal(calendar: str, allowed: Allowed) -> str:
    if not allowed.files:
        return ("a file is read only from the folder that calendar_files in the settings names, and it names none; "
                "give an address like https://bookings.example.org/cabin.ics")
    try:
        file_of(calendar, allowed)
    except CalendarUnreadable as error:
        return str(error)
    return ""


def file_of(calendar: str, allowed: Allowed) -> Path:
    """The file of a calendar; it need not exist.

    Raises
    ------
    CalendarUnreadable
        If it lies outside of the folder that the settings name, links followed.
    """
    folder = Path(allowed.files).expanduser().resolve()
    try:
        found = (folder / Path(calendar).expanduser()).resolve()
    except (OSError, ValueError, RuntimeError) as error:
        raise CalendarUnreadable("its file has no name that can be looked up") from error
    if not allowed.files or not found.is_relative_to(folder):
        raise CalendarUnreadable("its file lies outside of the folder that calendar_files in the settings names")
    return found


def refuse_calendars(fleet: Fleet, allowed: Allowed) -> None:
    """Refuse a registry that names a calendar which would not be read.

    Raises
    ------
    BadInput
        Names the cabin and what is allowed; of the calendar no more than its host.
    """
    for place in fleet.cabins:
        why = refusal(place.calendar, allowed) if place.calendar else ""
        if why:
            raise BadInput(f"calendar of cabin {place.slug!r} would not be read: {why}")
