"""Whether a broker's certificate, key and authority will do: judged before anything is written."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from pathlib import Path

from ingest.settings import BadInput

EVERY_ADDRESS = ("0.0.0.0", "::")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tls:
    """The broker's certificate, its key, and the authority that signed it: PEM files."""

    ca: Path
    cert: Path
    key: Path


def require_usable(tls: Tls, host: str) -> list[str]:
    """Refuse a certificate that loggers would refuse; warn where it does not name the host.

    A server and a client of ours shake hands in memory, so that key, chain and dates are judged as they will be.
    """
    for option, path in (("--tls-ca", tls.ca), ("--tls-cert", tls.cert), ("--tls-key", tls.key)):
        try:
            path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise BadInput(f"{option} {path} cannot be read: {error}") from error
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    try:
        server.load_cert_chain(tls.cert, tls.key, password=_no_password)
    except (ssl.SSLError, ValueError) as error:
        raise BadInput(f"--tls-cert {tls.cert} and --tls-key {tls.key} do not belong together, or the key has a "
                       f"password, which a broker that starts alone could not give: {_told(error)}") from error
    try:
        client.load_verify_locations(tls.ca)
    except (ssl.SSLError, ValueError) as error:
        raise BadInput(f"--tls-ca {tls.ca} holds no certificate of an authority: {_told(error)}") from error
    client.check_hostname = False
    try:
        _shake_hands(server, client, None)
    except ssl.SSLError as error:
        raise BadInput(
            f"--tls-cert {tls.cert} would be refused by loggers that trust --tls-ca {tls.ca}: {_told(error)}"
        ) from error
    if host in EVERY_ADDRESS:
        return []
    client.check_hostname = True
    try:
        _shake_hands(server, client, host)
    except (ssl.SSLError, ValueError):
        return [f"the certificate does not name {host}: collector and loggers must reach the broker by a name that "
                "it does"]
    return []


def _no_password() -> str:
    """Asked for where a key has one: without this, the terminal would be."""
    return ""


def _told(error: Exception) -> str:
    return getattr(error, "verify_message", "") or str(error)


def _shake_hands(server: ssl.SSLContext, client: ssl.SSLContext, name: str | None) -> None:
    """One TLS handshake between the two, without a socket."""
    to_client, to_server = ssl.MemoryBIO(), ssl.MemoryBIO()
    ends = [client.wrap_bio(to_client, to_server, server_hostname=name),
            server.wrap_bio(to_server, to_client, server_side=True)]
    for _ in range(10):  # far more turns than a handshake takes
        waiting = False
        for end in ends:
            try:
                end.do_handshake()
            except ssl.SSLWantReadError:
                waiting = True
        if not waiting:
            return
    raise ssl.SSLError("the handshake came to no end")
