"""Each limit of a message, at it and one past it; and that no payload within them costs more than its size."""

from __future__ import annotations

import json
import multiprocessing
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import ingest.db.reading  # noqa: F401  (loaded with the first batch, and no payload's cost)
from ingest.db.intake import PAYLOAD_KEPT, Decoded, Message, decode
from ingest.wire import limits, senml
from ingest.wire.senml import PackRefused, PastLimit, parse, readings
from ingest.wire.senml_lines import read_senml_lines

NOW_S = 1_795_000_000
NOW = datetime.fromtimestamp(NOW_S, UTC)
TOPIC = "tarnlight/heron-point/main/log"
GOOD = b'{"n":"battery","v":12}'
MOST_S, MOST_MB = 1.0, 100.0
BUSY = 3.0  # where two cores do other work too, the same takes up to so much more; a bench holds `MOST_S`


def pack(*records: bytes) -> bytes:
    return b"[" + b",".join(records) + b"]"


def decoded(payload: bytes) -> Decoded:
    return decode([Message(TOPIC, payload, NOW)], {("heron-point", "main")}, pd.Timestamp(NOW))


def padded(size: int) -> bytes:
    """A good pack of that many bytes."""
    return pack(GOOD) + b" " * (size - len(pack(GOOD)))


def test_a_payload_at_the_limit_is_taken_and_one_byte_more_is_not():
    assert limits.PAYLOAD_BYTES == 2_000_000
    assert len(decoded(padded(2_000_000)).rows) == 1
    found = decoded(padded(2_000_001))
    assert found.rows.empty
    (row,) = found.refused.to_dict("records")
    assert row["reason"] == "a payload of 2,000,001 bytes; at most 2,000,000 are taken"
    assert (len(row["payload"]), row["aside"]) == (PAYLOAD_KEPT, 0)  # its start in quarantine, all of it set aside


def test_the_size_is_looked_at_before_anything_else():
    with pytest.raises(PastLimit, match="2,000,001 bytes"):
        parse(b"\xff" * 2_000_001)  # nor UTF-8, nor JSON


def test_records_at_the_limit_are_taken_and_one_more_is_not():
    assert limits.RECORDS == 60_000
    found, refused = readings(pack(*[GOOD] * 59_999, b'{"n":"flow","v":0}'), NOW_S)
    assert list(found.values()) == [{"battery_v": 12.0, "flow_l_min": 0.0}]
    assert refused == []
    with pytest.raises(PastLimit, match="a pack of 60,001 records; at most 60,000 are taken"):
        parse(pack(*[GOOD] * 60_001))


@pytest.mark.parametrize(
    ("base", "name"), [("", "a" * 249 + "/battery"), ("a" * 248 + "/", "battery"), ("a" * 248 + "/battery", "")]
)
def test_a_name_at_the_limit_is_taken_and_one_character_more_is_not(base, name):
    assert limits.NAME_CHARACTERS == 256
    if len(base) + len(name) == 257:
        base, name = base[1:], name if base else name[1:]
    for more, taken in (("", True), ("a", False)):
        record = {"bn": more + base, "n": name, "v": 12} if base else {"n": more + name, "v": 12}
        found, refused = readings(json.dumps([record]).encode(), NOW_S)
        assert bool(found) == taken
        if not taken:
            assert [one.past_limit for one in refused] == [True]
            assert "a name of 257 characters" in refused[0].reason
            assert "at most 256 are taken" in refused[0].reason


def test_records_after_too_long_a_base_name_are_not_taken_for_records_without_one():
    long = {"bn": "x" * 300, "n": "battery", "v": 1}
    found, refused = readings(
        json.dumps([long, {"n": "flow", "v": 0}, {"bn": "", **json.loads(GOOD)}]).encode(), NOW_S)
    assert list(found.values()) == [{"battery_v": 12.0}]
    assert [one.times for one in refused] == [2]


def nested(levels: int) -> bytes:
    """A pack of that many levels: an array of an object of arrays."""
    return b'[{"n":"battery","v":12,"x":' + b"[" * (levels - 2) + b"]" * (levels - 2) + b"}]"


def test_nesting_at_the_limit_is_taken_and_one_level_more_is_not():
    assert limits.NESTING == 8
    assert len(readings(nested(8), NOW_S)[0]) == 1
    with pytest.raises(PastLimit, match="nested too deeply: 9 levels; at most 8 are taken"):
        parse(nested(9))


