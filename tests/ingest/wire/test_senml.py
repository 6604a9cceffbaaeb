"""SenML packs that no well-behaved logger would send."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.db.intake import Message, decode
from ingest.wire.senml import PackRefused, readings

NOW_S = 1_795_000_000.0
NOW = datetime.fromtimestamp(NOW_S, UTC)
DIGITS_308 = "1" + "0" * 308  # the largest power of ten that a float can hold


def rows(pack: object) -> dict[int, dict[str, float | bool]]:
    return readings(json.dumps(pack).encode(), NOW_S)[0]


def reasons(payload: object) -> list[str]:
    raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return [one.reason for one in readings(raw, NOW_S)[1]]


def decoded(*payloads: bytes, topic: str = "tarnlight/heron-point/main/log"):
    messages = [Message(topic, payload, NOW) for payload in payloads]
    return decode(messages, {("heron-point", "main")}, pd.Timestamp(NOW))


@pytest.mark.parametrize(
    ("payload", "match"),
    [
        (b"", "empty payload"),
        (b"\xff\xfe\x00", "not UTF-8"),
        (b"\x00\x01\x02", "not JSON"),
        (b"[", "not JSON"),
        (b"{}", "must be an array; got dict"),
        (b"[]", "holds no record"),
        (b"null", "got NoneType"),
        (b"[" * 100_000, "nested too deeply"),
    ],
)
def test_a_pack_that_cannot_be_read_is_refused_whole(payload, match):
    with pytest.raises(PackRefused, match=match):
        readings(payload, NOW_S)


@pytest.mark.parametrize(
    "payload",
    [
        f'[{{"n":"intensity","bv":{DIGITS_308},"v":{DIGITS_308}}}]',
        f'[{{"n":"intensity","bv":-{DIGITS_308},"v":-{DIGITS_308}}}]',
        f'[{{"n":"intensity","bt":{DIGITS_308},"t":{DIGITS_308},"v":1}}]',
        f'[{{"n":"intensity","bt":-{DIGITS_308},"t":-{DIGITS_308},"v":1}}]',
        '[{"n":"intensity","v":1e308,"bv":1e308}]',
        '[{"n":"flow","u":"m3/s","v":1e308}]',
        '[{"n":"intensity","v":NaN}]',
        '[{"n":"intensity","v":Infinity}]',
        '[{"n":"intensity","v":-Infinity}]',
        f'[{{"n":"intensity","v":{DIGITS_308}0}}]',
        '[{"n":"intensity","v":' + "9" * 5000 + "}]",
        '[{"n":"intensity","t":NaN,"v":1}]',
        '[{"n":"intensity","t":1e300,"v":1}]',
    ],
)
def test_a_number_that_no_float_holds_refuses_its_record_alone(payload):
    both = payload[:-1] + ',{"bt":1795000000,"bv":0,"n":"battery","t":0,"v":12.5}]'
    found, refused = readings(both.encode(), NOW_S)
    assert len(refused) == 1
    assert list(found.values()) == [{"battery_v": 12.5}]


def test_a_bad_record_of_five_leaves_four():
    pack = [
        {"n": "intensity", "v": 41},
        {"n": "flow", "v": 1e-4},
        {"n": "temp", "v": "warm"},
        {"n": "lamp", "vb": True},
        {"n": "battery", "v": 12.9},
    ]
    (row,) = rows(pack).values()
    assert row == {"intensity_w_m2": 41, "flow_l_min": pytest.approx(6.0), "lamp_on": True, "battery_v": 12.9}
    assert reasons(pack) == ["v of 'temp' must be a finite number; got 'warm'"]


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        ({"n": "lamp", "v": 1}, "lamp takes vb; got v"),
        ({"n": "lamp", "vb": 1}, "must be true or false; got 1"),
        ({"n": "lamp", "vb": "true"}, "must be true or false"),
        ({"n": "flow", "vb": True}, "flow takes v; got vb"),
        ({"n": "flow", "vs": "5"}, "flow takes v; got vs"),
        ({"n": "flow", "s": 5}, "flow takes v; got s"),
        ({"n": "flow", "v": True}, "must be a finite number; got True"),
        ({"n": "flow", "v": None}, "got None"),
        ({"n": "flow", "v": [1]}, r"got \[1\]"),
        ({"n": "flow"}, "no value"),
        ({"v": 1}, "name must match"),
        ({"n": 5, "v": 1}, "n must be a text; got 5"),
        ({"n": "pressure", "v": 1}, "unknown name 'pressure'; known are: lamp"),
        ({"n": "flow", "u": "gal/min", "v": 1}, "allowed: m3/s, l/s"),
        ({"n": "lamp", "u": "V", "vb": True}, "takes no unit"),
        ({"n": "flow", "t": "now", "v": 1}, "t must be a finite number; got 'now'"),
        ({"n": "\ud800", "v": 1}, "name must match"),
        ({"n": "flow", "u": "\ud800", "v": 1}, "is not taken"),
        (None, "must be an object; got NoneType"),
        (5, "got int"),
        ([], "got list"),
    ],
)
def test_each_way_of_being_wrong_has_its_reason(record, reason):
    found = reasons([record, {"n": "battery", "v": 12.0}])
    assert len(found) == 1
    assert re.search(reason, found[0])


def test_reasons_and_records_kept_of_a_huge_value_are_cut():
    payload = b'[{"n":"flow","v":"' + b"x" * 1_000_000 + b'"},{"n":"battery","v":12}]'
    found, refused = readings(payload, NOW_S)
    assert len(found) == 1
    assert len(refused[0].reason) < 1000
    assert len(refused[0].record) < 5000


def test_the_first_of_two_values_of_one_instant_stays():
    assert list(rows([{"n": "flow", "u": "l/s", "v": 0.1}, {"n": "flow", "u": "l/s", "v": 0.2}]).values()) == [
        {"flow_l_min": pytest.approx(6.0)}
    ]


def test_a_base_name_may_carry_the_device_before_the_quantity():
    assert list(rows([{"bn": "urn:dev:mac:0024befffe804ff1:", "n": "battery", "v": 12}]).values()) == [
        {"battery_v": 12.0}
    ]
    assert list(rows([{"bn": "heron-point/main/", "n": "battery", "v": 12}]).values()) == [{"battery_v": 12.0}]


def test_one_megabyte_of_records_is_taken():
    pack = [{"n": "battery", "v": 12.0, "t": -n} for n in range(30_000)]
    assert len(json.dumps(pack)) > 1_000_000
    assert len(rows(pack)) == 30_000


def test_one_megabyte_of_nested_json_is_refused():
    for text in (b"[" * 500_000 + b"]" * 500_000, b'[{"n":' + b'{"a":' * 200_000 + b"1" + b"}" * 200_000 + b"}]"):
        with pytest.raises(PackRefused, match="nested too deeply"):
            readings(text, NOW_S)


@pytest.mark.parametrize("depth", range(930, 1000, 7))
@pytest.mark.parametrize("label", ["n", "v", "u", "t", "bver", "x"])
def test_json_nested_as_deeply_as_can_just_be_read_is_refused_too(depth, label):
    payload = b'[{"n":"battery","v":1,"%s":%s%s}]' % (label.encode(), b"[" * depth, b"]" * depth)
    assert len(decoded(payload).refused) + len(decoded(payload).rows) == 1


def test_times_of_1970_and_2099_are_quarantined_and_the_rest_of_the_pack_kept():
    pack = [
        {"n": "battery", "bt": 0, "t": NOW_S, "v": 12},
        {"n": "battery", "t": 4.1e9, "v": 12},
        {"n": "battery", "t": -NOW_S + 5, "v": 12},
    ]
    found = decoded(json.dumps(pack).encode())
    assert len(found.rows) == 1
    assert len(found.refused) == 2
    assert found.refused["reason"].str.startswith("at = 20").any()
    assert found.refused["reason"].str.startswith("at = 1970").any()


@pytest.mark.parametrize(
    ("topic", "reason"),
    [
        ("tarnlight/nobody/main/log", "unit 'main' of cabin 'nobody' is not enrolled"),
        ("tarnlight/heron-point/other/log", "is not enrolled"),
        ("tarnlight/heron-point/log", "topic must be"),
        ("tarnlight/heron-point/main/log/x", "topic must be"),
        ("", "topic must be"),
        ("tarnlight/+/main/log", "is not enrolled"),
        ("tarnlight/heron-point/main/logs", "topic must be"),
        ("tarnlight//main/log", "is not enrolled"),
    ],
)
def test_other_topics_are_quarantined(topic, reason):
    found = decoded(b'[{"n":"battery","v":12}]', topic=topic)
    assert found.rows.empty
    assert reason in found.refused["reason"].iloc[0]


def test_up_and_down_in_one_millisecond_keep_their_order():
    found = decoded(b"up", b"down", b"up", b"", b"sideways", topic="tarnlight/heron-point/main/link")
    assert found.links["up"].tolist() == [True, False, True]
    assert found.links["at"].is_monotonic_increasing
    assert found.links["at"].is_unique
    assert found.refused["reason"].tolist() == ["link must be up or down"]


_numbers = st.one_of(
    st.integers(),
    st.integers(10**300, 10**320),
    st.floats(),
    st.sampled_from([NOW_S, -NOW_S, 1e308, -1e308, 2**28]),
)
_values = st.recursive(
    st.one_of(st.none(), st.booleans(), _numbers, st.text()),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=5,
)
_labels = st.sampled_from(
    ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x", "y_"]
)
_names = st.sampled_from(["lamp", "intensity", "flow", "total", "power", "temp", "uvt", "battery", "lit"])
_records = st.one_of(
    _values,
    st.dictionaries(_labels, _values),
    st.fixed_dictionaries({"n": _names}, optional=dict.fromkeys(("v", "bv", "bt", "t", "s", "bs"), _numbers)),
)


@given(st.one_of(st.binary(), st.lists(_records, max_size=4).map(lambda pack: json.dumps(pack).encode())))
@settings(max_examples=150, deadline=None)
def test_whatever_a_device_sends_the_decoder_answers(payload):
    found = decoded(payload, b'[{"n":"battery","v":12}]')
    assert len(found.rows) >= 1  # the good one after it
    assert set(found.rows.columns) >= {"cabin", "unit", "at"}
