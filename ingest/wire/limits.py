"""How much of a message this program takes, and what it says of more.

One message must not hold up the others: what lies within these limits is decoded in time and memory in proportion
to its size. What lies past one is kept whole beside the store (`ingest.wire.aside`), never decoded.
"""

from __future__ import annotations

import re

import numpy as np

# 42 days of one quantity each minute, in the shortest SenML; a broker of ours takes no larger packet either.
PAYLOAD_BYTES = 2_000_000
RECORDS = 60_000  # 41 days of minutes: the longest that a logger is expected to be offline
NAME_CHARACTERS = 256  # base name and name, each and together; a device's URN takes about 60
NESTING = 8  # a pack is an array of flat objects, 2; the rest is room for labels that we pass over
CONTAINERS = 2 * RECORDS  # objects and arrays of a pack: each costs a hundred times its two bytes of text
NUMBER_CHARACTERS = 350  # the longest double in full has 309 digits before its point

# A text as JSON writes it; an unfinished one reaches to the end. Possessive: no payload makes it look twice.
_TEXT = re.compile(rb'"(?:[^"\\]++|\\.)*+(?:"|\\?\Z)', re.DOTALL)
_AT_A_TIME = 100_000
_NUMBER = re.compile(rb"(?<![-+.0-9eE])[-+.0-9eE]{%d}" % (NUMBER_CHARACTERS + 1))
_NO_BRACKET = bytes(set(range(256)) - set(b"[]{}"))


class LongNumber:
    """Stands in a decoded pack for a number of more characters than are taken."""

    def __init__(self, text: str) -> None:
        self.characters = len(text)

    def __repr__(self) -> str:
        return f"a number of {self.characters:,} characters, more than {NUMBER_CHARACTERS}"


def too_large(size_bytes: int) -> str:
    """What is said of a payload of too many bytes; nothing of another."""
    return "" if size_bytes <= PAYLOAD_BYTES else (
        f"a payload of {size_bytes:,} bytes; at most {PAYLOAD_BYTES:,} are taken")


def shape_problem(payload: bytes) -> tuple[str, bool]:
    """What is wrong with the shape of a JSON text, found before it is decoded.

    Parameters
    ----------
    payload : bytes
        UTF-8, which need not be JSON.

    Returns
    -------
    problem : str
        Why it is not decoded; empty where it may be.
    long_number : bool
        Whether some number has more than `NUMBER_CHARACTERS` characters.
    """
    # some at a time: the pieces between them are kept until all are joined, and take fifty times their own size
    bare, found = payload, _AT_A_TIME
    while found == _AT_A_TIME:
        bare, found = _TEXT.subn(b"", bare, count=_AT_A_TIME)
    long_number = _NUMBER.search(bare) is not None
    brackets = np.frombuffer(bare.translate(None, _NO_BRACKET), np.uint8)
    opening = (brackets == ord("[")) | (brackets == ord("{"))
    step = np.where(opening, np.int8(1), np.int8(-1))
    depth = int(np.cumsum(step, dtype=np.int32).max(initial=0))
    if depth > NESTING:
        return f"JSON nested too deeply: {depth:,} levels; at most {NESTING} are taken", long_number
    containers = int(opening.sum())
    if containers > CONTAINERS:
        return f"a pack of {containers:,} objects and arrays; at most {CONTAINERS:,} are taken", long_number
    return "", long_number


def too_many(records: int) -> str:
    """What is said of a pack of too many records; nothing of another."""
    return "" if records <= RECORDS else f"a pack of {records:,} records; at most {RECORDS:,} are taken"


def long_name(base: str, name: str) -> str:
    """What is said of a name that is too long once resolved; nothing of another. Never puts the two together."""
    if len(base) + len(name) <= NAME_CHARACTERS:
        return ""
    return (f"a name of {len(base) + len(name):,} characters ({len(base):,} of them the base name); "
            f"at most {NAME_CHARACTERS} are taken")


def whole_number(text: str) -> int | LongNumber:
    """A JSON integer."""
    return LongNumber(text) if len(text) > NUMBER_CHARACTERS else int(text)


def decimal_number(text: str) -> float | LongNumber:
    """A JSON number with a point or an exponent."""
    return LongNumber(text) if len(text) > NUMBER_CHARACTERS else float(text)
