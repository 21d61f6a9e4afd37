"""Draws of uncertain values: draw number n of a value is the same whatever else is drawn."""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping
from statistics import NormalDist

import numpy as np

from allocator.site.records import Spread

_STANDARD = NormalDist()


def drawn(spreads: Mapping[str, Spread], seed: int, number: int) -> dict[str, float]:
    """The values of draw ``number`` (from 1), by address; draw 0 has every value as planned with.

    Each value has a stream of its own, so that one more uncertain value, or one more draw,
    leaves the others as they were. Values are independent.
    """
    if number == 0:
        return {address: spread.middle for address, spread in spreads.items() if not spread.varies}
    found = {}
    for address, spread in spreads.items():
        if spread.varies:  # no one value holds for ever: a promise counts on its least on-time
            continue
        stream = np.random.default_rng([seed, number, zlib.crc32(address.encode())])
        found[address] = at_level(spread, float(stream.random()))
    return found


def at_level(spread: Spread, level: float) -> float:
    """The value that a share ``level`` (0 to 1) of all draws does not pass.

    Even: linear. Peaked: the inverse of the triangular distribution function. Normal: the
    inverse of the normal one, between its cut-off ends.
    """
    low, middle, high = spread.low, spread.middle, spread.high
    if spread.sd is not None:
        least, most = ((end - middle) / spread.sd for end in (low, high))
        below, above = _STANDARD.cdf(least), _STANDARD.cdf(most)
        share = below + level * (above - below)
        return min(max(middle + spread.sd * _STANDARD.inv_cdf(share), low), high)
    if not spread.peaked:
        return low + level * (high - low)
    width = high - low
    if level * width <= middle - low:
        return low + math.sqrt(level * width * (middle - low))
    return high - math.sqrt((1.0 - level) * width * (high - middle))
