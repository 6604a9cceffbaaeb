"""Why a broker cannot be used: each step of the way to it by itself, in its own words, with the mend.

A broker that takes a user's name for its client's id (as `ingest.broker.files` has it) knows us as the collector,
whatever id we give. A session that is begun clean then deletes the collector's, with all that waits in it. So we
never come clean before the broker has said that it keeps no session under the id that it has for us; where it keeps
one, it is left as it was: nothing that waits there is acknowledged.
"""

from __future__ import annotations

import socket
import ssl
import threading
import time
import uuid
from collections.abc import Callable
from typing import Any, NamedTuple, Self
from urllib.parse import urlsplit

import paho.mqtt.client as paho

from ingest.settings import Settings
from ingest.wire.mqtt_client import ECHO, TOPICS, connect_args, make_client

WITHIN_S = 5.0


class Answer(NamedTuple):
    """Whether the broker can be used, and what it, or the way to it, says."""

    ok: bool
    words: str


def reach(settings: Settings) -> Answer:
    """Name, port and certificate of the broker; nothing is said to it.

    Returns
    -------
    Answer
        Of the first step that fails, or that all is well so far.
    """
    where, args = settings.broker, connect_args(settings)
    host, port = str(args["host"]), int(args["port"])
    try:
        with socket.create_connection((host, port), timeout=WITHIN_S) as line:
            if urlsplit(where).scheme == "mqtts":
                context = ssl.create_default_context(cafile=settings.broker_ca_file or None)
                with context.wrap_socket(line, server_hostname=host):
                    pass
    except socket.gaierror as error:
        return Answer(False, f"{host} is no name that can be looked up ({error.strerror}): is it spelled so?")
    except ssl.SSLCertVerificationError as error:
        return Answer(False, _certificate(error, settings, host))
    except ssl.SSLError as error:
        return Answer(False, f"no TLS at {where} ({error.reason or error}): mqtt:// and its port, if it has none")
    except (TimeoutError, OSError) as error:
        why = getattr(error, "strerror", None) or str(error) or "no answer"
        return Answer(False, f"{where} does not answer ({why}); start it, or name another with --broker or "
                      "TARNLIGHT_BROKER")
    return Answer(True, f"{where} answers")


def _certificate(error: ssl.SSLCertVerificationError, settings: Settings, host: str) -> str:
    """What is wrong with the broker's certificate, and what to do."""
    why = error.verify_message or str(error)
    if "mismatch" in why.lower() or "doesn't match" in why.lower():
        return f"the broker's certificate is not of {host} ({why}): name it in --broker as its certificate does"
    given = f"broker_ca_file {settings.broker_ca_file}" if settings.broker_ca_file else "this machine's authorities"
    return (
        f"the broker's certificate is not trusted by {given} ({why}): give the file of the authority that signed "
        "it, --broker-ca-file")


def log_in(settings: Settings) -> Answer:
    """Connect as the collector would, ask for its topics, and hear a message of our own.

    Only for where no collector runs: at a broker that ties ids to users this takes the connection over. A collector
    that runs is asked itself (`Subscription.echo`).

    Returns
    -------
    Answer
        What the broker says.
    """
    reached = reach(settings)
    if not reached.ok:
        return reached
    own = f"tarnlight-doctor-{uuid.uuid4().hex[:12]}"
    with _Visit(settings, own, persistent=True) as visit:
        if visit.known or not visit.connected:
            return _told(settings, visit)
    with _Visit(settings, own, persistent=False) as visit:  # which also ends the session that was just made
        return _told(settings, visit)


