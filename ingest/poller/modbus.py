"""One controller, asked over Modbus TCP: what its registers hold, and what of it cannot be used."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Self

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ExceptionResponse

from models.registers import BITS, Bank, Controller, Register, blocks, span

ANSWERS_WITHIN_S = 3.0
# What an exception code means: Modbus Application Protocol V1.1b3, section 7, from memory.
EXCEPTIONS = {1: "it does not know that question", 2: "it has no such address", 3: "it refuses that number of them",
              4: "it failed", 6: "it is busy", 10: "no path to it", 11: "nobody answers behind the gateway"}
# Of each bank the question for it: the same, section 6.
FUNCTIONS = {Bank.COIL: 1, Bank.DISCRETE: 2, Bank.HOLDING: 3, Bank.INPUT: 4}


class Unanswered(Exception):
    """The controller cannot be reached, or does not answer."""


@dataclass(slots=True)
class Heard:
    """What one round of questions came to: values by column, and what is wrong, in words."""

    values: dict[str, float | bool] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)


class Line:
    """A connection to one controller; made at the first question, and anew after one that was not answered."""

    def __init__(self, controller: Controller) -> None:
        self._controller = controller
        self._client: AsyncModbusTcpClient | None = None

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Hang up."""
        if self._client is not None:
            self._client.close()
            self._client = None

    async def read(self) -> Heard:
        """Ask for all registers once.

        Raises
        ------
        Unanswered
            If it cannot be reached, or leaves a question unanswered.
        """
        out = Heard()
        try:
            client = await self._connected()
            for block in blocks(self._controller.registers):
                answer = await self._ask(client, block)
                if isinstance(answer, ExceptionResponse):
                    why = EXCEPTIONS.get(answer.exception_code, f"code {answer.exception_code}")
                    out.problems.append(f"{_named(block)}: the controller refuses it: {why}")
                else:
                    self._take(block, answer, out)
        except (ModbusException, OSError, TimeoutError) as error:
            self.close()
            raise Unanswered(
                f"{self._controller.address} does not answer: {error or type(error).__name__}") from error
        return out

    async def _connected(self) -> AsyncModbusTcpClient:
        if self._client is not None and self._client.connected:
            return self._client
        self.close()
        one = self._controller
        self._client = AsyncModbusTcpClient(
            one.host, port=one.port, timeout=ANSWERS_WITHIN_S, retries=0, reconnect_delay=0)
        if not await self._client.connect():
            raise TimeoutError("nothing takes connections there")
        return self._client

    async def _ask(self, client: AsyncModbusTcpClient, block: list[Register]) -> Any:
        first, count = span(block)
        ask = {Bank.HOLDING: client.read_holding_registers, Bank.INPUT: client.read_input_registers,
               Bank.COIL: client.read_coils, Bank.DISCRETE: client.read_discrete_inputs}[block[0].bank]
        return await ask(first, count=count, device_id=self._controller.device_id)

    def _take(self, block: list[Register], answer: Any, out: Heard) -> None:
        """Values of an answer; one that cannot be used leaves the others."""
        first, count = span(block)
        if answer.function_code != FUNCTIONS[block[0].bank]:
            out.problems.append(
                f"{_named(block)}: an answer to another question, of function {answer.function_code}")
            return
        found = answer.bits if block[0].bank in BITS else answer.registers
        if len(found) < count or (len(found) > count and block[0].bank not in BITS):  # bits come in whole bytes
            out.problems.append(f"{_named(block)}: an answer of {len(found)} in place of {count}")
            return
        for one in block:
            words = found[one.address - first : one.address - first + one.words]
            try:
                value = one.value(words[0] if one.bank in BITS else self._number(one, words))
            except ValueError as error:
                out.problems.append(str(error))
                continue
            if value is not None:
                out.values[one.column] = value

    def _number(self, one: Register, words: list[int]) -> float:
        kind = AsyncModbusTcpClient.DATATYPE[one.type.upper()]
        found = AsyncModbusTcpClient.convert_from_registers(
            words, kind, word_order="little" if self._controller.low_word_first else "big")
        if not isinstance(found, (int, float)):
            raise ValueError(f"{one.column} must be one number; register {one.address} holds {found!r}")
        return found


def _named(block: list[Register]) -> str:
    first, count = span(block)
    where = f"{first}" if count == 1 else f"{first} to {first + count - 1}"
    return f"{block[0].bank} {where} ({', '.join(one.column for one in block)})"
