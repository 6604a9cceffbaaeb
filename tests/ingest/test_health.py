"""The collector's health over HTTP: what is said when, to whom, and that the figures are OpenMetrics."""

from __future__ import annotations

import dataclasses
import http.client
import json
import socket
import time
from collections.abc import Iterator

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from ingest import health
from ingest.health import Account, Health, metrics_text, reasons
from ingest.settings import BadInput
from tests.conftest import free_port

WELL = Account(
    given_s=1000.0, judged_s=1000.0, judged_at=1.8e9, connected=True, full=False, suspect=False, messages=12,
    rows=30, refused=2, set_aside=1, held=4, queue=5, late_s=0.25, advisories=3, faults=0, disk_free_bytes=10**9)


def figures(text: bytes) -> dict[str, float]:
    """Samples as the library's own reader of OpenMetrics 1.0 sees them; it raises on what is not."""
    families = text_string_to_metric_families(text.decode())
    return {one.name: one.value for family in families for one in family.samples}


@pytest.mark.parametrize(("change", "told"), [
    ({}, []),
    ({"connected": False}, ["not connected to the broker"]),
    ({"full": True}, ["the disk is nearly full: nothing is taken in"]),
    ({"suspect": True, "judged_s": 0.0}, ["the collector's own clock cannot be right: nothing is judged"]),
    ({"judged_s": 1000.0 - health.JUDGED_WITHIN_S}, []),
    ({"judged_s": 939.0}, ["nothing was judged for 61 s"]),
    ({"faults": 2}, ["units that cannot be worked out: 2"]),
    ({"given_s": 984.0}, ["the collector has given no account of itself for 16 s"]),
    ({"connected": False, "full": True},
     ["not connected to the broker", "the disk is nearly full: nothing is taken in"]),
])
def test_what_keeps_it_from_judging_is_told(change, told):
    account = dataclasses.replace(WELL, **change)
    assert reasons(account, 1000.0) == told
    assert figures(metrics_text(account, 1000.0))["tarnlight_healthy"] == (not told)


def test_before_the_first_account_it_is_starting():
    assert reasons(None, 5.0) == ["the collector is starting"]
    assert figures(metrics_text(None, 5.0)) == {"tarnlight_healthy": 0.0}


def test_each_figure_stands_in_the_text_by_its_name():
    assert figures(metrics_text(WELL, 1001.0)) == {
        "tarnlight_healthy": 1, "tarnlight_messages_total": 12, "tarnlight_readings_stored_total": 30,
        "tarnlight_records_refused_total": 2, "tarnlight_messages_set_aside": 1, "tarnlight_readings_held": 4,
        "tarnlight_queue_messages": 5, "tarnlight_intake_late_seconds": 0.25,
        "tarnlight_last_judged_timestamp_seconds": 1.8e9, "tarnlight_advisories_standing": 3,
        "tarnlight_units_at_fault": 0, "tarnlight_disk_free_bytes": 1e9, "tarnlight_disk_full": 0,
        "tarnlight_broker_connected": 1, "tarnlight_own_clock_suspect": 0}


@pytest.fixture
def served() -> Iterator[tuple[Health, int]]:
    port = free_port()
    one = Health(port)
    one.account = dataclasses.replace(WELL, given_s=time.monotonic(), judged_s=time.monotonic())
    yield one, port
    one.close()


def ask(port: int, path: str, *, method: str = "GET", **headers: str) -> tuple[int, dict[str, str], str]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    connection.putrequest(method, path, skip_host="Host" in headers)
    for name, value in headers.items():
        connection.putheader(name, value)
    connection.endheaders()
    answer = connection.getresponse()
    out = answer.status, dict(answer.getheaders()), answer.read().decode()
    connection.close()
    return out


def test_well_is_200_and_unwell_503_with_the_reasons(served):
    one, port = served
    status, headers, body = ask(port, "/healthz")
    assert (status, json.loads(body)) == (200, {"status": "well", "reasons": []})
    assert (headers["Content-Type"], headers["Cache-Control"]) == ("application/json", "no-store")
    assert headers["Server"] == "tarnlight"  # and no versions
    one.account = dataclasses.replace(one.account, connected=False)
    status, _, body = ask(port, "/healthz")
    assert (status, json.loads(body)["reasons"]) == (503, ["not connected to the broker"])
    status, headers, body = ask(port, "/metrics")
    assert status == 200
    assert headers["Content-Type"].startswith("application/openmetrics-text; version=1.0.0")
    assert figures(body.encode())["tarnlight_broker_connected"] == 0


def test_nothing_else_is_answered(served):
    _, port = served
    assert ask(port, "/")[0] == 404
    assert ask(port, "/healthz/../metrics")[0] == 404
    assert ask(port, "/healthz", method="POST")[0] == 501
    assert ask(port, "/healthz", method="HEAD")[2] == ""


@pytest.mark.parametrize("host", [
    "rebound.example", "rebound.example:80", "127.0.0.1@rebound.example", "127.0.0.1.example", "10.0.0.1", "",
    "localhost:x", "[::1"])
def test_a_foreign_name_is_refused(served, host):
    status, _, body = ask(served[1], "/metrics", Host=host)
    assert status == 421
    assert "tarnlight_" not in body


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost:9090", "LOCALHOST", "127.0.0.2", "[::1]:9090"])
def test_our_own_names_are_answered(served, host):
    assert ask(served[1], "/healthz", Host=host)[0] == 200


def test_a_page_is_refused_even_of_this_machine(served):
    assert ask(served[1], "/metrics", Origin="http://localhost:8501")[0] == 403


def test_who_asks_and_says_nothing_holds_up_nobody_for_long(served):
    _, port = served
    idle = [socket.create_connection(("127.0.0.1", port)) for _ in range(health.MOST_AT_ONCE + 4)]
    until = time.monotonic() + 6 * health.ANSWER_WITHIN_S
    status = 0
    while status != 200 and time.monotonic() < until:
        try:
            status = ask(port, "/healthz")[0]
        except OSError:  # shut at once: there is no room
            time.sleep(0.2)
        except http.client.HTTPException:
            time.sleep(0.2)
    for one in idle:
        one.close()
    assert status == 200


def test_it_listens_on_loopback_alone_and_says_where_the_port_is_taken(served):
    one, port = served
    assert one._server.server_address == ("127.0.0.1", port)
    with pytest.raises(BadInput, match=f"health_port {port} of 127.0.0.1 cannot be had: "):
        Health(port)
