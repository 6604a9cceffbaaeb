"""Settings: options over environment (`TARNLIGHT_*`) over `tarnlight.toml`; built once."""

from __future__ import annotations

import ipaddress
import os
import re
import sys
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit


class BadInput(Exception):
    """Something that a person gave is wrong; the message says what, where and what is allowed."""


class StoreUnavailable(Exception):
    """The store cannot be reached or opened; the message says what to do."""


class CollectorHangs(StoreUnavailable):
    """A collector is there and answers nothing, not even that it lives."""


class ArchiveUnavailable(StoreUnavailable):
    """Readings that were archived cannot be had: a file is missing, or is not what was written."""


class NoRoom(StoreUnavailable):
    """The store's disk has too little room for what was to be taken in; nothing of it was."""


def instant_of(name: str, text: object) -> datetime:
    """An instant that somebody gave in ISO 8601 with Z or an offset; `name` is what a refusal calls it."""
    try:
        at = datetime.fromisoformat(str(text))
    except ValueError:
        raise BadInput(f"{name} must be ISO 8601 with Z or an offset; got {text!r}") from None
    if at.tzinfo is None:
        raise BadInput(f"{name} must have Z or an offset; got {text!r}")
    return at


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """All that the processes need to know of their surroundings."""

    store: Path
    broker: str = "mqtt://127.0.0.1:1883"
    broker_user: str = ""
    broker_password_file: str = ""  # a file, never the password itself
    broker_ca_file: str = ""  # of the authority that signed the broker's certificate, for mqtts://
    mqtt_version: str = "3.1.1"  # "5" on request; notes on speed in DEVELOPERS.md
    client_id: str = ""  # of the collector at the broker; empty: a secret beside the store (`ingest.wire.sessions`)
    place: str = "centre"  # where the collector stands; "cabin": beside a broker that hands on to a centre's
    disk_floor_mb: int = 256  # with less room than that beside the store nothing is taken in
    keep_months: int = 0  # whole months of readings that stay in the store; 0: all (`ingest.db.archive`)
    serve_port: int = 0  # the store's own server; 0: any free port of loopback
    health_port: int = 0  # of loopback, for /healthz and /metrics; 0: neither is offered
    show_port: int = 8501
    show_address: str = "127.0.0.1"
    units: str = "metric"
    public_url: str = ""  # where phones reach the pages, for QR codes; empty: none are printed
    channels_file: str = ""  # TOML, mode 0600: NAME = "address to notify"; see `ingest.notification.channels`
    calendar_files: str = ""  # a folder: files in it may be calendars of bookings; empty: no file may
    calendar_hosts: tuple[str, ...] = ()  # this machine or hosts of a private network that calendars may come from

    def __post_init__(self) -> None:
        wrong = BadInput(f"broker must be mqtt://HOST:PORT or mqtts://HOST:PORT; got {self.broker!r}")
        try:
            parts = urlsplit(self.broker)
            port = parts.port  # read here, because a port out of range is only found on reading
            (parts.hostname or "").encode("idna")  # a..b is no name, and looking it up breaks more than the search
        except ValueError as error:
            raise wrong from error
        if parts.password or parts.username:  # first, so that no other message prints it
            raise BadInput(
                "broker must not carry a user or password in its address: set TARNLIGHT_BROKER_USER and "
                "TARNLIGHT_BROKER_PASSWORD, or TARNLIGHT_BROKER_PASSWORD_FILE"
            )
        if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or port == 0 or parts.path not in ("", "/"):
            raise wrong
        if self.mqtt_version not in ("3.1.1", "5"):
            raise BadInput(f"mqtt_version must be 3.1.1 or 5; got {self.mqtt_version!r}")
        if self.place not in ("cabin", "centre"):
            raise BadInput(f"place must be cabin or centre, where the collector stands; got {self.place!r}")
        for name in ("serve_port", "show_port", "health_port"):
            if not 0 <= getattr(self, name) <= 65535:
                raise BadInput(f"{name} must be a port, 0 to 65535; got {getattr(self, name)!r}")
        require_months("keep_months", self.keep_months)
        if self.units not in ("metric", "us"):
            raise BadInput(f"units must be metric or us; got {self.units!r}")
        _require_public("public_url", self.public_url)
        for host in self.calendar_hosts:
            if not re.fullmatch(r"[0-9A-Za-z._:-]+", host) or re.fullmatch(r"[^:]+:\d*", host):
                raise BadInput(
                    'calendar_hosts must be names or addresses of hosts alone, like ["192.168.1.5"], without '
                    f"http:// or a port; got {host!r}")

    def broker_password(self) -> str:
        """The broker's password, from environment or file; never kept in a field, so never printed."""
        if self.broker_password_file:
            try:
                return Path(self.broker_password_file).read_text(encoding="utf-8").strip()
            except (OSError, UnicodeDecodeError) as error:
                raise BadInput(
                    f"broker_password_file {self.broker_password_file!r} cannot be read: {error}") from error
        return os.environ.get("TARNLIGHT_BROKER_PASSWORD", "")

    def channel_address(self, name: str) -> str:
        """The address of a channel, from the environment; empty where that has none. Never kept, never printed."""
        return os.environ.get(f"TARNLIGHT_CHANNEL_{name.upper().replace('-', '_')}", "")

    @property
    def address_file(self) -> Path:
        """Where a collector leaves the address of its server; readable by its owner only."""
        return self.store.with_name(self.store.name + ".serve.json")

    @property
    def tally_file(self) -> Path:
        """How much the store held when it was last counted."""
        return self.store.with_name(self.store.name + ".tally.json")

    @property
    def alive_file(self) -> Path:
        """What whoever looks whether the collector lives keeps from one look to the next."""
        return self.store.with_name(self.store.name + ".alive.json")

    @property
    def client_id_file(self) -> Path:
        """What keeps the collector's client id where the settings name none; a secret."""
        return self.store.with_name(self.store.name + ".client-id")

    @property
    def spool(self) -> Path:
        """Where rows wait that another process hands to the collector."""
        return self.store.with_name(self.store.name + ".spool")

    @property
    def archive(self) -> Path:
        """Where readings of months past lie (`ingest.db.archive_files.folder_of`)."""
        return self.store.with_name(self.store.name + ".archive")

    @property
    def aside(self) -> Path:
        """Where messages lie whole that were too much to take."""
        return self.store.with_name(self.store.name + ".aside")


