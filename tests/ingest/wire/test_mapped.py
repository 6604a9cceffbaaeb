"""JSON objects and plain values on topics of a unit's own, to the same rows as a pack of SenML.

JSON Pointers: RFC 6901, section 5, whose own example document is read here (from memory).
"""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.db.intake import Known, Message, decode, keep
from ingest.wire.mapped import pointed_at, readings
from ingest.wire.senml import PackRefused
from models.doors import TimeIn, Topic, Topics, Value
from tests.conftest import senml

NOW = datetime(2026, 9, 10, 6, 0, 0, 400_000, tzinfo=UTC)
KEY = ("heron-point", "main")
STATE = Topic(topic="heron/state", values=(
    Value(column="intensity_w_m2", unit="mW/cm2", path="/uv/sensor"), Value(column="lamp_on", path="/uv/lamp"),
    Value(column="flow_l_min", unit="gpm", path="/water/0")))
TIMED = Topic(topic="heron/timed", time="/ts", time_in=TimeIn.MILLISECONDS, values=(
    Value(column="flow_l_min", unit="l/s", path="/flow"),))
ISO = Topic(topic="heron/iso", time="/at", values=(Value(column="battery_v", unit="mV", path="/b"),))
FLOW = Topic(topic="heron/flow", values=(Value(column="flow_l_min", unit="m3/h"),))
LAMP = Topic(topic="heron/lamp", values=(Value(column="lamp_on"),))
KNOWN = Known({KEY}, topics=Topics.of((KEY, one) for one in (STATE, TIMED, ISO, FLOW, LAMP)))


def taken(*messages: tuple[str, object], retained: bool = False, arrived: datetime = NOW):
    """What becomes of these payloads; objects go as JSON."""
    return decode([
        Message(topic, one if isinstance(one, bytes) else json.dumps(one).encode(), arrived, retained=retained)
        for topic, one in messages], KNOWN, pd.Timestamp(arrived))


def rows(found) -> list[dict]:
    return [{name: one for name, one in row.items() if not pd.isna(one)} for row in found.rows.to_dict("records")]


def test_an_object_becomes_the_row_that_the_same_values_in_senml_become():
    found = taken(("heron/state", {"uv": {"sensor": 4.52, "lamp": True}, "water": [1.0, 7], "noise": 5}))
    same = decode([Message("tarnlight/heron-point/main/log", senml(
        NOW.replace(microsecond=0), intensity=45.2, lamp=True, flow=3.785411784 / 60_000).encode(), NOW)], KNOWN,
        pd.Timestamp(NOW))
    pd.testing.assert_frame_equal(found.rows, same.rows)
    assert found.refused.empty
    assert found.relative.tolist() == [True]  # by our clock, and as right as that is


def test_what_bears_no_time_is_of_the_second_in_which_it_came_so_that_topics_of_one_reading_are_one_row():
    found = taken(("heron/flow", b"0.6"), ("heron/lamp", b"ON\n"))
    assert {row["at"] for row in rows(found)} == {pd.Timestamp("2026-09-10T06:00:00Z")}
    assert [row.get("flow_l_min") or row.get("lamp_on") for row in rows(found)] == [10.0, True]


def test_a_time_of_its_own_is_taken_in_each_way_and_an_array_is_a_backlog():
    found = taken(("heron/timed", [{"ts": 1789020000000, "flow": 0.1}, {"ts": 1789020060000, "flow": "0.2"}]),
                  ("heron/iso", {"at": "2026-09-10T07:00:00+02:00", "b": 12510}))
    assert [(row["at"].isoformat(), row.get("flow_l_min", row.get("battery_v"))) for row in rows(found)] == [
        ("2026-09-10T06:00:00+00:00", 6.0), ("2026-09-10T06:01:00+00:00", 12.0),
        ("2026-09-10T05:00:00+00:00", 12.51)]
    assert not found.relative.any()


def test_what_the_broker_kept_from_before_is_refused_where_it_bears_no_time():
    found = taken(("heron/lamp", b"on"), ("heron/state", {"uv": {"lamp": True}}), retained=True)
    assert found.rows.empty
    assert set(found.refused["reason"].str.slice(0, 36)) == {"the broker kept it from before, and "}
    assert len(rows(taken(("heron/timed", {"ts": 1789020000000, "flow": 0.1}), retained=True))) == 1


