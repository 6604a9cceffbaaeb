"""A client for the broker that the settings name: user, password, TLS, protocol and session."""

from __future__ import annotations

import ssl
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ingest.settings import BadInput, Settings

TOPICS = ("tarnlight/+/+/log", "tarnlight/+/+/link")  # what the collector reads
# What a cabin's own collector tells the centre's, and back (`ingest.counterpart`); each writes one way alone.
UP = ("tarnlight/+/up/verdict", "tarnlight/+/up/record")
DOWN = ("tarnlight/+/down/verdict", "tarnlight/+/down/record")
ECHO = "tarnlight/doctor/echo"  # what the collector alone may write and read: whether it hears itself
ECHO_ASKED = "broker-echo"  # a request for it, to the collector itself and not to its store


def make_client(settings: Settings, client_id: str, *, persistent: bool) -> paho.Client:
    """A client for the broker that the settings name; user, password and TLS applied.

    Raises
    ------
    BadInput
        If the file of the certificate authority cannot be read.
    """
    v5 = settings.mqtt_version == "5"
    session: dict[str, Any] = {} if v5 else {"clean_session": not persistent}
    client = paho.Client(
        CallbackAPIVersion.VERSION2, client_id=client_id,
        protocol=paho.MQTTv5 if v5 else paho.MQTTv311,
        **session,
    )
    if settings.broker_user:
        client.username_pw_set(settings.broker_user, settings.broker_password() or None)
    if urlsplit(settings.broker).scheme == "mqtts":
        try:
            client.tls_set(ca_certs=settings.broker_ca_file or None, tls_version=ssl.PROTOCOL_TLS_CLIENT)
        except (OSError, ssl.SSLError) as error:
            raise BadInput(f"broker_ca_file {settings.broker_ca_file!r} cannot be used: {error}") from error
    client.reconnect_delay_set(min_delay=1, max_delay=30)
    return client


def connect_args(settings: Settings) -> dict[str, Any]:
    """Host, port and session of the broker's address."""
    parts = urlsplit(settings.broker)
    args: dict[str, Any] = {
        "host": parts.hostname, "port": parts.port or (8883 if parts.scheme == "mqtts" else 1883), "keepalive": 30}
    if settings.mqtt_version == "5":
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it without
        properties.SessionExpiryInterval = 0xFFFFFFFF  # never: MQTT 5.0, 3.1.2.11.2
        args |= {"clean_start": False, "properties": properties}
    return args
