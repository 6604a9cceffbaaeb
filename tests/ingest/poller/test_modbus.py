"""Registers of a controller against the library's own server, and what a controller does wrong."""

from __future__ import annotations

import asyncio
import json
import logging
import threading
import time
from datetime import UTC, datetime

import pytest

from ingest.poller import modbus
from ingest.poller.modbus import Heard, Line, Unanswered
from ingest.poller.poller import Poller, poll_one
from ingest.registry.tables import read_fleet
from ingest.wire import senml
from ingest.wire.senml_out import pack
from models.registers import Bank, Controller, Register, Type, blocks, span
from tests.conftest import FLEET_TOML, free_port, wait_for
from tests.ingest.poller.controllers import answering, serving

INTENSITY = Register(address=10, type="float32", column="intensity_w_m2", unit="mW/cm2")
TEMPERATURE = Register(address=12, type="int16", column="water_temp_c", unit="Cel", scale=0.1)
TOTAL = Register(address=13, type="uint32", column="total_l", unit="l", scale=0.01)
GOOD = (
    INTENSITY, TEMPERATURE, TOTAL,
    Register(address=20, column="battery_v", unit="mV", absent=(65_535,)),
    Register(bank="input", address=0, column="lamp_on", bit=2),
    Register(bank="input", address=1, column="uvt_pct", unit="%", scale=0.1),
    Register(bank="discrete", address=0, column="power_on", inverted=True))


def read(port: int, *registers: Register, device_id: int = 7, **more: bool) -> Heard:
    async def ask() -> Heard:
        async with Line(Controller(
                address=f"127.0.0.1:{port}", device_id=device_id, registers=registers, **more)) as line:
            await line.read()  # a line is kept and asked again
            return await line.read()

    return asyncio.run(ask())


def test_each_type_scale_and_unit_becomes_its_columns_own():
    with serving() as port:
        found = read(port, *GOOD)
    assert found.problems == []
    assert found.values == {
        "intensity_w_m2": pytest.approx(45.2, rel=1e-6), "water_temp_c": -12.5,
        "total_l": pytest.approx(1_234_567.89), "lamp_on": True,
        "uvt_pct": pytest.approx(86.5), "power_on": True}  # the battery's register says: none


def test_what_a_controller_refuses_or_holds_wrong_leaves_the_rest():
    bad = (Register(address=500, column="lamp_hours", unit="h"),
           Register(address=30, type="float32", column="flow_l_min", unit="l/min"),
           Register(address=20, column="lamp_on"),
           Register(address=10, type="float32", column="total_l", unit="m3", scale=1e308))
    with serving() as port:
        found = read(port, INTENSITY, *bad)
    assert list(found.values) == ["intensity_w_m2"]
    assert sorted(found.problems) == [
        "flow_l_min must be a finite number; register 30 holds nan",
        "holding 500 (lamp_hours): the controller refuses it: it has no such address",
        "lamp_on must be 0 or 1; register 20 holds 65535",
        "total_l must be a finite number; register 10 holds 4.519999980926514"]


def test_words_in_the_other_order_are_read_so():
    # 123 456 789 is 0x075BCD15; its words exchanged are 0xCD15075B
    with serving() as port:
        found = read(port, TOTAL, low_word_first=True)
    assert found.values["total_l"] == pytest.approx(0xCD15075B / 100)


@pytest.mark.parametrize(("frame", "told"), [
    (b"\x00\x00\x00\x05\x07\x03\x02\x00\x01", "an answer of 1 in place of 2"),
    (b"\x00\x00\x00\x09\x07\x03\x06\x00\x01\x00\x02\x00\x03", "an answer of 3 in place of 2"),
    (b"\x00\x00\x00\x07\x07\x04\x04\x00\x01\x00\x02", "an answer to another question, of function 4"),
    (b"\x00\x00\x00\x03\x07\x83\x06", "the controller refuses it: it is busy"),
    (b"\x00\x00\x00\x03\x07\x83\x63", "the controller refuses it: code 99"),
])
def test_an_answer_to_something_else_and_a_refusal_give_no_value(frame, told):
    with answering(frame) as port:
        found = read(port, INTENSITY)
    assert found.values == {}
    assert found.problems == [f"holding 10 to 11 (intensity_w_m2): {told}"]


@pytest.mark.parametrize("frame", [None, b"\x00\x00\x00\x03\x07", b"nonsense that is no frame at all" * 4])
def test_no_answer_or_none_that_can_be_read_is_said_so_in_time(frame, monkeypatch):
    monkeypatch.setattr(modbus, "ANSWERS_WITHIN_S", 0.3)
    with answering(frame) as port, pytest.raises(Unanswered, match=f"127.0.0.1:{port} does not answer"):
        read(port, INTENSITY)


