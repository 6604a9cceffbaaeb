"""Why a broker cannot be used: each step of the way to it by itself, in its own words, with the mend."""

from __future__ import annotations

import socket
import ssl
import threading
import uuid
from typing import Any, NamedTuple
from urllib.parse import urlsplit

import paho.mqtt.client as paho

from ingest.settings import Settings
from ingest.wire.mqtt_client import TOPICS, connect_args, make_client

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
    """Connect as the collector would, but for a session of its own, and ask for its topics.

    Returns
    -------
    Answer
        What the broker says.
    """
    reached = reach(settings)
    if not reached.ok:
        return reached
    client = make_client(settings, f"tarnlight-doctor-{uuid.uuid4().hex[:12]}", persistent=False)
    said: dict[str, str] = {}
    done = threading.Event()

    def on_connect(client: paho.Client, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            said["refused"] = str(reason)
            done.set()
            return
        client.subscribe([(topic, 0) for topic in TOPICS])

    def on_subscribe(client: paho.Client, userdata: Any, mid: int, reasons: Any, properties: Any) -> None:
        said["topics"] = ", ".join(
            topic for topic, reason in zip(TOPICS, reasons, strict=False) if reason.is_failure)
        done.set()

    client.on_connect, client.on_subscribe = on_connect, on_subscribe
    try:
        client.connect_async(**connect_args(settings))
        client.loop_start()
        answered = done.wait(WITHIN_S)
    finally:
        client.disconnect()
        client.loop_stop()
    return _told(settings, said, answered)


def _told(settings: Settings, said: dict[str, str], answered: bool) -> Answer:
    user = f"user {settings.broker_user!r}" if settings.broker_user else "nobody: no --broker-user is given"
    if "refused" in said:
        return Answer(
            False, f"the broker refused {user} ({said['refused']}): are user and password those of its files?")
    if not answered:
        return Answer(False, f"{settings.broker} takes connections but does not speak MQTT within {WITHIN_S:g} s")
    if said["topics"]:
        return Answer(False, f"the broker does not let {user} read {said['topics']}: see its access list")
    return Answer(True, f"{settings.broker} answers, lets us in and lets us read {' and '.join(TOPICS)}")
