"""Registers of a unit's controller: which of them fills which quantity, and how a controller is asked for them.

Addresses are those of the protocol, from 0 on (Modbus Application Protocol V1.1b3, section 4.4, from memory): what
a manual numbers 40001 is holding register 0.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from models.units import FLAGS, in_own_unit, require_column_and_unit

MOST_ADDRESS = 65_535
MOST_WORDS = 125  # in one answer: Modbus Application Protocol V1.1b3, section 6.3, from memory
PORT = 502
ADDRESS = re.compile(r"([A-Za-z0-9._-]{1,253})(?::(\d{1,5}))?")


class Bank(StrEnum):
    """Which of a controller's four banks an address is in."""

    HOLDING = "holding"
    INPUT = "input"
    COIL = "coil"
    DISCRETE = "discrete"


class Type(StrEnum):
    """How a number lies in 16-bit registers."""

    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    INT64 = "int64"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"

    @property
    def words(self) -> int:
        """How many registers it takes."""
        return int(re.sub(r"\D", "", self)) // 16


BITS = (Bank.COIL, Bank.DISCRETE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """What fills a column: value = number x `scale` in `unit`.

    Attributes
    ----------
    bit : int or None
        Of a column that is on or off: which bit of a 16-bit register says so, 0 the lowest; None: 1 is on, 0 off.
    inverted : bool
        That 0 is on.
    absent : tuple of float
        Numbers that stand for no value, as they come, such as 65535 of a sensor that is not there.
    """

    address: int
    column: str
    unit: str = ""
    bank: Bank = Bank.HOLDING
    type: Type = Type.UINT16
    scale: float = 1.0
    bit: int | None = None
    inverted: bool = False
    absent: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        require_column_and_unit(self.column, self.unit)
        for name, kind in (("bank", Bank), ("type", Type)):
            if getattr(self, name) not in list(kind):
                raise ValueError(f"{name} must be one of {', '.join(kind)}; got {getattr(self, name)!r}")
            object.__setattr__(self, name, kind(getattr(self, name)))
        _require_whole("address", self.address, MOST_ADDRESS + 1 - self.words)
        if isinstance(self.scale, bool) or not isinstance(self.scale, (int, float)) or not (
                math.isfinite(self.scale) and self.scale != 0):
            raise ValueError(f"scale must be a finite number other than 0; got {self.scale!r}")
        if not isinstance(self.inverted, bool):
            raise ValueError(f"inverted must be true or false; got {self.inverted!r}")
        if not isinstance(self.absent, (tuple, list)) or not all(
                isinstance(one, (int, float)) and not isinstance(one, bool) for one in self.absent):
            raise ValueError(f"absent must be a list of numbers; got {self.absent!r}")
        object.__setattr__(self, "absent", tuple(self.absent))
        self._check_kind()

    def _check_kind(self) -> None:
        if self.column not in FLAGS:
            if self.bank in BITS:
                raise ValueError(
                    f"bank of {self.column} must be holding or input: {self.bank} holds on and off alone")
            if self.bit is not None or self.inverted:
                raise ValueError(f"bit and inverted are for {' and '.join(FLAGS)}, not for {self.column}")
        elif self.scale != 1.0:
            raise ValueError(f"scale of {self.column} must be left out: it is on or off")
        elif self.bit is not None:
            _require_whole("bit", self.bit, 15)
            if self.bank in BITS or self.type is not Type.UINT16:
                raise ValueError("bit is of a register of type uint16 in the bank holding or input")

    @property
    def words(self) -> int:
        """How many registers, or bits of its bank, it takes."""
        return 1 if self.bank in BITS else self.type.words

    def value(self, number: float | bool) -> float | bool | None:
        """What the number that was read means, in the column's own unit; None: it stands for no value.

        Raises
        ------
        ValueError
            If it can mean nothing.
        """
        if not math.isfinite(number):
            raise ValueError(f"{self.column} must be a finite number; register {self.address} holds {number!r}")
        if number in self.absent:
            return None
        if self.column in FLAGS:
            found = (int(number) >> self.bit) & 1 if self.bit is not None else number
            if found not in (0, 1):
                raise ValueError(f"{self.column} must be 0 or 1; register {self.address} holds {number!r}")
            return bool(found) != self.inverted
        try:
            return in_own_unit(self.column, self.unit, float(number) * self.scale)
        except ValueError:
            raise ValueError(
                f"{self.column} must be a finite number; register {self.address} holds {number!r}") from None


@dataclass(frozen=True, slots=True, kw_only=True)
class Controller:
    """A unit's controller: where it is, and which of its registers are read, at each cadence of the unit.

    Attributes
    ----------
    low_word_first : bool
        Of a number in several registers the lowest comes first; else the highest, as within a register.
    """

    address: str
    registers: tuple[Register, ...]
    device_id: int = 1
    low_word_first: bool = False

    def __post_init__(self) -> None:
        found = ADDRESS.fullmatch(self.address) if isinstance(self.address, str) else None
        if found is None or not 1 <= int(found[2] or PORT) <= 65_535:
            raise ValueError(f"address must be HOST or HOST:PORT, like '10.0.4.7:502'; got {self.address!r}")
        if not self.registers:
            raise ValueError("registers must name at least one column")
        columns = [one.column for one in self.registers]
        for name in columns:
            if columns.count(name) > 1:
                raise ValueError(f"registers name the column {name!r} twice; each once")
        _require_whole("device_id", self.device_id, 255)
        if not isinstance(self.low_word_first, bool):
            raise ValueError(f"low_word_first must be true or false; got {self.low_word_first!r}")

    @property
    def host(self) -> str:
        """Its name or number in the network."""
        return self.address.partition(":")[0]

    @property
    def port(self) -> int:
        """Its port."""
        return int(self.address.partition(":")[2] or PORT)


def blocks(registers: Iterable[Register]) -> list[list[Register]]:
    """Registers to be read in one question each: those that lie side by side, and never one that nobody named.

    A controller may refuse a question that reaches over an address which it does not have.
    """
    out: list[list[Register]] = []
    for one in sorted(registers, key=lambda each: (each.bank, each.address)):
        last = out[-1] if out else None
        if last is not None and last[0].bank is one.bank and one.address <= _end(last) and (
                one.address + one.words - last[0].address <= MOST_WORDS):
            last.append(one)
        else:
            out.append([one])
    return out


def _end(block: Sequence[Register]) -> int:
    return max(one.address + one.words for one in block)


def span(block: Sequence[Register]) -> tuple[int, int]:
    """First address of a block, and how many."""
    return block[0].address, _end(block) - block[0].address


def _require_whole(name: str, value: object, most: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
        raise ValueError(f"{name} must be a whole number, 0 to {most}; got {value!r}")
