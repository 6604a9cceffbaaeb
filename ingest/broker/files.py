"""A mosquitto's files for the enrolled fleet: who may connect, what each may write, and that nothing is dropped.

A message that the broker has acknowledged is gone from the logger that sent it. So the broker keeps all of them for
the collector, whatever their number, and nobody but the collector can have the collector's session.

The files are added to and never written anew: users by line in `passwords`, their topics by block in `access`.
`mosquitto.conf` is written once; after that it is the reader's.
"""

from __future__ import annotations

import base64
import hashlib
import re
import secrets
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from ingest.broker import bridge as bridges
from ingest.broker.folder import give_like_folder, give_to_broker, runs_as, write_like_folder
from ingest.broker.tls import Tls, require_usable
from ingest.settings import BadInput
from ingest.wire.mqtt_client import DOWN, ECHO, TOPICS, UP
from models.fleet import Fleet, polled

COLLECTOR, POLLER = "collector", "poller"
CONF, PASSWORDS, ACCESS, DATA = "mosquitto.conf", "passwords", "access", "data"
CA, CERT, KEY = "tls-ca.pem", "tls-cert.pem", "tls-key.pem"
MARK = "# Written by `tarnlight broker`."

MOST_PAYLOAD_BYTES = 2_000_000
MOST_PACKET_BYTES = MOST_PAYLOAD_BYTES + 1_000  # with its topic: a client over it is cut off, and tries for ever
# What the collector may take from all topics in turn (`ingest.wire.fair_queue`): it holds that much in memory, and
# what lies behind it at the broker waits.
IN_FLIGHT, IN_FLIGHT_BYTES = 10_000, 100_000_000
SAVED_EVERY_S = 60  # what is at stake when the broker's own machine loses its power

# Measured with mosquitto 2.0.11 and a pack of all nine quantities: 795 bytes of memory, 530 on disk; rounded up.
BYTES_A_MESSAGE = 1_000
DAYS_AWAY = 7  # common practice, no source
DAY_S = 86_400.0

# Without look-alikes, since somebody may have to type it into a logger: 57 letters, 24 of them are 139 bits.
LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz23456789"
PASSWORD_LETTERS = 24
# mosquitto's own number of rounds. More would only slow connecting down: a password of 139 bits is not guessed.
ROUNDS = 101
SALT_BYTES = 12  # mosquitto 2.0 takes no other