class _Visit:
    """One connection of our own, on which nothing is acknowledged but our own message."""

    def __init__(self, settings: Settings, client_id: str, *, persistent: bool) -> None:
        self.refused = ""
        self.known = False  # the broker has a session under the id that it has for us
        self.others = 0  # messages that were handed to us though they wait for the collector
        self._barred: list[str] = []
        self._answered, self._granted, self._heard = threading.Event(), threading.Event(), threading.Event()
        self._nonce = uuid.uuid4().hex.encode()
        self._client = make_client(settings, client_id, persistent=persistent)
        self._client.manual_ack_set(True)
        self._client.on_connect, self._client.on_subscribe = self._on_connect, self._on_subscribe
        self._client.on_message = self._on_message
        args = connect_args(settings)
        if not persistent and "clean_start" in args:
            args |= {"clean_start": True, "properties": None}
        self._client.connect_async(**args)

    def __enter__(self) -> Self:
        self._client.loop_start()
        self._answered.wait(WITHIN_S)
        return self

    def __exit__(self, *_: object) -> None:
        if self.connected:
            self._client.unsubscribe(ECHO)  # a session that was there before is left as it was
        self._client.disconnect()
        self._client.loop_stop()

    @property
    def connected(self) -> bool:
        """Whether the broker let us in."""
        return self._answered.is_set() and not self.refused

    def barred(self) -> list[str] | None:
        """Topics that we may not read; None if the broker does not say."""
        # As the collector does: another QoS would hold for its session from here on.
        self._client.subscribe([(topic, 1) for topic in (*TOPICS, ECHO)])
        return self._barred if self._granted.wait(WITHIN_S) else None

    def hears_itself(self) -> bool:
        """Publish a message and wait for it."""
        self._client.publish(ECHO, self._nonce, qos=1)
        return self._heard.wait(WITHIN_S)

    def _on_connect(self, client: paho.Client, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        self.refused = str(reason) if reason.is_failure else ""
        self.known = bool(flags.session_present)
        self._answered.set()

    def _on_subscribe(self, client: paho.Client, userdata: Any, mid: int, reasons: Any, properties: Any) -> None:
        self._barred = [
            topic for topic, reason in zip((*TOPICS, ECHO), reasons, strict=False) if reason.is_failure]
        self._granted.set()

    def _on_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        if message._topic != ECHO.encode():  # `topic` breaks on what is no UTF-8
            self.others += 1
            return
        client.ack(message.mid, message.qos)
        if bytes(message.payload) == self._nonce:
            self._heard.set()


def _told(settings: Settings, visit: _Visit) -> Answer:
    user = f"user {settings.broker_user!r}" if settings.broker_user else "nobody: no --broker-user is given"
    if visit.refused:
        return Answer(
            False, f"the broker refused {user} ({visit.refused}): are user and password those of its files?")
    barred = visit.barred() if visit.connected else None
    if barred is None:
        return Answer(False, f"{settings.broker} takes connections but does not speak MQTT within {WITHIN_S:g} s")
    unread = [topic for topic in barred if topic != ECHO]
    if unread:
        return Answer(False, f"the broker does not let {user} read {', '.join(unread)}: see its access list")
    lets = f"{settings.broker} answers, lets us in and lets us read {' and '.join(TOPICS)}"
    if visit.hears_itself():
        return Answer(True, f"{lets}, and hands back what we publish")
    if visit.others and not barred:
        return Answer(True, f"{lets}; {visit.others:,} or more messages wait for the collector before our own, so "
                      "whether what we publish is handed back can be told once they are taken in")
    return Answer(False, not_handed_back(settings))


def not_handed_back(settings: Settings) -> str:
    """What is wrong where our own message does not come back, and what to do."""
    whom = f"the collector's user {settings.broker_user!r}" if settings.broker_user else "the collector"
    return (
        f"the broker took the message but did not hand it back: let {whom} write and read {ECHO}, and write the "
        "signs tarnlight/+/advisory; for a broker of `tarnlight broker DIR`, run that again and reload the broker")


def ask_collector(ask: Callable[[str], dict[str, Any]], settings: Settings) -> Answer:
    """Whether a collector that runs hears itself.

    Parameters
    ----------
    ask : callable
        Given a text of our own, has the collector publish it once, and says whether it is `heard` and whether
        anything `waits` before it (`Subscription.echo`).
    """
    nonce, until = uuid.uuid4().hex, time.monotonic() + WITHIN_S
    while True:
        found = ask(nonce)
        if found["heard"]:
            return Answer(True, f"{settings.broker}, which hands back what the collector publishes")
        if time.monotonic() >= until:
            break
        time.sleep(0.1)
    if found["waits"]:
        return Answer(True, f"{settings.broker}; messages come in faster than they are taken in, so whether what "
                      "the collector publishes is handed back can be told later")
    return Answer(False, not_handed_back(settings))