def test_brackets_within_a_text_nest_nothing():
    record = json.dumps({"n": "battery", "v": 12, "x": "[{" * 1000 + '\\"[' * 100 + "\\"}).encode()
    assert len(readings(pack(record, GOOD), NOW_S)[0]) == 1
    with pytest.raises(PastLimit, match="9 levels"):
        parse(b'["\\\\",' + b"[" * 8 + b"]" * 8 + b"]")


def test_objects_and_arrays_at_the_limit_are_taken_and_one_more_is_not():
    assert limits.CONTAINERS == 120_000
    flat = b'{"n":"battery","v":12,"x":[' + b",".join([b"[]"] * 119_997) + b"]}"
    assert len(readings(pack(flat), NOW_S)[0]) == 1
    with pytest.raises(PastLimit, match="120,001 objects and arrays; at most 120,000 are taken"):
        parse(pack(flat.replace(b"]}", b",[]]}")))


@pytest.mark.parametrize("start", ["12.", "-12.", "12.5e-"])
def test_a_number_at_the_limit_is_taken_and_one_character_more_refuses_its_record_alone(start):
    assert limits.NUMBER_CHARACTERS == 350
    at_limit = start + "0" * (350 - len(start))
    for number, taken in ((at_limit, True), (at_limit + "0", False)):
        found, refused = readings(f'[{{"n":"flow","v":{number}}},{{"n":"battery","v":12}}]'.encode(), NOW_S)
        (row,) = found.values()
        assert ("flow_l_min" in row, row["battery_v"]) == (taken, 12.0)
        assert [one.past_limit for one in refused] == ([] if taken else [True])
    assert refused[0].reason == (
        "v of 'flow' must be a finite number; got a number of 351 characters, more than 350")


@pytest.mark.parametrize(
    ("at_limit", "past"),
    [
        ("1.7976931348623157e308", "1.7976931348623159e308"),  # IEEE 754 double
        (str(2**1024 - 2**970 - 1), str(2**1024 - 2**970)),  # the whole numbers that round to it, and past it
        ("1e308", "1e999"),
        ("1" + "0" * 308, "1" + "0" * 309),
    ],
)
def test_the_largest_double_is_a_number_and_what_is_larger_refuses_its_record_alone(at_limit, past):
    for number, finite in ((at_limit, True), (past, False)):
        found, refused = readings(f'[{{"n":"battery","v":{number}}},{{"n":"flow","v":0}}]'.encode(), NOW_S)
        (row,) = found.values()
        assert (row.get("battery_v", 0) > 1e307, row["flow_l_min"]) == (finite, 0.0)
        assert len(refused) == (0 if finite else 1)


def test_a_byte_order_mark_is_passed_over_and_of_a_label_that_stands_twice_the_last_counts():
    assert readings(b'\xef\xbb\xbf[{"n":"battery","v":1,"v":12}]', NOW_S)[0] == {NOW_S * 1000: {"battery_v": 12.0}}
    with pytest.raises(PackRefused, match="not JSON"):
        parse(b'\xef\xbb\xbf\xef\xbb\xbf[{"n":"battery","v":12}]')


def test_many_refusals_of_one_reason_are_one_row_with_a_count_and_examples():
    start = NOW_S + 1000
    found = decoded(pack(
        *(b'{"n":"pressure","v":%d}' % n for n in range(1000)),
        *(b'{"n":"flow","v":"x%d"}' % n for n in range(500)),
        *(b'{"n":"uvt","v":2,"bt":%d,"t":-%d}' % (NOW_S, n) for n in range(200)),
        *(b'{"n":"battery","v":12,"bt":%d,"t":%d}' % (start, n) for n in range(100))))
    rows = {one["reason"].split(";")[0].split(" = ")[0]: one for one in found.refused.to_dict("records")}
    assert {reason: row["times"] for reason, row in rows.items()} == {
        "unknown name 'pressure'": 1000, "v of 'flow' must be a finite number": 500, "uvt_pct": 200, "at": 100}
    assert rows["unknown name 'pressure'"]["payload"].decode().splitlines() == [
        json.dumps({"n": "pressure", "v": n}) for n in range(3)]
    assert rows["at"]["reason"].startswith("at = 2026-")  # as each alone would be told
    assert (found.refused["aside"] == -1).all()