_HOST = re.compile(r"[A-Za-z0-9.:_-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Listener:
    """Where the broker listens; without `tls` for this machine alone."""

    host: str
    port: int
    tls: Tls | None

    def __post_init__(self) -> None:
        if not _HOST.fullmatch(self.host):
            raise BadInput(f"--host must be a name or an address of this machine; got {self.host!r}")
        if not 1 <= self.port <= 65535:
            raise BadInput(f"--port must be 1 to 65535; got {self.port}")


@dataclass(frozen=True, slots=True)
class Account:
    """A user of the broker, and the password that it was just given."""

    user: str
    password: str = field(repr=False)


@dataclass(slots=True)
class Written:
    """What was done: users made, what else there is to say, and what to be warned of."""

    new: list[Account] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Queue:
    """What the fleet's messages take while the collector is away."""

    units: int
    messages_a_day: int
    bytes_a_day: int
    bytes_kept: int  # after `DAYS_AWAY`, in the broker's memory
    disk_bytes: int  # twice that: mosquitto writes a new file beside the old one


def queue_of(fleet: Fleet) -> Queue:
    """The memory and disk that the broker needs for `DAYS_AWAY` days without a collector.

    Each reading counts as a message of its own: a logger that packs several into one needs less.
    """
    cadences = [unit.cadence_s for cabin in fleet.cabins for unit in cabin.units]
    a_day = int(sum(DAY_S / cadence_s for cadence_s in cadences) + 0.5)
    kept = a_day * BYTES_A_MESSAGE * DAYS_AWAY
    return Queue(units=len(cadences), messages_a_day=a_day, bytes_a_day=a_day * BYTES_A_MESSAGE, bytes_kept=kept,
                 disk_bytes=2 * kept)


def rights_of(fleet: Fleet, bridged: Sequence[str] = ()) -> dict[str, list[str]]:
    """Every user, and the lines of the access list that say what it may do; all else is refused.

    A unit's is `<cabin>/<unit>`; another device that publishes topics of a unit has `<cabin>/<unit>/<device>`. Each
    may write its own topics alone; the poller, where controllers are polled, the logs of their units.
    """
    out: dict[str, list[str]] = {}
    for cabin in fleet.cabins:
        for unit in cabin.units:
            user = f"{cabin.slug}/{unit.slug}"
            out[user] = [f"topic write tarnlight/{user}/log", f"topic write tarnlight/{user}/link",
                         f"topic read tarnlight/{cabin.slug}/advisory"]  # for the sign in its own cabin
            for one in unit.topics:
                device = f"{user}/{one.device}" if one.device else user
                out.setdefault(device, []).append(f"topic write {one.topic}")
    out[COLLECTOR] = [
        *(f"topic read {topic}" for topic in (*TOPICS, *fleet.topics.filters())),
        "topic write tarnlight/+/advisory", f"topic readwrite {ECHO}",
        *(f"topic readwrite {topic}" for topic in (*UP, *DOWN))]
    if asked := polled(fleet):
        out[POLLER] = [f"topic write tarnlight/{cabin}/{unit}/log" for cabin, unit in asked]
    return out | {bridges.user_of(cabin): bridges.topics_of_bridge(cabin) for cabin in bridged}


def password_line(user: str, password: str) -> str:
    """A line of mosquitto's password file: PBKDF2 of SHA-512, as mosquitto_passwd(1) writes it.

    References
    ----------
    .. [1] Eclipse Mosquitto 2.0, mosquitto_passwd(1): hash `sha512-pbkdf2`, marked `$7$`.
    """
    salt = secrets.token_bytes(SALT_BYTES)
    found = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ROUNDS)
    return f"{user}:$7${ROUNDS}${_base64(salt)}${_base64(found)}"


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def write_broker(
    folder: Path, fleet: Fleet, listener: Listener | None, *, bridge: bridges.Bridge | None = None,
    bridged: Sequence[str] = (), former: Mapping[str, str] | None = None,
) -> Written:
    """Write, or add to, a mosquitto's files.

    Parameters
    ----------
    folder : Path
        A folder of the broker's own; made if it is not there.
    fleet : Fleet
        What is enrolled.
    listener : Listener or None
        None to leave the `mosquitto.conf` that is there as it is.
    bridge : Bridge or None
        Where one cabin's broker hands on to; `fleet` then holds that cabin alone.
    bridged : sequence of str
        Cabins whose own brokers hand on to this one: each gets a user for its bridge.
    former : mapping, optional
        Users of units that have another name now, to the present user of each.

    Raises
    ------
    BadInput
        If nothing is enrolled, the folder is somebody else's, a `mosquitto.conf` is there that says something
        else than `listener`, or the certificate cannot be used. Nothing is changed then.
    """
    folder = folder.absolute()
    if not any(cabin.units for cabin in fleet.cabins):
        raise BadInput("no unit is enrolled, so the broker would have no logger: tarnlight enroll fleet.toml")
    if re.search(r"[\x00-\x1f\x7f]|^\s|\s$", str(folder)):
        raise BadInput(f"the folder's name must hold no control character, nor end in a space; got {str(folder)!r}")
    try:
        return _write(folder, fleet, listener, bridge, rights_of(fleet, bridged), former or {})
    except OSError as error:
        raise BadInput(
            f"{error.filename or folder} cannot be written or read: {error.strerror or error}") from error


def _write(
    folder: Path, fleet: Fleet, listener: Listener | None, bridge: bridges.Bridge | None,
    rights: Mapping[str, Sequence[str]], former: Mapping[str, str],
) -> Written:
    out = Written()
    conf = folder / CONF
    _require_own(folder)
    first = not conf.exists()
    if first and listener is None:
        raise BadInput(
            f"{folder} holds no {CONF} yet: say how loggers reach the broker, with --tls-ca, --tls-cert and "
            "--tls-key (and --host), or --plain for this machine alone")
    if not first:
        _require_same(conf, listener)
        _require_bridge(conf, bridge)
    if listener is not None and listener.tls is not None:
        out.warnings += require_usable(listener.tls, listener.host)
    if first and listener is not None:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        folder.chmod(0o700)
        notes, warnings = give_to_broker(folder)
        out.notes += notes
        out.warnings += warnings
        # Before what it names: where this is cut short, mosquitto does not start, and another run completes it.
        lines = configuration(folder, listener, runs_as(folder))
        if bridge is not None:
            lines.append(_includes(folder))
        write_like_folder(conf, "\n".join(lines) + "\n")
    if not (folder / DATA).exists():
        (folder / DATA).mkdir(mode=0o700)
        give_like_folder(folder / DATA)
    if listener is not None and listener.tls is not None:
        _copy_tls(folder, listener.tls, out)
    if bridge is not None:
        _write_bridge(folder, bridge, out)
    out.new = _add_users(folder, rights, former, out)
    room, free = queue_of(fleet).disk_bytes * (1 if bridge is None else 2), shutil.disk_usage(folder).free
    if free < room:
        out.warnings.append(
            f"{folder} has {free / 1e6:,.0f} MB of disk left; {DAYS_AWAY} days without a collector need "
            f"{room / 1e6:,.0f} MB")
    return out


