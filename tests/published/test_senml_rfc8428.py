"""RFC 8428 (SenML), section 5: its example packs, resolved as section 4.6 says.

Source: RFC 8428, August 2018. Shape, base time and relative times of 5.1.3 and 5.1.4 as seen (SOURCES.md,
section 9, S63); the remaining values are written from memory of the RFC's text.
"""

from __future__ import annotations

import json

import pytest

from ingest.wire.senml import NAME, PackRefused, Refused, parse, readings, resolve

DEVICE = "urn:dev:ow:10e2073a01080063"

# 5.1.3, "Multiple Measurements"
PACK_5_1_3 = [
    {"bn": DEVICE, "bt": 1.320067464e9, "bu": "%RH", "v": 20},
    {"u": "lon", "v": 24.30621},
    {"u": "lat", "v": 60.07965},
    {"t": 60, "v": 20.3},
    {"u": "lon", "t": 60, "v": 24.30622},
    {"u": "lat", "t": 60, "v": 60.07965},
    {"t": 120, "v": 20.7},
    {"u": "lon", "t": 120, "v": 24.30623},
    {"u": "lat", "t": 120, "v": 60.07966},
    {"u": "%EL", "t": 150, "v": 98},
    {"t": 180, "v": 21.2},
    {"u": "lon", "t": 180, "v": 24.30628},
    {"u": "lat", "t": 180, "v": 60.07967},
]
# 5.1.4, "Resolved Data": the same, as the RFC prints it
RESOLVED_5_1_4 = [
    {"n": DEVICE, "u": "%RH", "t": 1.320067464e9, "v": 20},
    {"n": DEVICE, "u": "lon", "t": 1.320067464e9, "v": 24.30621},
    {"n": DEVICE, "u": "lat", "t": 1.320067464e9, "v": 60.07965},
    {"n": DEVICE, "u": "%RH", "t": 1.320067524e9, "v": 20.3},
    {"n": DEVICE, "u": "lon", "t": 1.320067524e9, "v": 24.30622},
    {"n": DEVICE, "u": "lat", "t": 1.320067524e9, "v": 60.07965},
    {"n": DEVICE, "u": "%RH", "t": 1.320067584e9, "v": 20.7},
    {"n": DEVICE, "u": "lon", "t": 1.320067584e9, "v": 24.30623},
    {"n": DEVICE, "u": "lat", "t": 1.320067584e9, "v": 60.07966},
    {"n": DEVICE, "u": "%EL", "t": 1.320067614e9, "v": 98},
    {"n": DEVICE, "u": "%RH", "t": 1.320067644e9, "v": 21.2},
    {"n": DEVICE, "u": "lon", "t": 1.320067644e9, "v": 24.30628},
    {"n": DEVICE, "u": "lat", "t": 1.320067644e9, "v": 60.07967},
]


def resolved(pack: list[dict[str, object]], now_s: float = 2e9) -> list[object]:
    """The records as the RFC prints them: without our own note that a time was told as before the arrival."""
    return [
        {name: value for name, value in one.items() if name != "relative"} if isinstance(one, dict) else one
        for one in resolve(parse(json.dumps(pack).encode()), now_s)]


def test_the_pack_of_5_1_3_resolves_to_what_5_1_4_prints():
    assert resolved(PACK_5_1_3) == RESOLVED_5_1_4


def test_a_single_data_point_5_1_1_counts_from_its_arrival():
    assert resolved([{"n": DEVICE, "u": "Cel", "v": 23.1}], now_s=1.6e9) == [
        {"n": DEVICE, "u": "Cel", "v": 23.1, "t": 1.6e9}]


def test_base_name_base_unit_and_negative_times_of_5_1_2():
    pack = [
        {"bn": f"{DEVICE}:", "bt": 1.276020076001e9, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "t": -4, "v": 1.3},
        {"n": "current", "v": 1.7},
    ]
    assert resolved(pack) == [
        {"n": f"{DEVICE}:voltage", "u": "V", "t": 1.276020076001e9, "v": 120.1},
        {"n": f"{DEVICE}:current", "u": "A", "t": 1.276020071001e9, "v": 1.2},
        {"n": f"{DEVICE}:current", "u": "A", "t": 1.276020072001e9, "v": 1.3},
        {"n": f"{DEVICE}:current", "u": "A", "t": 1.276020076001e9, "v": 1.7},
    ]


