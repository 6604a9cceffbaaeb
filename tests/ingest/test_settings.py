"""Settings: options over environment over file, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.settings import BadInput, Settings, default_store, settings


@pytest.fixture(autouse=True)
def nothing_set(monkeypatch, tmp_path):
    """No TARNLIGHT_ variable, and a folder without tarnlight.toml."""
    import os

    for name in list(os.environ):
        if name.startswith("TARNLIGHT_"):
            monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)


def test_options_go_over_environment_over_file(monkeypatch):
    Path("tarnlight.toml").write_text(
        'broker = "mqtt://file:1"\nstore = "file.duckdb"\nunits = "us"\nshow_port = 9000\n'
    )
    assert settings({}).broker == "mqtt://file:1"
    monkeypatch.setenv("TARNLIGHT_BROKER", "mqtt://environment:2")
    monkeypatch.setenv("TARNLIGHT_STORE", "environment.duckdb")
    found = settings({"store": None})
    assert (found.broker, found.store.name, found.units) == ("mqtt://environment:2", "environment.duckdb", "us")
    found = settings({"broker": "mqtt://option:3", "command": "collect"})
    assert (found.broker, found.store.name, found.show_port) == ("mqtt://option:3", "environment.duckdb", 9000)


def test_without_any_the_store_lies_in_the_users_data_folder(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "share"))
    assert settings({}).store == default_store() == tmp_path / "share" / "tarnlight" / "tarnlight.duckdb"


def test_a_file_named_is_read_and_one_that_is_not_there_is_refused(tmp_path):
    (tmp_path / "other.toml").write_text('client_id = "second"\n')
    assert settings({}, config=tmp_path / "other.toml").client_id == "second"
    with pytest.raises(BadInput, match=r"none.toml: no such file"):
        settings({}, config=tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ('brokr = "mqtt://a"', "unknown setting 'brokr'; known are: broker, broker_ca_file"),
        ("broker = ", "tarnlight.toml: "),
        ("broker = 5", "tarnlight.toml: broker must be a text; got 5"),
        ("store = true", "store must be a text; got True"),
        ('show_port = "8501"', "show_port must be a whole number; got '8501'"),
        ("show_port = true", "whole number; got True"),
        ('broker_password = "secret"', "unknown setting 'broker_password'"),
    ],
)
def test_a_file_with_what_is_no_setting_is_refused(text, match):
    Path("tarnlight.toml").write_text(text)
    with pytest.raises(BadInput, match=match):
        settings({})


@pytest.mark.parametrize(
    "broker",
    [
        "localhost:1883",
        "http://a",
        "mqtt://",
        "mqtt://:1883",
        "mqtt://a:99999",
        "mqtt://a:0",
        "mqtt://a:x",
        "mqtt://[::1",
        "mqtt://a/topic",
        "",
    ],
)
def test_an_address_that_is_no_brokers_is_refused(broker):
    with pytest.raises(BadInput, match=r"broker must be mqtt://HOST:PORT or mqtts://HOST:PORT; got "):
        Settings(store=Path("x"), broker=broker)


@pytest.mark.parametrize(
    "broker", ["mqtt://a", "mqtts://a", "mqtt://a:1883", "mqtt://[::1]:1883", "mqtt://192.0.2.1:1"]
)
def test_an_address_of_a_broker_is_taken(broker):
    assert Settings(store=Path("x"), broker=broker).broker == broker


def test_a_password_in_the_address_is_refused_and_not_repeated():
    for scheme in ("mqtt", "http"):
        with pytest.raises(BadInput, match="TARNLIGHT_BROKER_PASSWORD") as caught:
            Settings(store=Path("x"), broker=f"{scheme}://kim:hunter2@a:1883")
        assert "hunter2" not in str(caught.value)


def test_the_password_comes_from_a_file_or_the_environment_and_is_in_no_field(monkeypatch, tmp_path):
    monkeypatch.setenv("TARNLIGHT_BROKER_PASSWORD", "from-environment")
    assert settings({}).broker_password() == "from-environment"
    assert "from-environment" not in repr(settings({}))
    (tmp_path / "secret").write_text("from-file\n")
    assert settings({"broker_password_file": str(tmp_path / "secret")}).broker_password() == "from-file"
    with pytest.raises(BadInput, match="broker_password_file 'none' cannot be read"):
        settings({"broker_password_file": "none"}).broker_password()


@pytest.mark.parametrize(
    ("given", "match"),
    [
        ({"mqtt_version": "4"}, "mqtt_version must be 3.1.1 or 5; got '4'"),
        ({"units": "imperial"}, "units must be metric or us"),
        ({"show_port": 65536}, "show_port must be a port, 0 to 65535; got 65536"),
        ({"serve_port": -1}, "got -1"),
        ({"health_port": "x"}, "health_port must be a port, 0 to 65535; got 'x'"),
        ({"show_port": "x"}, "show_port must be a port, 0 to 65535; got 'x'"),
    ],
)
def test_a_value_that_is_not_allowed_is_refused(given, match):
    with pytest.raises(BadInput, match=match):
        settings(given)


@pytest.mark.parametrize(("given", "months"), [("", 0), ("0", 0), ("2", 2), ("24", 24)])
def test_how_many_months_stay_is_read_from_the_environment(monkeypatch, given, months):
    monkeypatch.setenv("TARNLIGHT_KEEP_MONTHS", given)
    assert settings({}).keep_months == months


@pytest.mark.parametrize("given", ["1", "-2", "1201", "twelve", "2.5"])
def test_a_number_of_months_that_cannot_be_is_refused(monkeypatch, given):
    monkeypatch.setenv("TARNLIGHT_KEEP_MONTHS", given)
    with pytest.raises(BadInput, match="keep_months must be 2 to 1200 whole months, or 0 to keep all; got"):
        settings({})