def test_many_unknown_names_are_told_apart_up_to_a_number_and_then_counted_together():
    found, refused = readings(pack(*(b'{"n":"b%d","v":1}' % n for n in range(5000))), NOW_S)
    assert not found
    assert len(refused) == senml.REASONS_APART + 1
    assert sum(one.times for one in refused) == 5000
    assert refused[-1].reason.endswith("and others like it")


def test_quarantine_holds_no_repetition_of_a_long_base_name():
    payload = pack(b'{"bn":"' + b"a" * 125_000 + b'"}', *[b'{"n":"battery","v":1}'] * 7_800)
    found = decoded(payload)
    assert found.rows.empty
    assert found.refused["times"].tolist() == [7_801]
    assert (found.refused["payload"].str.len() < 4_000).all()
    assert (found.refused["reason"].str.len() < 200).all()
    assert (found.refused["aside"] == 0).all()  # all of it lies in the folder


def test_lines_of_a_file_have_the_same_limits(tmp_path: Path):
    def named(count: int, name: bytes = b"heron-point/main/battery") -> bytes:
        return pack(*(b'{"n":"%s","v":12,"t":-%d}' % (name, n) for n in range(count)))

    path = tmp_path / "log.jsonl"
    path.write_bytes(b"\n".join([
        b"\xef\xbb\xbf" + named(2) + b" " * (limits.PAYLOAD_BYTES - len(named(2))),
        pack(*[b'{"n":"a/b/flow","v":1}'] * 60_001), b"[" * 100, b'["' + b"x" * 9_000_000 + b'"]',
        named(1) + b" " * 9_000_000, named(500, b"heron-point/main/pressure"),
        pack(b'{"bn":"heron-point/main/","n":"flow","v":0,"t":-9}')]))
    chunks = list(read_senml_lines(path, now=NOW))
    rows = pd.concat([one.rows for one in chunks])
    told = pd.concat([one.refused for one in chunks])
    assert sorted(rows.index) == [1, 1, 7]
    assert told["line"].tolist() == [2, 3, 4, 5, 6]
    assert told["times"].tolist() == [1, 1, 1, 1, 500]
    matches = ("60,001 records", "100 levels", "9,000,005 bytes", "bytes", "pressure")
    for reason, match in zip(told["reason"], matches, strict=True):
        assert match in reason
    assert chunks[-1].bytes_done == path.stat().st_size


def spread(one: bytes, count: int) -> bytes:
    return pack(*(one % n for n in range(count)))


def inside(values: bytes) -> bytes:
    return b'[{"n":"flow","v":[' + values + b"]}]"


