"""Where a calendar may be read: real servers on loopback, which the settings name or not; real files and links."""

from __future__ import annotations

import ipaddress
import os
import socket
from pathlib import Path

import pytest

from ingest.bookings.addresses import Allowed, CalendarUnreadable, is_public, refusal, refuse_calendars, web_address
from ingest.bookings.fetch import fetched, refuse_crossing
from ingest.registry.tables import read_fleet
from ingest.settings import BadInput
from tests.conftest import FLEET_TOML
from tests.ingest.bookings.feed_server import booked, leads_to, serves, serving

NAMED = Allowed(hosts=("127.0.0.1",))
NOBODY = Allowed()


def refused(calendar: str, allowed: Allowed, why: str) -> str:
    with pytest.raises(CalendarUnreadable, match=why) as told:
        fetched(calendar, allowed)
    return str(told.value)


def test_a_host_that_the_settings_name_is_read_and_no_other_of_this_machine() -> None:
    with serving() as feeds:
        feeds.answers["/a.ics?key=s3cret"] = serves(booked("20261125"))
        assert fetched(feeds.url("/a.ics?key=s3cret"), NAMED) == booked("20261125")
        assert feeds.asked == [("/a.ics?key=s3cret", f"127.0.0.1:{feeds.port}")]
        for host in ("127.0.0.1", "localhost", "127.1", "0x7f000001", "2130706433", "[::ffff:127.0.0.1]"):
            told = refused(feeds.url("/a.ics?key=s3cret", host), NOBODY, "calendar_hosts in the settings")
            assert "s3cret" not in told and "a.ics" not in told
        assert len(feeds.asked) == 1


def test_a_name_that_leads_to_this_machine_is_refused_by_what_it_resolves_to() -> None:
    """The machine's own name is no literal of loopback; its resolver says that it is one, or a private address."""
    name = socket.gethostname()
    try:
        found = {ipaddress.ip_address(one[4][0].partition("%")[0]) for one in socket.getaddrinfo(name, 80)}
    except OSError:
        pytest.skip("this machine's own name is not known to its resolver")
    if any(is_public(one) for one in found):
        pytest.skip("this machine's own name leads to a public address")
    assert refusal(f"http://{name}/a.ics", NOBODY) == ""  # nothing is looked up
    refused(f"http://{name}/a.ics", NOBODY, "private network")


@pytest.mark.parametrize("address", [
    "127.0.0.1", "127.8.9.1", "10.0.0.1", "172.16.0.1", "192.168.1.5", "169.254.169.254", "100.64.0.1", "0.0.0.0",
    "224.0.0.1", "255.255.255.255", "::1", "::", "fe80::1", "fec0::1", "fc00::1", "ff02::1", "::ffff:10.0.0.1",
    "64:ff9b::7f00:1", "2002:7f00:1::", "2001:db8::1"])
def test_special_purpose_addresses_are_not_public(address: str) -> None:
    """IANA special-purpose address registries, RFC 6890 (from memory); and what holds one of IPv4 within."""
    assert not is_public(ipaddress.ip_address(address))


@pytest.mark.parametrize("address", ["8.8.8.8", "2600::1", "64:ff9b::808:808"])
def test_others_are(address: str) -> None:
    assert is_public(ipaddress.ip_address(address))


@pytest.mark.parametrize("leads", [
    "http://127.0.0.2:{port}/b.ics", "file:///etc/passwd", "/etc/passwd", "ftp://x/y", "http://8.8.8.8/b.ics",
    "http://[::1/", "http://ann:pw@127.0.0.1:{port}/b.ics", "//"])
def test_a_redirect_leads_nowhere_that_an_address_may_not(leads: str) -> None:
    with serving() as feeds:
        feeds.answers["/a.ics"] = leads_to(leads.format(port=feeds.port))
        told = refused(feeds.url("/a.ics"), NAMED, ".")
        assert "root" not in told and "pw" not in told and "passwd" not in told
        assert {path for path, _ in feeds.asked} <= {"/a.ics", "/etc/passwd"}  # the latter of this server


def test_a_redirect_within_what_is_allowed_is_followed_and_a_loop_ends() -> None:
    with serving() as feeds:
        feeds.answers["/a.ics"] = leads_to("/b.ics")
        feeds.answers["/b.ics"] = serves(booked("20261125"))
        feeds.answers["/loop"] = leads_to("/loop")
        assert fetched(feeds.url("/a.ics"), NAMED) == booked("20261125")
        refused(feeds.url("/loop"), NAMED, "more than 3 times")