LEAST_KEPT_MONTHS, MOST_KEPT_MONTHS = 2, 1200  # what is asked of the present reaches back 30 days


def require_months(name: str, months: int) -> None:
    """Refuse a number of months to keep that is not allowed; 0 keeps all."""
    if months != 0 and not LEAST_KEPT_MONTHS <= months <= MOST_KEPT_MONTHS:
        raise _no_months(name, months)


def _no_months(name: str, got: object) -> BadInput:
    return BadInput(
        f"{name} must be {LEAST_KEPT_MONTHS} to {MOST_KEPT_MONTHS} whole months, or 0 to keep all; got {got!r}")


def is_loopback(address: str) -> bool:
    """Whether an address is this machine's own."""
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def _require_public(name: str, url: str) -> None:
    """Refuse an address of pages that a phone could not open; empty is allowed."""
    if not url:
        return
    if "@" in url:  # first, so that no other message prints it
        raise BadInput(f"{name} must not carry a user or password: it is printed for all to read")
    allowed = "the address at which phones reach the pages, like https://water.example.org"
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname or "", parts.port  # the port is only checked on reading
    except ValueError as error:
        raise BadInput(f"{name} must be {allowed}; got {url!r} ({error})") from error
    if parts.scheme not in ("http", "https") or not host or parts.query or parts.fragment or url.split() != [url]:
        raise BadInput(f"{name} must be {allowed}; got {url!r}")
    try:
        address = ipaddress.ip_address(host)
        own = address.is_loopback or address.is_unspecified
    except ValueError:
        own = host == "localhost" or host.endswith(".localhost")
    if own:
        raise BadInput(f"{name} must be {allowed}: a phone cannot open this machine's own {host}; got {url!r}")