def test_every_kind_of_value_of_5_1_5_is_kept_as_it_is():
    pack = [
        {"bn": f"{DEVICE}:", "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "label", "vs": "Machine Room"},
        {"n": "open", "vb": False},
        {"n": "nfc-reader", "vd": "aGkgCg"},
    ]
    assert [{key: one[key] for key in ("v", "vs", "vb", "vd") if key in one} for one in resolved(pack)] == [
        {"v": 23.1}, {"vs": "Machine Room"}, {"vb": False}, {"vd": "aGkgCg"}]


def test_base_value_and_base_sum_are_added_4_1():
    pack = [{"bn": "a:", "bv": 20, "bs": 100, "n": "x", "v": 0.3, "s": 5}, {"n": "y", "v": 0.7}]
    assert resolved(pack, 2e9) == [
        {"n": "a:x", "v": 20.3, "s": 105, "t": 2e9}, {"n": "a:y", "v": 20.7, "s": 100, "t": 2e9}]


def test_a_time_below_2_to_the_28_is_relative_and_from_there_on_absolute_4_5_3():
    pack = [{"n": "a", "t": 2**28 - 1, "v": 1}, {"n": "a", "t": 2**28, "v": 1}]
    assert [one["t"] for one in resolved(pack, 1.0)] == [2.0**28, 2**28]


def test_base_fields_hold_until_the_same_base_field_comes_again_4():
    pack = [{"bn": "a:", "bu": "V", "n": "x", "v": 1}, {"bn": "b:", "n": "x", "v": 2}]
    assert [(one["n"], one["u"]) for one in resolved(pack)] == [("a:x", "V"), ("b:x", "V")]


def test_a_version_above_ours_refuses_the_pack_4_4():
    with pytest.raises(PackRefused, match="bver must be at most 10; got 11"):
        resolved([{"bver": 11, "n": "a", "v": 1}])


def test_two_versions_in_one_pack_refuse_it_4_4():
    with pytest.raises(PackRefused, match="one bver"):
        resolved([{"bver": 9, "n": "a", "v": 1}, {"bver": 10, "n": "a", "v": 1}])


def test_a_label_that_must_be_understood_refuses_the_pack_and_another_is_ignored_4_4():
    with pytest.raises(PackRefused, match="'key_'"):
        resolved([{"n": "a", "v": 1, "key_": 2}])
    assert resolved([{"n": "a", "v": 1, "key": 2}], 2e9) == [{"n": "a", "v": 1, "t": 2e9}]


def test_more_than_one_value_refuses_the_record_alone_4_2():
    first, second = resolved([{"n": "a", "v": 1, "vb": True}, {"n": "a", "v": 1}])
    assert isinstance(first, Refused)
    assert second["v"] == 1


@pytest.mark.parametrize("name", ["", "-a", ".a", "a b", "a\u00e9", "a#"])
def test_names_outside_4_5_1_are_refused(name):
    assert not NAME.fullmatch(name)
    assert isinstance(resolved([{"n": name, "v": 1}])[0], Refused)


def test_percent_is_a_ratio_as_the_slash_is_12_1():
    pack = json.dumps([
        {"n": "uvt", "u": "%", "v": 0.85, "t": -60}, {"n": "uvt", "u": "/", "v": 0.85}]).encode()
    rows, refused = readings(pack, 1.7e9)
    assert refused == []
    assert [row["uvt_pct"] for row in rows.values()] == [85.0, 85.0]


def test_units_of_table_6_are_converted_and_what_is_not_there_is_refused():
    # SI definitions: 1 m3/s = 60,000 l/min; 273.15 K = 0 Cel; 3600 s = 1 h. "l/min" is not in the table.
    pack = json.dumps([
        {"bt": 1.7e9, "n": "flow", "u": "m3/s", "v": 5e-4}, {"n": "temp", "u": "K", "v": 280.15},
        {"n": "lit", "u": "s", "v": 7200}, {"n": "total", "u": "m3", "v": 1.5},
        {"n": "flow", "u": "l/min", "v": 30, "t": 1},
    ]).encode()
    rows, refused = readings(pack, 2e9)
    assert rows == {1_700_000_000_000: {
        "flow_l_min": pytest.approx(30.0, rel=1e-12), "water_temp_c": pytest.approx(7.0, abs=1e-9),
        "lamp_hours": 2.0, "total_l": 1500.0}}
    assert [one.reason for one in refused] == ["flow in 'l/min' is not taken; allowed: m3/s, l/s"]
