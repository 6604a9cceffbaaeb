"""Packs as RFC 8428 has them, read back by a resolver written for this test after its section 4.6."""

import json
import re

import numpy as np
import pytest

from simulated_feeds.logger import COLUMNS, NOT_SENT, Rows
from simulated_feeds.senml_out import pack, split


def rows(**columns):
    at_s = np.array(columns.pop("at_s"))
    n = len(at_s)
    flags = {name: np.array(columns.pop(name, [-1] * n), dtype=np.int8) for name in ("power_on", "lamp_on")}
    values = {column: np.array(columns.get(column, [np.nan] * n), dtype=float) for column in COLUMNS}
    return Rows(at_s, at_s, np.full(n, NOT_SENT), flags["power_on"], flags["lamp_on"], values)


def resolved(payload):
    """RFC 8428 section 4.6: base fields applied until they recur, times absolute."""
    base, out = {}, []
    for record in json.loads(payload):
        base.update({key: value for key, value in record.items() if key in ("bn", "bt", "bu", "bv")})
        name = base.get("bn", "") + record.get("n", "")
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", name)  # section 4.5.1
        values = [record[key] for key in ("v", "vs", "vb", "vd") if key in record]
        assert len(values) == 1  # section 4.2
        out.append((name, record.get("u", base.get("bu")), base.get("bt", 0) + record.get("t", 0), values[0]))
    return out


def test_two_readings_are_the_pack_that_one_writes_by_hand():
    found = pack(rows(at_s=[1_795_000_000, 1_795_000_060], lamp_on=[1, 1], power_on=[1, 0],
                      flow_l_min=[6.0, 0.0], total_l=[359_959.6, 359_965.6], uvt_pct=[np.nan, 84.5],
                      lamp_hours=[1.5, 1.52]), device="heron-point/main/")
    # by the table of messages (dashboard/docs/messages.md): 6 l/min is 1e-4 m3/s, 1.5 h is 5,400 s, 84.5 % is 0.845
    assert json.loads(found) == [
        {"bn": "heron-point/main/", "bt": 1_795_000_000, "n": "lamp", "vb": True}, {"n": "power", "vb": True},
        {"n": "flow", "u": "m3/s", "v": 1e-4}, {"n": "total", "u": "m3", "v": 359.9596},
        {"n": "lit", "u": "s", "v": 5400},
        {"n": "lamp", "t": 60, "vb": True}, {"n": "power", "t": 60, "vb": False},
        {"n": "flow", "u": "m3/s", "t": 60, "v": 0.0}, {"n": "total", "u": "m3", "t": 60, "v": 359.9656},
        {"n": "uvt", "u": "/", "t": 60, "v": 0.845}, {"n": "lit", "u": "s", "t": 60, "v": 5472},
    ]


def test_a_resolved_pack_has_whole_names_and_absolute_times():
    found = resolved(pack(rows(at_s=[1_795_000_000, 1_795_000_060], intensity_w_m2=[41.0, 40.8]), device="a/b/"))
    assert found == [("a/b/intensity", "W/m2", 1_795_000_000, 41.0), ("a/b/intensity", "W/m2", 1_795_000_060, 40.8)]


def test_the_wire_keeps_all_that_a_sensor_can_tell():
    flow_l_min = np.round(np.arange(0, 80, 0.1), 1)
    total_l = np.round(5_000_000 + 0.1 * np.arange(len(flow_l_min)), 1)
    found = resolved(pack(rows(at_s=1_795_000_000 + np.arange(len(flow_l_min)), flow_l_min=flow_l_min,
                               total_l=total_l)))
    flows = [60_000 * value for name, *_, value in found if name == "flow"]
    totals = [1000 * value for name, *_, value in found if name == "total"]
    assert np.allclose(flows, flow_l_min, atol=1e-5)
    assert np.allclose(totals, total_l, atol=1e-3)


def test_numbers_are_json_numbers_with_a_small_e():
    payload = pack(rows(at_s=[1_795_000_000], flow_l_min=[0.1]))
    assert "E" not in payload and json.loads(payload)[0]["v"] == pytest.approx(0.1 / 60_000, abs=1e-10)


def test_a_row_with_only_an_event_is_one_record():
    assert json.loads(pack(rows(at_s=[1_795_000_007], power_on=[0]))) == [
        {"bt": 1_795_000_007, "n": "power", "vb": False}]


def test_an_empty_pack_is_refused():
    with pytest.raises(ValueError, match="at least one row"):
        pack(rows(at_s=[]))


def test_a_long_backlog_splits_without_loss():
    whole = rows(at_s=np.arange(1_795_000_000, 1_795_001_234), flow_l_min=np.zeros(1234))
    parts = list(split(whole, 500))
    assert [len(part.at_s) for part in parts] == [500, 500, 234]
    assert np.array_equal(Rows.joined(parts).at_s, whole.at_s)
