"""The page's server: Streamlit's own behind a gate, which lets in what was asked of us by one of our own names.

A page of another site can have its name resolve to this machine (DNS rebinding), or send requests from elsewhere:
it would read what this page shows, and could lift an advisory. Its requests bear its own name, in Host or in
Origin. Streamlit holds a list of hosts against the websocket alone.
"""

from __future__ import annotations

from collections.abc import MutableMapping
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import streamlit as st
from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from dashboard.plain import ROUTE
from ingest.settings import is_loopback, settings

FRAMES = ((b"x-frame-options", b"SAMEORIGIN"), (b"content-security-policy", b"frame-ancestors 'self'"))
POLICY_VIOLATED = 1008  # RFC 6455, section 7.4.1 (from memory)


class Gate:
    """Refuses a Host that is neither loopback nor the public address's, and an Origin that is another site's."""

    def __init__(self, app: ASGIApp, public_url: str) -> None:
        self._app = app
        parts = urlsplit(public_url)
        self._public_host = (parts.hostname or "").rstrip(".")
        self._public_origin = f"{parts.scheme}://{parts.netloc}".lower() if public_url else ""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let in, or refuse."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        status, why = self._refusal(scope)
        if not why:
            await self._app(scope, receive, _never_framed(send))
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": POLICY_VIOLATED, "reason": why})
        else:
            await PlainTextResponse(why + "\n", status)(scope, receive, send)

    def _refusal(self, scope: Scope) -> tuple[int, str]:
        """Why a request is refused; empty where it is not. Says nothing of what was sent."""
        hosts = [value.decode("latin-1").lower() for name, value in scope["headers"] if name == b"host"]
        origins = [value.decode("latin-1").lower() for name, value in scope["headers"] if name == b"origin"]
        if len(hosts) != 1 or not self._is_ours(hosts[0]):
            return 421, ("This page answers to 127.0.0.1, localhost and the host of public_url in the settings; "
                         "it was asked under another name.")
        if any(one != self._public_origin and _place(one) != hosts[0] for one in origins):
            return 403, "This page takes no request that another site's page sends."
        return 0, ""

    def _is_ours(self, host: str) -> bool:
        """Whether a Host names this machine or the public address, whatever its port."""
        try:
            parts = urlsplit(f"//{host}")
            name, _ = (parts.hostname or "").rstrip("."), parts.port  # the port is only checked on reading
        except ValueError:
            return False
        return parts.netloc == host and "@" not in host and bool(name) and (
            is_loopback(name) or name == self._public_host)


def _place(origin: str) -> str:
    """Host and port of an origin; what is none has none that could be ours."""
    try:
        return urlsplit(origin).netloc
    except ValueError:
        return ""


def _never_framed(send: Send) -> Send:
    """No page of another site shows ours in a frame, where a click would be led to a button of ours."""

    async def framed(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message.get("headers", ()), *FRAMES]
        await send(message)

    return framed


app = st.App(
    Path(__file__).with_name("app.py"), routes=[ROUTE],
    middleware=[Middleware(Gate, public_url=settings({}).public_url)])
