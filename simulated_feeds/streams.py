"""Seeded random streams: each process of a unit has one of its own a day, so that chunks change nothing."""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

DAY_S = 86_400


def _key(seed: int, names: tuple[str, ...]) -> int:
    text = "\x1f".join((str(seed), *names)).encode()
    return int.from_bytes(hashlib.blake2b(text, digest_size=16).digest(), "little")


def stream(seed: int, *names: str, day: int = 0) -> np.random.Generator:
    """A generator that depends on its names and its day alone, never on what was drawn before.

    Parameters
    ----------
    seed : int
        The run's seed.
    *names : str
        Whose process it is, say cabin, unit, "draws".
    day : int
        Days since 1970-01-01 UTC, at least 0.
    """
    return np.random.Generator(np.random.Philox(key=_key(seed, names), counter=day << 128))


def daily_normals(seed: int, *names: str, days: NDArray[np.int64]) -> NDArray[np.float64]:
    """One standard normal a day, the same for a day whichever days are asked for with it.

    Parameters
    ----------
    days : ndarray of int, shape (n,)
        Days since 1970-01-01 UTC.

    Returns
    -------
    ndarray, shape (n,)
    """
    block = days // 512
    out = np.empty(len(days))
    for number in np.unique(block):
        drawn = stream(seed, *names, day=int(number)).standard_normal(512)
        inside = block == number
        out[inside] = drawn[days[inside] % 512]
    return out


def daily_uniforms(seed: int, *names: str, days: NDArray[np.int64]) -> NDArray[np.float64]:
    """One uniform number in [0, 1) a day; otherwise as `daily_normals`."""
    block = days // 512
    out = np.empty(len(days))
    for number in np.unique(block):
        drawn = stream(seed, *names, day=int(number)).random(512)
        inside = block == number
        out[inside] = drawn[days[inside] % 512]
    return out