def test_a_frame_that_says_more_than_it_holds_is_a_sentence_in_the_log_and_no_traceback(monkeypatch, caplog):
    monkeypatch.setattr(modbus, "ANSWERS_WITHIN_S", 0.3)
    stop = threading.Event()
    with answering(b"\x00\x00\x00\x07\x07\x03\xff\x00\x01\x00\x02") as port:
        fleet = read_fleet(FLEET_TOML + f"""
[cabin.unit.controller]
address = "127.0.0.1:{port}"
device_id = 7
registers = [{{ address = 10, type = "float32", column = "intensity_w_m2", unit = "mW/cm2" }}]
""")
        thread = threading.Thread(target=lambda: asyncio.run(Poller(lambda: fleet, lambda *_: None).run(stop)))
        thread.start()
        try:
            wait_for(lambda: "does not answer" in caplog.text, 10, "it is said")
        finally:
            stop.set()
            thread.join(10)
    assert [one.name for one in caplog.records if one.exc_info and not one.name.startswith("pymodbus")] == []


def test_nobody_there_is_said_so():
    with pytest.raises(Unanswered, match="does not answer: nothing takes connections there"):
        read(free_port(), INTENSITY)


def test_a_dead_controller_is_said_once_asked_later_and_later_and_taken_up_again(monkeypatch, caplog):
    monkeypatch.setattr("ingest.poller.poller.FIRST_WAIT_S", 0.05)
    port, sent, said = free_port(), [], []
    controller = Controller(address=f"127.0.0.1:{port}", device_id=7, registers=(INTENSITY,))

    async def run() -> None:
        task = asyncio.create_task(
            poll_one(("heron-point", "main"), controller, 0.05, lambda topic, one: sent.append((topic, one))))
        await asyncio.sleep(0.6)
        await asyncio.to_thread(serve_until_sent)
        task.cancel()

    def serve_until_sent() -> None:
        with serving(port):
            for _ in range(200):
                if len(sent) > 2:
                    said.extend(one.getMessage() for one in caplog.records)  # before the server is gone again
                    return
                time.sleep(0.05)

    with caplog.at_level(logging.INFO, "ingest.poller"):
        asyncio.run(run())
    assert len(sent) > 2 and sent[0][0] == "tarnlight/heron-point/main/log"
    assert sum("does not answer" in one for one in said) == 1
    assert said[-1] == "heron-point/main: all its registers are read again"


def test_a_pack_is_read_back_as_the_same_values():
    values = {"lamp_on": True, "power_on": False, "intensity_w_m2": 45.2, "flow_l_min": 7.5, "total_l": 12_345.0,
              "uvt_pct": 86.5, "water_temp_c": -1.5, "battery_v": 12.5, "lamp_hours": 1234.5}
    at = datetime(2026, 9, 10, 6, 0, 0, 250_000, tzinfo=UTC)
    found, refused = senml.readings(pack(at, values).encode(), at.timestamp())
    assert refused == []
    assert found == {1789020000250: pytest.approx(values)}
    assert json.loads(pack(at, {})) == []


# The model ------------------------------------------------------------------------------------------------------


def test_registers_side_by_side_are_one_question_and_no_other_address_is_asked_for():
    assert [span(one) for one in blocks(GOOD)] == [(0, 1), (10, 5), (20, 1), (0, 2)]
    many = [Register(address=2 * n, type="uint32", column="flow_l_min", unit="l/min") for n in range(100)]
    assert [span(one) for one in blocks(many)] == [(0, 124), (124, 76)]  # 125 at most


@pytest.mark.parametrize(("made", "match"), [
    (lambda: Register(address=-1, column="lamp_on"), "address must be a whole number, 0 to 65535; got -1"),
    (lambda: Register(address=65_535, type="uint32", column="total_l", unit="l"), "0 to 65534"),
    (lambda: Register(address=1, column="total_l"), "unit of total_l must be one of"),
    (lambda: Register(address=1, column="total_l", unit="l", type="int24"), "type must be one of int16"),
    (lambda: Register(address=1, column="total_l", unit="l", bank="coil"), "bank of total_l must be"),
    (lambda: Register(address=1, column="total_l", unit="l", scale=0.0), "scale must be a finite number other"),
    (lambda: Register(address=1, column="total_l", unit="l", bit=1), "bit and inverted are for lamp_on"),
    (lambda: Register(address=1, column="lamp_on", bit=16), "bit must be a whole number, 0 to 15"),
    (lambda: Register(address=1, column="lamp_on", bit=1, bank="coil"), "bit is of a register"),
    (lambda: Register(address=1, column="lamp_on", scale=2.0), "scale of lamp_on must be left out"),
    (lambda: Controller(address="", registers=(INTENSITY,)), "address must be HOST or HOST:PORT"),
    (lambda: Controller(address="a:99999", registers=(INTENSITY,)), "address must be HOST or HOST:PORT"),
    (lambda: Controller(address="a", registers=()), "registers must name at least one column"),
    (lambda: Controller(address="a", registers=(INTENSITY, INTENSITY)), "name the column 'intensity_w_m2' twice"),
    (lambda: Controller(address="a", registers=(INTENSITY,), device_id=256), "device_id must be a whole number"),
])
def test_what_cannot_be_is_refused(made, match):
    with pytest.raises(ValueError, match=match):
        made()


def test_types_take_their_words():
    assert [one.words for one in Type] == [1, 1, 2, 2, 4, 4, 2, 4]
    assert Register(address=1, column="lamp_on", bank=Bank.COIL).words == 1