def test_no_redirect_crosses_from_the_internet_to_a_private_network_even_one_that_is_named() -> None:
    public = web_address("https://bookings.example.org/a.ics"), ipaddress.ip_address("8.8.8.8")
    private = web_address("https://nas.example/a.ics"), ipaddress.ip_address("192.168.1.5")
    bare = web_address("http://bookings.example.org/a.ics"), ipaddress.ip_address("8.8.8.8")
    for before, after in ((public, private), (private, public), (public, bare)):
        with pytest.raises(CalendarUnreadable, match="which is not followed"):
            refuse_crossing(before, after)
    refuse_crossing(bare, public)


def test_what_was_checked_is_what_is_connected_to(monkeypatch: pytest.MonkeyPatch) -> None:
    """A resolver that names another address at every look: ours cannot be made to, so it is stood in for."""
    asks = []
    real = socket.getaddrinfo

    def turns(host: str, port: int, *given: object, **options: object) -> object:
        if host != "rebound.example":
            return real(host, port, *given, **options)
        asks.append(host)
        return real("127.0.0.1" if len(asks) == 1 else "127.0.0.2", port, *given, **options)

    monkeypatch.setattr(socket, "getaddrinfo", turns)
    with serving() as feeds, serving("127.0.0.2", feeds.port) as secret:
        feeds.answers["/"], secret.answers["/"] = serves(b"allowed"), serves(b"secret")
        assert fetched(feeds.url("/", "rebound.example"), NAMED) == b"allowed"
        assert (asks, secret.asked) == (["rebound.example"], [])
        assert feeds.asked == [("/", f"rebound.example:{feeds.port}")]
        refused(secret.url("/", "rebound.example"), NAMED, "private network")


def test_what_is_too_large_packed_or_wrong_is_refused() -> None:
    with serving() as feeds:
        feeds.answers["/big"] = serves(b"x" * (5 * 2**20 + 1))
        feeds.answers["/packed"] = serves(b"x", Content_Encoding="gzip")
        refused(feeds.url("/big"), NAMED, "larger than 5242880 bytes")
        refused(feeds.url("/packed"), NAMED, "packed")
        refused(feeds.url("/s3cret"), NAMED, "^it answers with status 404$")
    refused(feeds.url("/gone"), NAMED, "cannot be reached: Connection refused")


@pytest.mark.parametrize("calendar", [
    "ftp://example.org/a", "file:///etc/passwd", "http://", "http://example.org:99999/", "https://ex ample.org/",
    "https://example.org/\r\nX: y", "webcal://example.org/a", "https://ann:pw@example.org/"])
def test_what_is_no_address_is_refused_and_not_repeated(calendar: str) -> None:
    told = refused(calendar, NAMED, "address")
    assert "pw" not in told and "passwd" not in told


def test_files_are_read_from_the_folder_that_the_settings_name_alone(tmp_path: Path) -> None:
    folder, outside = tmp_path / "feeds", tmp_path / "outside.ics"
    folder.mkdir()
    outside.write_text("secret")
    (folder / "a.ics").write_bytes(b"fine")
    (folder / "link.ics").symlink_to(outside)
    os.mkfifo(folder / "pipe.ics")
    named = Allowed(files=str(folder))
    assert fetched("a.ics", named) == fetched(str(folder / "a.ics"), named) == b"fine"
    for path in (str(outside), "../outside.ics", "link.ics", "/etc/passwd", "~/x", "a\0b"):
        told = refused(path, named, "lies outside|no name")
        assert "outside.ics" not in told and "passwd" not in told
    refused("pipe.ics", named, "is no file")
    refused("gone.ics", named, "cannot be read: No such file")
    refused("a.ics", NOBODY, "calendar_files in the settings")
    refused(str(outside), NOBODY, "calendar_files in the settings")


@pytest.mark.parametrize(("calendar", "why"), [
    ("/etc/passwd", "calendar_files in the settings"),
    ("http://127.0.0.1:8501/key/s3cret", "127.0.0.1 is this machine"),
    ("http://169.254.169.254/", "private network"),
    ("http://localhost/", "localhost is this machine"),
    ("webcal://example.org/s3cret", "must be an address like"),
])
def test_a_registry_that_names_what_would_not_be_read_is_refused(calendar: str, why: str) -> None:
    fleet = read_fleet(FLEET_TOML.replace(
        'slug = "heron-point"\n', f'slug = "heron-point"\ncalendar = "{calendar}"\n', 1))
    with pytest.raises(BadInput, match=f"calendar of cabin 'heron-point' would not be read: .*{why}") as told:
        refuse_calendars(fleet, NOBODY)
    assert "s3cret" not in str(told.value) and "passwd" not in str(told.value)
    if "127" in calendar:
        refuse_calendars(fleet, NAMED)