@pytest.mark.parametrize(("topic", "payload", "reason"), [
    ("heron/flow", b"12 l", "flow_l_min must be a finite number; got '12 l'"),
    ("heron/flow", b"nan", "flow_l_min must be a finite number"),
    ("heron/flow", b"1e999", "flow_l_min must be a finite number"),
    ("heron/flow", b"1e308", "flow_l_min must be a finite number; got '1e308'"),  # not in its column's unit
    ("heron/flow", b"-5", "flow_l_min = -83.333 is out of range"),
    ("heron/flow", b"\xff", "not UTF-8"), ("heron/flow", b"1" * 101, "a plain value of 101 characters"),
    ("heron/lamp", b"maybe", "lamp_on must be one of 1, true, on, yes, 0, false, off, no; got 'maybe'"),
    ("heron/lamp", b"2", "lamp_on must be one of"),
    ("heron/state", {"uv": {"lamp": 0.5}}, "lamp_on must be one of"),
    ("heron/state", {"uv": {"sensor": True}}, "intensity_w_m2 must be a finite number; got True"),
    ("heron/state", {"uv": {"sensor": [1]}}, "intensity_w_m2 must be a finite number; got [1]"),
    ("heron/state", {"other": 1}, "holds none of '/uv/sensor, /uv/lamp, /water/0'"),
    ("heron/state", b"{", "not JSON"), ("heron/state", b"", "not JSON"),
    ("heron/state", 7, "must be a JSON object, or an array of them"),
    ("heron/state", [{"uv": {}}, {}], "needs the path of their time"),
    ("heron/timed", {"flow": 1}, "time at /ts must be a number of ms since 1970; got 'nothing there'"),
    ("heron/timed", {"ts": "soon", "flow": 1}, "time at /ts must be a number of ms"),
    ("heron/timed", {"ts": 1e300, "flow": 1}, "time at /ts must be a number of ms"),
    ("heron/iso", {"at": "2026-09-10T07:00:00", "b": 1}, "ISO 8601 with Z or an offset; got '2026-09-10T07:00:00'"),
    ("heron/iso", {"at": 5, "b": 1}, "ISO 8601 with Z or an offset"),
    ("heron/iso", {"at": "0001-01-01T00:00:00+14:00", "b": 1}, "time at /at must lie between 1690 and 2250"),
    ("heron/other", b"1", "or one that the registry names"),
])
def test_what_cannot_be_used_goes_to_quarantine_with_its_reason(topic, payload, reason):
    found = taken((topic, payload))
    assert found.rows.empty
    assert len(found.refused) == 1 and reason in found.refused["reason"].iloc[0]
    assert found.refused["source"].iloc[0] == topic
    assert (found.refused["cabin"].iloc[0] == "heron-point") == (topic != "heron/other")


def test_one_value_that_cannot_be_used_leaves_the_others_and_one_message_leaves_the_next():
    found = taken(("heron/state", {"uv": {"sensor": "?", "lamp": True}, "water": [None]}), ("heron/flow", b"0.6"))
    assert [sorted(set(row) - {"cabin", "unit", "at"}) for row in rows(found)] == [["lamp_on"], ["flow_l_min"]]
    assert found.refused["reason"].tolist() == ["intensity_w_m2 must be a finite number; got '?'"]


@pytest.mark.parametrize(("topic", "payload"), [
    ("heron/many", [{"ts": 1789020000, "l": True, "f": 1.0}, {"ts": 1789020000, "l": False, "f": 3.0},
                    {"ts": 1789020000, "l": True, "f": 2.0}]),
    ("tarnlight/heron-point/main/log", [
        {"bt": 1789020000, "n": "lamp", "vb": True}, {"n": "flow", "u": "l/s", "v": 1 / 60},
        {"n": "lamp", "vb": False}, {"n": "flow", "u": "l/s", "v": 3 / 60}, {"n": "lamp", "vb": True}]),
])
def test_of_two_values_for_one_instant_in_one_payload_the_worse_counts_and_the_other_is_told(held, topic, payload):
    many = Topic(topic="heron/many", time="/ts", time_in=TimeIn.SECONDS, values=(
        Value(column="lamp_on", path="/l"), Value(column="flow_l_min", unit="l/min", path="/f")))
    known = Known({KEY}, topics=Topics.of([(KEY, many)]))
    found = decode([Message(topic, json.dumps(payload).encode(), NOW)], known, pd.Timestamp(NOW))
    keep(held.con, rows=found.rows, links=found.links, refused=found.refused, arrived=NOW)
    ((lamp, flow),) = held.ask("SELECT lamp_on, flow_l_min FROM reading").to_numpy().tolist()
    assert not lamp and flow == pytest.approx(3.0)
    told = held.ask("SELECT reason FROM quarantine ORDER BY ALL")["reason"].tolist()
    assert len(told) == 2 and all("the worse of the two counts" in one for one in told)


# RFC 6901, section 5
DOCUMENT = {
    "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8}


@pytest.mark.parametrize(("path", "value"), [
    ("", DOCUMENT), ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3),
    ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8)])
def test_a_pointer_names_what_the_standard_says(path, value):
    assert pointed_at(DOCUMENT, path) == value
    Value(column="lamp_on", path=path)  # and may be enrolled


@given(st.binary(max_size=200) | st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["uv", "sensor", "lamp", "water", "ts", "flow"]), inner, max_size=4),
    max_leaves=10).map(lambda one: json.dumps(one).encode()))
def test_nothing_that_a_device_sends_breaks_the_door(payload):
    for topic in (STATE, TIMED, ISO, FLOW, LAMP):
        try:
            found, refused = readings(payload, topic, NOW.timestamp(), set())
        except PackRefused:
            continue
        blank = not payload.decode("utf-8", "replace").strip()
        assert found or refused or blank or b"null" in payload or b'""' in payload or payload == b"[]"