def _require_own(folder: Path) -> None:
    """Refuse a folder that holds other things: it is made its user's alone, which would break them."""
    conf = folder / CONF
    if folder.exists() and not folder.is_dir():
        raise BadInput(f"{folder} is no folder")
    if conf.exists():
        if not conf.read_text(encoding="utf-8", errors="replace").startswith(MARK):
            raise BadInput(f"{conf} was not written by this command, which never changes another's: give a folder "
                           "of the broker's own")
    elif folder.exists() and any(folder.iterdir()):
        raise BadInput(f"{folder} holds other files: give a folder of the broker's own, or a new one")


def _require_same(conf: Path, listener: Listener | None) -> None:
    """Refuse what the `mosquitto.conf` there does not follow: it may have been edited, and is kept as it is."""
    folder = conf.parent
    there = {line.strip() for line in conf.read_text(encoding="utf-8").splitlines()}
    for line in (f"password_file {folder / PASSWORDS}", f"acl_file {folder / ACCESS}"):
        if line not in there:
            raise BadInput(f"{conf} does not say {line!r}, so its broker would not know the users added here. Put "
                           "that right, or move the file away to have it written anew")
    if listener is None:
        return
    wrong = [line for line in _listens(folder, listener) if line not in there]
    if listener.tls is None:
        wrong += [f"no {line.split()[0]}" for line in there if line.startswith(("certfile ", "keyfile "))]
    if wrong:
        raise BadInput(
            f"{conf} is there, and these options ask for something else: {wrong[0]!r}. It is never written anew, "
            "since it may have been edited. Leave --host, --port, --plain and --tls-... away to add users only, or "
            "edit it, or move it away")


def _includes(folder: Path) -> str:
    return f"include_dir {folder / bridges.FOLDER}"


def _require_bridge(conf: Path, bridge: bridges.Bridge | None) -> None:
    """Refuse a bridge of which the `mosquitto.conf` there would know nothing."""
    line = _includes(conf.parent)
    if bridge is not None and line not in conf.read_text(encoding="utf-8").splitlines():
        raise BadInput(
            f"{conf} was written without a bridge, and is never written anew, since it may have been edited: add "
            f"{line!r} as its last line, or move it away, and run this again")


def _write_bridge(folder: Path, bridge: bridges.Bridge, out: Written) -> None:
    """The bridge's file; mosquitto includes all of its folder that ends in .conf."""
    place = folder / bridges.FOLDER
    if not place.exists():
        place.mkdir(mode=0o700)
        give_like_folder(place)
    if bridge.ca:
        _anew(place / bridges.CA, bridge.ca, "the uplink", out)
        _anew(place / bridges.UPLINK, bridges.uplink_text(bridge), "the uplink", out)
    _anew(place / bridges.FILE, "\n".join(bridges.bridge_lines(bridge)) + "\n", "the broker", out)


def _anew(path: Path, text: str, whom: str, out: Written) -> None:
    before = _text(path)
    write_like_folder(path, text)
    if before not in ("", text):
        out.notes.append(f"{path}: written anew; restart {whom}")


def _listens(folder: Path, listener: Listener) -> list[str]:
    out = [f"listener {listener.port} {listener.host}"]
    if listener.tls is not None:
        out += [f"cafile {folder / CA}", f"certfile {folder / CERT}", f"keyfile {folder / KEY}"]
    return out