def default_store() -> Path:
    """The store's place in the user's data folder."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "tarnlight" / "tarnlight.duckdb"


def settings(options: Mapping[str, Any], *, config: Path | None = None) -> Settings:
    """Options over environment over file.

    Raises
    ------
    BadInput
        If the file names a setting that does not exist, or a value is not allowed.
    """
    known = {field.name: field for field in fields(Settings)}
    merged: dict[str, Any] = {}
    path = config or Path("tarnlight.toml")
    if path.is_file():
        merged = _of_file(path, {name: str(field.type) for name, field in known.items()})
    elif config is not None:
        raise BadInput(f"{config}: no such file")
    merged.update(_of_environment(known))
    merged.update({name: value for name, value in options.items() if name in known and value is not None})
    merged["store"] = Path(merged.get("store") or default_store()).expanduser().absolute()
    for name in ("serve_port", "show_port", "health_port"):
        if name in merged:
            merged[name] = _port(name, merged[name])
    if "disk_floor_mb" in merged:
        merged["disk_floor_mb"] = _megabytes("disk_floor_mb", merged["disk_floor_mb"])
    if "keep_months" in merged:
        merged["keep_months"] = months_of("keep_months", merged["keep_months"])
    if isinstance(merged.get("calendar_hosts"), str):  # of the environment
        merged["calendar_hosts"] = merged["calendar_hosts"].replace(",", " ").split()
    merged["calendar_hosts"] = tuple(merged.get("calendar_hosts", ()))
    return Settings(**merged)


def _megabytes(name: str, value: Any) -> int:
    """A whole number of MB of a setting."""
    try:
        number = int(value)
    except (TypeError, ValueError):
        number = -1
    if not 0 <= number <= 1_000_000:
        raise BadInput(f"{name} must be 0 to 1000000, in MB; got {value!r}")
    return number


def months_of(name: str, value: Any) -> int:
    """A number of months to keep, from a person or the environment."""
    try:
        months = int(value)
    except (TypeError, ValueError):
        months = -1
    if months < 0:
        raise _no_months(name, value)
    require_months(name, months)
    return months


def _of_file(path: Path, known: Mapping[str, str]) -> dict[str, Any]:
    """The settings that a file names; `known` says of each that exists what type it has."""
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError, OSError) as error:
        raise BadInput(f"{path}: {error}") from error
    unknown = sorted(set(found) - set(known))
    if unknown:
        raise BadInput(f"{path}: unknown setting {unknown[0]!r}; known are: {', '.join(sorted(known))}")
    for name, value in found.items():
        if not _is_of_type(value, known[name]):
            kind = {"int": "a whole number", "tuple[str, ...]": "a list of texts"}.get(known[name], "a text")
            raise BadInput(f"{path}: {name} must be {kind}; got {value!r}")
    return found


def _is_of_type(value: object, kind: str) -> bool:
    """Whether a value of TOML is what a setting of that type takes."""
    if kind == "tuple[str, ...]":
        return isinstance(value, list) and all(isinstance(one, str) for one in value)
    # a bool is an int to Python, and is neither kind here
    return not isinstance(value, bool) and isinstance(value, int if kind == "int" else str)


def _of_environment(known: Iterable[str]) -> dict[str, str]:
    """The settings that the environment names; one that is set to nothing is not named."""
    told = {name: os.environ.get(f"TARNLIGHT_{name.upper()}") for name in known}
    return {name: value for name, value in told.items() if value}


def _port(name: str, value: Any) -> int:
    """A port as it was given, from the environment as text."""
    try:
        return int(value)
    except ValueError:
        raise BadInput(f"{name} must be a port, 0 to 65535; got {value!r}") from None
