"""Payloads that know how a pack is made: built by its grammar, then bent in some places, or cut as bytes."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from typing import Any

from ingest.wire.senml import LABELS, QUANTITIES

NOW_S = 1_795_000_000
LARGE = 1 / 1_000  # of the payloads are repeated up to 2 MB
_NAMES = [*QUANTITIES, "pressure", "", "x", "a:flow", "tarnlight/alder/main/flow", "a" * 257, "flow\n", "\x00", "ø",
          "\ud800", "-flow", "urn:dev:mac:0024befffe804ff1:lit"]
_UNITS = ["W/m2", "m3/s", "l/s", "m3", "l", "Cel", "K", "/", "%", "V", "s", "h", "", "lm", "%" * 300, "\u202e"]
_NUMBERS = [0, -0.0, 1, -1, 0.5, 60, 1e-320, 1e308, -1e308, 2**28, 2**28 - 1, 2**53 + 1, 2**63, 2**64, 10**400,
            -(10**309), NOW_S, NOW_S + 299, NOW_S + 301, NOW_S - 10**9, 9e9, 1e18, float("nan"), float("inf"),
            float("-inf")]
_LABELS = [*sorted(LABELS), "_", "x_", "X", "", "bver", "vv"]


def _scalar(dice: random.Random) -> Any:
    return dice.choice((
        None, True, False, dice.choice(_NUMBERS), dice.choice(_NUMBERS), dice.uniform(-1e4, 1e4),
        dice.choice(_NAMES), dice.choice(_UNITS), "x" * dice.choice((1, 300, 5_000)), str(dice.choice(_NUMBERS))))


def _inner(dice: random.Random, depth: int = 0) -> Any:
    kind = dice.random()
    if depth > 9 or kind < 0.6:
        return _scalar(dice)
    if kind < 0.8:
        return [_inner(dice, depth + 1) for _ in range(dice.randrange(4))]
    return {dice.choice(_LABELS): _inner(dice, depth + 1) for _ in range(dice.randrange(4))}


def _good_record(dice: random.Random) -> dict[str, Any]:
    name, quantity = dice.choice(list(QUANTITIES.items()))
    out: dict[str, Any] = {"n": name, "t": dice.choice((0, -dice.randrange(10**6), NOW_S - dice.randrange(10**7)))}
    if quantity.boolean:
        return {**out, "vb": dice.random() < 0.5}
    if dice.random() < 0.7:
        out["u"] = dice.choice(list(quantity.convert))
    return {**out, "v": round(dice.uniform(0, 100), dice.randrange(6))}


def _bend(dice: random.Random, pack: list[Any]) -> None:
    """One place of the pack is another than it should be."""
    at = dice.randrange(len(pack))
    kind = dice.randrange(6)
    if kind == 0 or not isinstance(pack[at], dict):
        pack[at] = _inner(dice)
    elif kind == 1:
        pack[at][dice.choice(_LABELS)] = _inner(dice)
    elif kind == 2:
        pack[at].pop(dice.choice(list(pack[at])), None) if pack[at] else None
    elif kind == 3:
        base = dice.choice(("bn", "bt", "bu", "bv", "bs", "bver"))
        pack[at][base] = {"bn": dice.choice(_NAMES), "bu": dice.choice(_UNITS)}.get(base, dice.choice(_NUMBERS))
    elif kind == 4:
        pack[at]["v"], pack[at]["t"] = dice.choice(_NUMBERS), dice.choice(_NUMBERS)
    else:
        pack.insert(at, dict(pack[at]))


def _cut(dice: random.Random, text: bytes) -> bytes:
    return text[: dice.randrange(len(text) + 1)]


def _flip(dice: random.Random, text: bytes) -> bytes:
    out = bytearray(text)
    for _ in range(dice.choice((1, 1, 2, 8))):
        out[dice.randrange(len(out))] = dice.randrange(256)
    return bytes(out)


def _insert(dice: random.Random, text: bytes) -> bytes:
    at = dice.randrange(len(text) + 1)
    more = dice.choice((
        dice.randbytes(8), b"[" * 20, b'"', b"\\u", b"1" * 400, b"-", b"\xef\xbb\xbf", b"\x00", b"}]"))
    return text[:at] + more + text[at:]


def _splice(dice: random.Random, text: bytes) -> bytes:
    first, second = dice.randrange(len(text)), dice.randrange(len(text))
    return text[:first] + text[second:]


_BYTES: tuple[Callable[[random.Random, bytes], bytes], ...] = (_cut, _flip, _insert, _splice)


def payload(dice: random.Random) -> bytes:
    """One payload; of the same dice the same."""
    pack: list[Any] = [_good_record(dice) for _ in range(dice.choice((1, 2, 3, 9)))]
    for _ in range(dice.choice((0, 1, 1, 2, 4))):
        _bend(dice, pack)
    root: Any = pack if dice.random() < 0.98 else _inner(dice)
    text = json.dumps(root, ensure_ascii=dice.random() < 0.5).encode("utf-8", "surrogatepass")
    if dice.random() < LARGE and isinstance(root, list) and len(text) > 2:
        text = b"[" + b",".join([text[1:-1]] * dice.randrange(1, max(2, 1_999_000 // len(text)))) + b"]"
    if dice.random() < 0.3 and text:
        text = dice.choice(_BYTES)(dice, text)
    return text