# Made to cost the most that their bytes can: by kind, never larger than is taken.
COSTLY: dict[str, Callable[[], bytes]] = {
    "a backlog of 60,000 rows": lambda: spread(b'{"n":"flow","v":0,"t":-%d}', 60_000),
    "60,000 fractions of a second": lambda: spread(b'{"n":"flow","v":0,"t":-0.%d}', 60_000),
    "60,000 in the future": lambda: pack(*(b'{"n":"uvt","v":2,"bt":%d}' % (NOW_S + n) for n in range(999, 56_000))),
    "60,000 of a clock not set": lambda: spread(b'{"n":"flow","v":2,"t":1%d}', 60_000),
    "60,000 before 2015": lambda: spread(b'{"n":"lit","v":1,"t":-1%09d}', 55_000),
    "60,000 out of range": lambda: spread(b'{"n":"uvt","v":9,"t":-%d}', 60_000),
    "60,000 unknown names": lambda: spread(b'{"n":"b%x","v":1}', 60_000),
    "60,000 unknown units": lambda: spread(b'{"n":"flow","u":"%x","v":1}', 60_000),
    "60,000 texts for numbers": lambda: spread(b'{"n":"flow","v":"%x"}', 60_000),
    "60,000 not a number": lambda: pack(*[b'{"n":"flow","v":NaN}'] * 60_000),
    "60,000 infinite": lambda: pack(*[b'{"n":"flow","v":1e999}'] * 60_000),
    "60,000 empty objects": lambda: pack(*[b"{}"] * 60_000),
    "a base name at the limit": lambda: pack(b'{"bn":"' + b"a" * 255 + b'"}', *[b'{"n":"a","v":1}'] * 59_999),
    "a base name of colons": lambda: pack(b'{"bn":"a' + b":" * 254 + b'"}', *[b'{"n":"a","v":1}'] * 59_999),
    "a base name of a megabyte": lambda: pack(b'{"bn":"' + b"a" * 10**6 + b'"}', *[b'{"n":"a","v":1}'] * 59_000),
    "a base unit of 800 KB": lambda: pack(b'{"bu":"' + b"a" * 800_000 + b'"}', *[b'{"n":"lit","v":1}'] * 59_000),
    "a base value of 300 digits": lambda: pack(b'{"bv":' + b"1" * 300 + b"}", *[b'{"n":"lit","v":1}'] * 59_999),
    "ones": lambda: b"[" + b"1," * 999_998 + b"1]",
    "ones in a record": lambda: inside(b"1," * 999_980 + b"1"),
    "decimals in a record": lambda: inside(b"0.5," * 499_970 + b"1"),
    "texts in a record": lambda: inside('"\u0100",'.encode() * 399_990 + b"1"),
    "objects in a record": lambda: inside(b",".join(b'{"%x":0}' % n for n in range(119_990))),
    "numbers of 350 digits": lambda: inside(b",".join([b"1" * 350] * 5_690)),
    "numbers of 351 digits": lambda: inside(b",".join([b"1" * 351] * 5_680)),
    "a number of 2 MB": lambda: inside(b"1" * 1_999_970),
    "a decimal of 2 MB": lambda: inside(b"0." + b"1" * 1_999_970),
    "signs": lambda: inside(b"-" * 1_999_970),
    "a text of 2 MB": lambda: inside(b'"' + b"x" * 1_999_970 + b'"'),
    "escapes": lambda: inside(b'"' + b"\\u0041" * 333_300 + b'"'),
    "surrogates": lambda: inside(b'"' + b"\\ud800" * 333_300 + b'"'),
    "backslashes": lambda: inside(b'"' + b"\\\\" * 999_980 + b'"'),
    "a text without an end": lambda: b'["' + b'\\"' * 999_998 + b"\\",
    "quotes": lambda: b'"' * 2_000_000,
    "four bytes a character": lambda: inside(('"' + "\U0001f600" * 499_990 + '"').encode()),
    "shown longer than written": lambda: inside(('"' + "\u0080" * 999_980 + '"').encode()),
    "an object of many keys": lambda: b"[{" + b",".join(b'"%x":1' % n for n in range(200_000)) + b"}]",
    "a label unknown": lambda: b"[{" + b",".join(b'"%x":1' % n for n in range(190_000)) + b',"_":1}]',
    "one key many times": lambda: b"[{" + b",".join([b'"n":1'] * 330_000) + b"}]",
    "the most that may be nested": lambda: pack(*[b"[" * 7 + b"]" * 7] * 17_000),
    "objects nested": lambda: pack(*[b'{"":' * 6 + b"1" + b"}" * 6] * 19_990),
    "deep arrays": lambda: b"[" * 2_000_000,
    "deep objects": lambda: b'{"":' * 500_000,
    "many arrays": lambda: b"[" + b"[]," * 666_000 + b"[]]",
    "not UTF-8 at its end": lambda: inside(b'"' + b"\xc3\xa9" * 999_980 + b'\xff"'),
    "byte order marks": lambda: b"\xef\xbb\xbf" * 666_000,
    "blanks": lambda: b"[" + b" " * 1_999_998 + b"]",
}


def _cost(payload: bytes, told: multiprocessing.queues.SimpleQueue) -> None:  # type: ignore[name-defined]
    decoded(pack(GOOD, b'{"n":"uvt","v":9}'))  # what a first call loads is no payload's cost
    Path("/proc/self/clear_refs").write_text("5")  # the peak counts from here (Linux, proc(5))
    before, begun = _resident_mb("VmRSS"), time.process_time()
    found = decoded(payload)
    taken_s = time.process_time() - begun
    told.put((taken_s, _resident_mb("VmHWM") - before, len(found.rows), int(found.refused["times"].sum()),
              int(found.refused["payload"].str.len().sum())))


def _resident_mb(name: str) -> float:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(name)) / 1024