def configuration(folder: Path, listener: Listener, runs_as: str | None) -> list[str]:
    """The lines of `mosquitto.conf`; comments only on lines of their own, since mosquitto knows no other."""
    user = [] if runs_as is None else [f"user {runs_as}"]
    return [
        f"{MARK} Yours to edit: the command never writes it again, and only adds users.",
        "# After a change here: restart the broker. After new users: reload it (SIGHUP).",
        *_listens(folder, listener),
        "# Nobody can take the session of another, nor the collector's with all that waits in it.",
        "use_username_as_clientid true",
        "allow_anonymous false",
        f"password_file {folder / PASSWORDS}",
        f"acl_file {folder / ACCESS}",
        "# What was acknowledged is gone from the logger: all of it is kept, in memory and on disk. A limit here",
        "# would drop messages without a word to anybody. `tarnlight broker` says how much room they take.",
        "max_queued_messages 0",
        "max_queued_bytes 0",
        "persistence true",
        f"persistence_location {folder / DATA}/",
        "# A power cut of this machine can cost what came since the last save. [s]",
        f"autosave_interval {SAVED_EVERY_S}",
        "# A payload of 2 MB and its topic. A client that sends more is cut off.",
        f"max_packet_size {MOST_PACKET_BYTES}",
        "# How fast a backlog goes to the collector, and how much of it at once.",
        f"max_inflight_messages {IN_FLIGHT}",
        f"max_inflight_bytes {IN_FLIGHT_BYTES}",
        "set_tcp_nodelay true",
        *user,
    ]


# Users ------------------------------------------------------------------------------------------


def _add_users(
    folder: Path, rights: Mapping[str, Sequence[str]], former: Mapping[str, str], out: Written
) -> list[Account]:
    """Give those a password that have none, and all what they lack in the access list."""
    passwords, access = _text(folder / PASSWORDS), _text(folder / ACCESS)
    known = {line.split(":", 1)[0] for line in passwords.splitlines() if ":" in line}
    allowed = _blocks(access)
    new = [Account(user, _password()) for user in rights if user not in known]
    blocks = []
    for user, lines in rights.items():  # mosquitto adds up blocks of a user
        lacking = [line for line in lines if line not in allowed.get(user, ())]
        if not lacking:
            continue
        blocks.append("\n".join([f"user {user}", *lacking]) + "\n\n")
        if user in allowed:
            whom = "the collector" if user == COLLECTOR else user
            out.notes.append(f"{folder / ACCESS}: {whom} may now {', '.join(lacking)}; reload the broker")
    out.warnings += [
        f"{user} may still {line.removeprefix('topic ')}, which {_belongs(line, rights)}: take that line out of "
        f"{folder / ACCESS} and reload the broker"
        for user, lines in allowed.items() if user in rights for line in lines
        if line.startswith("topic write ") and line not in rights[user]]
    # The access list first: a user whom it does not name may do nothing.
    if blocks or not access:
        write_like_folder(folder / ACCESS, _ended(access) + "".join(blocks))
    if new:
        lines = "".join(password_line(one.user, one.password) + "\n" for one in new)
        write_like_folder(folder / PASSWORDS, _ended(passwords) + lines)
    left = sorted(user for user in known - rights.keys() if re.fullmatch(r"[a-z0-9-]+(/[a-z0-9-]+){1,2}", user))
    out.notes += [f"{user} is now {former[user]}, and what its logger sends as {user} is taken in as before"
                  for user in left if user in former]
    out.warnings += [
        f"{user} has a password, but no such unit is enrolled. It was left as it is; the collector refuses what it "
        f"sends. To shut it out, take its line out of {folder / PASSWORDS} and reload the broker"
        for user in left if user not in former]
    return new


def _blocks(access: str) -> dict[str, list[str]]:
    """What an access list lets each user do."""
    out: dict[str, list[str]] = {}
    user = ""
    for line in (one.strip() for one in access.splitlines()):
        if re.match(r"user\s+\S", line):
            user = line.split(None, 1)[1]
            out.setdefault(user, [])
        elif user and line.startswith("topic "):
            out[user].append(line)
    return out


def _belongs(line: str, rights: Mapping[str, Sequence[str]]) -> str:
    whose = next((user for user, lines in rights.items() if line in lines), None)
    return "is no topic of it any more" if whose is None else f"belongs to {whose} now"


def _password() -> str:
    return "".join(secrets.choice(LETTERS) for _ in range(PASSWORD_LETTERS))


def _text(path: Path) -> str:
    return path.read_text(encoding="utf-8") if path.exists() else ""


def _ended(text: str) -> str:
    """The text with an end to its last line, so that nothing is added to that."""
    return text if not text or text.endswith("\n") else text + "\n"


def _copy_tls(folder: Path, tls: Tls, out: Written) -> None:
    """Copies beside the rest: the broker's user can seldom read a key where it was made."""
    for name, source in ((CA, tls.ca), (CERT, tls.cert), (KEY, tls.key)):
        before, text = _text(folder / name), source.read_text(encoding="utf-8")
        write_like_folder(folder / name, text)
        if before not in ("", text):
            out.notes.append(f"{folder / name}: copied anew from {source}; restart the broker")
