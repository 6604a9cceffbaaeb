"""A cabin's own broker hands on to the centre's what its loggers send, and keeps it while the link is cut.

mosquitto's own bridge does that: QoS 1, a session that lasts, a queue without limit like the rest. The login stands
in a file of its own beside `mosquitto.conf`, written anew each time, so that a new password needs no editing.

The bridge speaks without TLS to a process of ours on this machine (`ingest.broker.uplink`), and that by TLS to the
centre: mosquitto 2.0.11 does not forget a bridge's socket whose TLS handshake fails (`net__socket_connect_tls`
closes it, and it stays in the table of clients), and one such handshake, as a bad link gives, later has it go round
that table for ever and serve nobody.
"""

from __future__ import annotations

import json
import re
import ssl
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from ingest.settings import BadInput, is_loopback
from ingest.wire.mqtt_client import DOWN, TOPICS, UP

FOLDER, FILE, CA, UPLINK = "bridge", "centre.conf", "centre-ca.pem", "uplink.json"
PORT, TLS_PORT = 1883, 8883
UPLINK_PORT = 8884  # of this machine, where the uplink waits for the bridge
KEEPALIVE_S = 30
RETRY_S, RETRY_MOST_S = 2, 60  # between two tries to reach the centre, longer from one to the next
# What mosquitto takes on a line of its own, whatever stands in it: no space, no control character.
_WORD = re.compile(r"[\x21-\x7e]{1,200}")
_HOST = re.compile(r"[A-Za-z0-9._-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridge:
    """Where a cabin's broker hands on to, and as whom."""

    cabin: str
    host: str
    port: int
    user: str
    password: str = field(repr=False)
    ca: str  # the text of a PEM file; empty: no TLS, to this machine alone
    uplink_port: int = UPLINK_PORT


def user_of(cabin: str) -> str:
    """The user of a cabin's bridge at the centre's broker; a dot stands in no slug, so it is no unit's."""
    return f"{cabin}.bridge"


def topics_of_bridge(cabin: str) -> list[str]:
    """The lines of the centre's access list for a cabin's bridge: what goes up and down of its own cabin."""
    return [*(f"topic write {topic}" for topic in _going_up(cabin)),
            *(f"topic read {topic}" for topic in _coming_down(cabin))]


def _going_up(cabin: str) -> list[str]:
    """What its loggers send, and what its own collector tells the centre's."""
    return [topic.replace("+", cabin, 1) for topic in (*TOPICS, *UP)]


def _coming_down(cabin: str) -> list[str]:
    """What the centre's collector tells the cabin's."""
    return [topic.replace("+", cabin, 1) for topic in DOWN]


def bridge_to(
    address: str, cabin: str, login: Path, ca: Path | None, *, uplink_port: int = UPLINK_PORT
) -> Bridge:
    """A bridge as the options ask for it.

    Parameters
    ----------
    address : str
        Of the centre's broker: mqtts://HOST:PORT, or mqtt://HOST:PORT on this machine.
    cabin : str
        Whose topics go up.
    login : Path
        A file that holds the user on its first line and the password on its second.
    ca : Path or None
        The certificate of the authority that signed the centre's certificate; with mqtts://.
    uplink_port : int
        Of this machine, where the uplink waits for the bridge; with mqtts://.

    Raises
    ------
    BadInput
        If one of them will not do.
    """
    wrong = BadInput(f"--bridge-to must be mqtts://HOST:PORT; got {address!r}")
    if "@" in address:  # first, so that no other message prints it
        raise BadInput("--bridge-to must not carry a user or password: they are read from --bridge-login FILE")
    try:
        parts = urlsplit(address)
        host, port = parts.hostname or "", parts.port
    except ValueError as error:
        raise wrong from error
    more = parts.path.strip("/") or parts.query or parts.fragment
    if parts.scheme not in ("mqtt", "mqtts") or not _HOST.fullmatch(host) or port == 0 or more:
        raise wrong
    tls = parts.scheme == "mqtts"
    if not tls and not is_loopback(host):
        raise BadInput(f"--bridge-to {address} would send the password over a network in clear; give mqtts://")
    if tls != (ca is not None):
        raise BadInput("--bridge-to mqtts://... needs --bridge-ca, the certificate of the authority of the "
                       "centre's broker" if tls else "--bridge-ca goes with mqtts:// alone")
    if not 1 <= uplink_port <= 65535:
        raise BadInput(f"--uplink-port must be 1 to 65535; got {uplink_port}")
    user, password = _login(login)
    if user.endswith(user_of("")) and user != user_of(cabin):  # else the centre would cut it off at each message
        raise BadInput(f"--bridge-login {login} is another cabin's: of {cabin} it is {user_of(cabin)!r}")
    return Bridge(
        cabin=cabin, host=host, port=port or (TLS_PORT if tls else PORT), user=user, password=password,
        ca=_authority(ca) if ca is not None else "", uplink_port=uplink_port)


def _login(path: Path) -> tuple[str, str]:
    """User and password of a file; no message holds any of it."""
    try:
        if path.stat().st_mode & 0o077:
            raise BadInput(f"--bridge-login {path} may be read or changed by others: chmod 600 {path}")
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is no text"
        raise BadInput(f"--bridge-login {path} cannot be read: {why}") from error
    if len(lines) != 2 or not all(_WORD.fullmatch(line) for line in lines):
        raise BadInput(f"--bridge-login {path} must hold two lines, the user and the password, each of letters, "
                       "digits and signs without spaces")
    return lines[0], lines[1]


def _authority(path: Path) -> str:
    """The text of an authority's certificate."""
    try:
        text = path.read_text(encoding="utf-8")
        ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).load_verify_locations(cadata=text)
    except (OSError, UnicodeDecodeError, ValueError, ssl.SSLError) as error:
        raise BadInput(f"--bridge-ca {path} holds no certificate of an authority: {error}") from error
    return text


def uplink_text(bridge: Bridge) -> str:
    """What the uplink has to know: where it waits, and where it leads."""
    return json.dumps({"listen": bridge.uplink_port, "host": bridge.host, "port": bridge.port}) + "\n"


def bridge_lines(bridge: Bridge) -> list[str]:
    """The lines of the bridge's own file, which `mosquitto.conf` includes."""
    own = user_of(bridge.cabin)
    address = f"127.0.0.1:{bridge.uplink_port}" if bridge.ca else f"{bridge.host}:{bridge.port}"
    return [
        "# Written by `tarnlight broker --bridge-to`, anew each time. It holds a password.",
        "connection centre",
        f"address {address}",
        f"remote_username {bridge.user}",
        f"remote_password {bridge.password}",
        f"remote_clientid {own}",
        f"local_clientid {own}.out",
        "# What the centre has not acknowledged is kept here, and sent once it can be reached again.",
        "cleansession false",
        "bridge_protocol_version mqttv311",
        "start_type automatic",
        f"restart_timeout {RETRY_S} {RETRY_MOST_S}",
        f"keepalive_interval {KEEPALIVE_S}",
        "notifications false",
        *(f"topic {topic} out 1" for topic in _going_up(bridge.cabin)),
        *(f"topic {topic} in 1" for topic in _coming_down(bridge.cabin)),
    ]
