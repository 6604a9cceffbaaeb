"""`broker`: a mosquitto's files for the enrolled fleet."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from dashboard.commands._words import command, print_json, settings_of
from ingest.broker.bridge import UPLINK_PORT, Bridge, bridge_to
from ingest.broker.files import COLLECTOR, CONF, DAYS_AWAY, Listener, Queue, Written, queue_of, write_broker
from ingest.broker.tls import Tls
from ingest.registry.tables import load_fleet, load_names
from ingest.settings import BadInput, StoreUnavailable, is_loopback
from ingest.store import open_store
from models.fleet import Fleet
from models.succession import name_of

PORT, TLS_PORT = 1883, 8883
TLS_OPTIONS = ("tls_ca", "tls_cert", "tls_key")


def add(commands: Any) -> None:
    """Add the command."""
    broker = command(
        commands, "broker", do_broker, json_option=True, private=True,
        example="tarnlight broker /var/lib/tarnlight-broker --host 0.0.0.0 --tls-ca ca.pem --tls-cert cert.pem "
        "--tls-key key.pem")
    broker.add_argument("folder", type=Path, metavar="DIR", help="a folder of the broker's own")
    broker.add_argument("--host", metavar="NAME", help="name or address to listen on (default: 127.0.0.1)")
    broker.add_argument("--port", type=int, help=f"default {TLS_PORT}; with --plain {PORT}")
    for option, what in (("ca", "certificate of the authority"), ("cert", "the broker's certificate"),
                         ("key", "its key, without a password")):
        broker.add_argument(f"--tls-{option}", type=Path, metavar="FILE", help=f"{what}, PEM; copied to DIR")
    broker.add_argument(
        "--bridge-to", metavar="ADDRESS",
        help="at a cabin: hand on what its loggers send to the centre's broker, mqtts://HOST:PORT")
    broker.add_argument("--cabin", metavar="SLUG", help="with --bridge-to: the cabin that this broker stands at")
    broker.add_argument(
        "--bridge-login", type=Path, metavar="FILE",
        help="with --bridge-to: two lines, the bridge's user and its password; readable by its owner only")
    broker.add_argument(
        "--bridge-ca", type=Path, metavar="FILE",
        help="with --bridge-to: certificate of the authority of the centre's broker, PEM; copied to DIR")
    broker.add_argument(
        "--uplink-port", type=int, metavar="PORT",
        help=f"with --bridge-to: of this machine, where the uplink waits for the bridge (default {UPLINK_PORT})")
    broker.add_argument(
        "--bridged", action="append", default=[], metavar="SLUG",
        help="at the centre: a cabin whose own broker hands on to this one; may be given more than once")
    broker.add_argument("--plain", action="store_true", help="no TLS: loggers on this machine alone")


def do_broker(options: argparse.Namespace) -> int:
    """Write the files; say the new passwords, once."""
    listener = _listener(options)
    own = settings_of(options)
    if not own.store.exists():
        raise StoreUnavailable(
            f"there is no store at {own.store}, so no logger is known: `tarnlight enroll fleet.toml` makes one, "
            "`--store PATH` names another")
    store = open_store(own)
    fleet, names = load_fleet(store), load_names(store)
    store.close()
    bridge = _bridge(options, fleet)
    if bridge is not None:
        fleet = replace(fleet, cabins=tuple(one for one in fleet.cabins if one.slug == bridge.cabin))
    for cabin in options.bridged:
        _require_cabin("--bridged", cabin, fleet)
    done = write_broker(options.folder, fleet, listener, bridge=bridge, bridged=options.bridged, former={
        name_of(was): name_of(now) for was, now in names.units().items()})
    for warning in done.warnings:
        print(f"tarnlight broker: {warning}", file=sys.stderr)
    if options.json:
        print_json([{"user": one.user, "password": one.password} for one in done.new])
    else:
        _tell(options.folder.absolute(), done, queue_of(fleet), listener, bridge)
    return 0


def _listener(options: argparse.Namespace) -> Listener | None:
    """Where the broker is to listen; None where no option says.

    Raises
    ------
    BadInput
        If it would listen wider than this machine without TLS, or only some of TLS is given.
    """
    given = [name for name in TLS_OPTIONS if getattr(options, name) is not None]
    host, port = options.host or "127.0.0.1", options.port
    if options.plain:
        if given:
            raise BadInput(f"--plain is without TLS; leave --{given[0].replace('_', '-')} away, or --plain")
        if not is_loopback(host):
            raise BadInput(
                f"--plain --host {host} would send passwords over a network in clear; keep 127.0.0.1, or give "
                "--tls-ca, --tls-cert and --tls-key")
        return Listener(host=host, port=PORT if port is None else port, tls=None)
    if not given:
        if options.host is not None or port is not None:
            raise BadInput("--host and --port need --tls-ca, --tls-cert and --tls-key, or --plain")
        return None
    if len(given) < len(TLS_OPTIONS):
        lacking = next(name for name in TLS_OPTIONS if name not in given)
        raise BadInput(f"TLS needs --tls-ca, --tls-cert and --tls-key; --{lacking.replace('_', '-')} is missing")
    return Listener(
        host=host, port=TLS_PORT if port is None else port,
        tls=Tls(ca=options.tls_ca, cert=options.tls_cert, key=options.tls_key))


def _bridge(options: argparse.Namespace, fleet: Fleet) -> Bridge | None:
    """Where a cabin's broker hands on to; None where no option says.

    Raises
    ------
    BadInput
        If only some of it is given, or the cabin is not enrolled.
    """
    names = ("cabin", "bridge_login", "bridge_ca", "uplink_port")
    others = [name for name in names if getattr(options, name) is not None]
    if options.bridge_to is None:
        if others:
            raise BadInput(f"--{others[0].replace('_', '-')} goes with --bridge-to")
        return None
    if options.bridged:
        raise BadInput("--bridged is for the centre's broker, --bridge-to for a cabin's: give one of them")
    if options.cabin is None or options.bridge_login is None:
        raise BadInput("--bridge-to needs --cabin SLUG and --bridge-login FILE")
    _require_cabin("--cabin", options.cabin, fleet)
    port = UPLINK_PORT if options.uplink_port is None else options.uplink_port
    return bridge_to(options.bridge_to, options.cabin, options.bridge_login, options.bridge_ca, uplink_port=port)


def _require_cabin(option: str, cabin: str, fleet: Fleet) -> None:
    known = [one.slug for one in fleet.cabins]
    if cabin not in known:
        raise BadInput(f"{option}: no cabin {cabin!r} is enrolled; enrolled are: {', '.join(known) or 'none'}")


def _tell(
    folder: Path, done: Written, queue: Queue, listener: Listener | None, bridge: Bridge | None
) -> None:
    for note in done.notes:
        print(note)
    if done.new:
        width = max(len(one.user) for one in done.new)
        print(f"{len(done.new)} new users. Their passwords stand here and nowhere else:")
        for one in done.new:
            print(f"  {one.user:{width}}  {one.password}")
        print(f"A password that is lost: take its line out of {folder}/passwords and run this again.")
    else:
        print("No new user: every enrolled unit has one.")
    print(queue_words(queue))
    if bridge is not None:
        print(f"What the loggers of {bridge.cabin} send goes on to {bridge.host}:{bridge.port}. While that cannot "
              "be reached it is kept here, and takes as much again.")
    if bridge is not None and bridge.ca:
        print(f"Start the uplink, which speaks TLS to the centre: tarnlight uplink {folder}")
    print(f"Start the broker: mosquitto -c {folder / CONF}")
    print("One that runs takes new users on when it is reloaded: kill -HUP its process, or systemctl reload.")
    if listener is not None:
        scheme = "mqtt" if listener.tls is None else "mqtts"
        ca = "" if listener.tls is None else " --broker-ca-file FILE"
        print("Start the collector, its password in a file of mode 0600: tarnlight collect --broker "
              f"{scheme}://HOST:{listener.port} --broker-user {COLLECTOR} --broker-password-file FILE{ca}")


def queue_words(queue: Queue) -> str:
    """What memory and disk the broker needs while the collector is away, and what that rests on."""
    return (
        f"While the collector is away the broker drops nothing. {queue.units} units send up to "
        f"{queue.messages_a_day:,} messages a day, {_size(queue.bytes_a_day)} in its queue. For {DAYS_AWAY} days "
        f"away it needs {_size(queue.bytes_kept)} of memory and {_size(queue.disk_bytes)} of disk.")


def _size(count: int) -> str:
    """Bytes in MB or GB, rounded up: what is needed is never said too small."""
    return f"{-(-count // 100_000_000) / 10:,.1f} GB" if count > 999_000_000 else f"{-(-count // 1_000_000):,} MB"
