"""The page answers to its own names and to no page of another site: a real `tarnlight show`, and real sockets."""

from __future__ import annotations

import base64
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.conftest import environment, free_port, listens, wait_for

PUBLIC = "https://water.example.org"
PATHS = ("/", "/_stcore/health", "/_stcore/host-config", "/cabin")


@contextmanager
def shown(folder: Path, **given: str) -> Iterator[int]:
    """`tarnlight show` with no collector behind it; its port."""
    port = free_port()
    with (folder / "show.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "dashboard.cli", "show", "--port", str(port)],
            env={**environment(folder / "tarnlight.duckdb"), **given}, stdout=log, stderr=log, cwd=folder)
        try:
            wait_for(lambda: listens(port), 60, "the dashboard answers")
            yield port
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(20)


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    with shown(tmp_path_factory.mktemp("gate"), TARNLIGHT_PUBLIC_URL=PUBLIC) as found:
        yield found


def answer(port: int, *lines: str, path: str = "/", method: str = "GET") -> tuple[int, str]:
    """Status and what else a request gets that is made of just these header lines."""
    text = "\r\n".join([f"{method} {path} HTTP/1.1", *lines, "", ""])
    with socket.create_connection(("127.0.0.1", port), timeout=20) as conn:
        conn.sendall(text.encode("latin-1"))
        conn.settimeout(20)
        got = b""
        while b"\r\n\r\n" not in got and (more := conn.recv(65536)):
            got += more
        if b" 101 " not in got[:20]:
            while more := conn.recv(65536):
                got += more
    return int(got.split(b" ", 2)[1]), got.decode("latin-1")


def html(port: int, host: str, *lines: str, path: str = "/") -> tuple[int, str]:
    return answer(port, f"Host: {host}", "Connection: close", *lines, path=path)


def websocket(port: int, host: str, origin: str | None) -> int:
    """Status of the handshake of RFC 6455, section 4.1, to the page's stream."""
    key = base64.b64encode(os.urandom(16)).decode()
    lines = [f"Host: {host}", "Upgrade: websocket", "Connection: Upgrade", f"Sec-WebSocket-Key: {key}",
             "Sec-WebSocket-Version: 13", *([f"Origin: {origin}"] if origin else [])]
    return answer(port, *lines, path="/_stcore/stream")[0]


def own_hosts(port: int) -> list[str]:
    return [f"127.0.0.1:{port}", f"localhost:{port}", "localhost", f"LocalHost:{port}", f"[::1]:{port}",
            "water.example.org", "water.example.org:443", "127.0.0.1:9000"]  # the last by a tunnel


def test_its_own_names_get_the_page_and_its_stream(port: int) -> None:
    for host in own_hosts(port):
        status, told = html(port, host)
        assert status == 200 and "<html" in told, host
        scheme = "https" if host.startswith("water") else "http"
        assert websocket(port, host, f"{scheme}://{host.lower()}") == 101, host
    assert websocket(port, f"127.0.0.1:{port}", None) == 101  # no browser


@pytest.mark.parametrize("host", [
    "evil.example", "evil.example:{port}", "localhost.evil.example", "evil.example@localhost",
    "localhost@evil.example", "127.0.0.1.evil.example", "xwater.example.org", "water.example.org.evil.example",
    "10.0.0.5:{port}", "", ":{port}", "localhost:{port}/x", "localhost:99999", "localhost evil.example", "[::1",
    "0.0.0.0:{port}"])
def test_a_foreign_host_is_refused_for_the_page_and_for_its_stream(port: int, host: str) -> None:
    host = host.format(port=port)
    for path in PATHS:
        status, told = html(port, host, path=path)
        assert status in (400, 421) and "<html" not in told, path
        assert not host or host not in told
    # a rebinding page: Host and Origin agree
    assert websocket(port, host, f"http://{host}") in (400, 403)


def test_a_request_without_or_with_two_hosts_is_refused(port: int) -> None:
    assert answer(port, "Connection: close")[0] in (400, 421)
    assert answer(port, f"Host: localhost:{port}", "Host: evil.example", "Connection: close")[0] in (400, 421)


@pytest.mark.parametrize("origin", [
    "http://evil.example", "https://water.example.org.evil.example", "null", "http://127.0.0.1:9", "http://localhost",
    "file://", "http://[::1", "http://127.0.0.1:{port}.evil.example"])
def test_another_sites_origin_is_refused_even_on_loopback(port: int, origin: str) -> None:
    host, origin = f"127.0.0.1:{port}", origin.format(port=port)
    assert websocket(port, host, origin) == 403
    for path in PATHS:
        assert html(port, host, f"Origin: {origin}", path=path)[0] == 403


def test_the_public_origin_comes_in_by_a_proxy_that_names_loopback(port: int) -> None:
    assert websocket(port, f"127.0.0.1:{port}", PUBLIC) == 101
    assert websocket(port, f"127.0.0.1:{port}", "http://water.example.org") == 403  # not by TLS


def test_no_other_site_shows_it_in_a_frame(port: int) -> None:
    for path in PATHS:
        told = html(port, f"127.0.0.1:{port}", path=path)[1].lower()
        assert "x-frame-options: sameorigin" in told and "frame-ancestors 'self'" in told


def test_a_file_is_taken_only_with_the_token_that_the_page_gave(port: int) -> None:
    """Streamlit's protection from cross-site requests is on: without cookie and token an upload is refused."""
    status, told = answer(
        port, f"Host: 127.0.0.1:{port}", "Connection: close", "Content-Length: 0",
        path="/_stcore/upload_file/0c9b2b1e-8f2e-4d9b-a9d5-2f1d4d5e6f70/0c9b2b1e-8f2e-4d9b-a9d5-2f1d4d5e6f71",
        method="PUT")
    assert status == 403 and "xsrf" in told.lower()


def test_a_config_of_streamlits_own_in_the_working_folder_opens_nothing(tmp_path: Path) -> None:
    folder = tmp_path / ".streamlit"
    folder.mkdir()
    (folder / "config.toml").write_text(
        '[server]\nenableCORS = false\nenableXsrfProtection = false\naddress = "0.0.0.0"\n'
        "[browser]\ngatherUsageStats = true\n")
    with shown(tmp_path) as port:
        assert websocket(port, f"127.0.0.1:{port}", "http://evil.example") == 403
        assert html(port, "water.example.org")[0] == 421  # no public_url here
        assert answer(port, f"Host: 127.0.0.1:{port}", "Connection: close", "Content-Length: 0",
                      path="/_stcore/upload_file/a/b", method="PUT")[0] == 403
