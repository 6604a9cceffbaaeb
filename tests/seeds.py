"""Chance in tests, the same in every run: TARNLIGHT_TEST_SEED=7 in the environment tries other draws."""

from __future__ import annotations

import os
import zlib

import numpy as np


def generator(name: str) -> np.random.Generator:
    """Random numbers of this name's own stream."""
    return np.random.default_rng([zlib.crc32(name.encode()), int(os.environ.get("TARNLIGHT_TEST_SEED", "0"))])