def cost(payload: bytes) -> tuple[float, float, int, int, int]:
    """Processor seconds and megabytes of a process that decodes it, rows, refused, bytes for quarantine."""
    context = multiprocessing.get_context("fork")
    told = context.SimpleQueue()
    child = context.Process(target=_cost, args=(payload, told))
    child.start()
    child.join(60)
    assert child.exitcode == 0
    return told.get()


@pytest.mark.bench
@pytest.mark.parametrize("kind", COSTLY)
def test_on_a_machine_of_its_own_no_payload_costs_more_than_a_second(kind):
    assert min(cost(COSTLY[kind]())[0] for _ in range(5)) <= MOST_S


@pytest.mark.skipif(not Path("/proc/self/clear_refs").exists(), reason="measures as Linux tells it")
@pytest.mark.parametrize("kind", COSTLY)
def test_no_payload_within_the_limits_costs_more_than_seconds_and_100_mb(kind):
    payload = COSTLY[kind]()
    assert len(payload) <= limits.PAYLOAD_BYTES
    # the least of three: what else a machine does makes the same work cost more time and memory, never less
    took = [cost(payload)]
    while len(took) < 3 and (took[-1][0] > BUSY * MOST_S or took[-1][1] > MOST_MB):
        took.append(cost(payload))
    (*_, rows, refused, kept) = took[-1]
    seconds, megabytes = (min(each) for each in list(zip(*took, strict=True))[:2])
    print(f"{kind}: {seconds:.2f} s, {megabytes:.0f} MB, {rows} rows, {refused} refused, {kept} bytes kept")
    assert seconds <= BUSY * MOST_S
    assert megabytes <= MOST_MB
    assert kept <= 200_000
    assert rows + refused >= 1


def test_time_grows_with_the_size_and_not_with_its_square():
    def took(records: int) -> float:
        payload = pack(b'{"bn":"' + b"a" * (records * 15) + b'"}', *[b'{"n":"a","v":1}'] * records)
        begun = time.process_time()
        decoded(payload)
        return time.process_time() - begun

    took(100)
    small, large = (min(took(n) for _ in range(5)) for n in (3_000, 48_000))
    assert large < 40 * small + 0.05  # 16 times the size; by its square it would be 256 times


_scalars = st.one_of(
    st.none(), st.booleans(), st.integers(), st.integers(10**300, 10**320), st.floats(), st.text(max_size=20),
    st.sampled_from(["x" * 300, "\ud800", "\U0001f600" * 100, "[{" * 50, '\\"' * 50]))
_inner = st.recursive(
    _scalars, lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(st.text(max_size=3), inner, max_size=4)), max_leaves=12)
_record = st.dictionaries(
    st.sampled_from([*sorted(senml.LABELS), "x", "key"]), st.one_of(_scalars, _inner), max_size=6)
_likely = st.fixed_dictionaries(
    {"n": st.sampled_from([*senml.QUANTITIES, "x", "a" * 250, "a:" * 128])},
    optional={"v": _scalars, "vb": st.booleans(), "bn": st.sampled_from(["", "a" * 200, "a" * 5000, ":"]),
              "t": st.sampled_from([0, -60, 5, 1e300, -1e9]), "u": st.sampled_from(["l/s", "x" * 1000])})


@given(
    records=st.lists(st.one_of(_likely, _record, _inner), min_size=1, max_size=5), times=st.integers(1, 2_000),
    cut=st.one_of(st.none(), st.integers(0, 2_000)), junk=st.binary(max_size=8))
@settings(max_examples=60, deadline=None)
def test_whatever_is_repeated_cut_or_spoilt_is_decoded_in_time_and_counted(records, times, cut, junk):
    text = ",".join([json.dumps(one) for one in records] * times)[: limits.PAYLOAD_BYTES - 100]
    payload = f"[{text}]".encode()
    if cut is not None:
        payload = payload[:cut] + junk + payload[cut:]
    begun = time.process_time()
    found = decoded(payload)
    assert time.process_time() - begun < 3 * MOST_S  # a bound against growth: the test above holds the second
    assert len(found.rows) + found.refused["times"].sum() >= 1
    assert found.refused["payload"].str.len().sum() < 300_000
    assert (found.refused["reason"].str.len() < 3_000).all()
    if cut is None and found.refused["reason"].str.contains("record must be|name|must|takes|value|time|at =").all():
        assert found.refused["times"].sum() <= len(records) * times + len(found.rows)
