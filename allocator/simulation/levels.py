"""The level of one tank between its events: brought up to date, and where it goes next."""

from __future__ import annotations

import numpy as np

from allocator.base.compiling import compiled
from allocator.simulation.columns import (
    AIM,
    AT,
    BURNT,
    EMPTY,
    FULL,
    HIGH,
    LEVEL,
    LOST,
    LOW,
    SAVED,
    SHORT,
    SLOPE,
    SPILL,
    UNTAKEN,
    Array,
)

ROUNDING = 1e-13
"""A net rate below this share of its terms is the rounding of a sum, and is 0."""


@compiled
def settle(tank: Array, sums: Array, k: int, now: float) -> None:
    """Bring a tank up to date."""
    span = now - tank[k, AT]
    if span > 0.0:
        level = tank[k, LEVEL] + tank[k, SLOPE] * span
        tank[k, LEVEL] = level
        for i in range(SPILL, UNTAKEN + 1):
            sums[k, i] += tank[k, i] * span
        tank[k, LOW] = min(tank[k, LOW], level)
        tank[k, HIGH] = max(tank[k, HIGH], level)
        tank[k, AT] = now


@compiled
def aim(
    tank: Array,
    sums: Array,
    k: int,
    rate: float,
    bought: float,
    saved: float,
    burnt: float,
    loss: float,
    size: float,
    reserve: float,
    start: float,
) -> tuple[float, bool, bool]:
    """New rates of a tank that is up to date.

    Seconds to its next mark; whether it began or ceased to be full, and to be dry.
    """
    inward, outward = rate + saved, loss + burnt
    net = inward - outward
    if abs(net) <= ROUNDING * (abs(inward) + outward):
        net = 0.0
    was_full = tank[k, SPILL] > 0.0
    was_dry = tank[k, SHORT] > 0.0
    tank[k, SPILL], tank[k, SHORT], tank[k, UNTAKEN] = 0.0, 0.0, 0.0
    tank[k, LOST], tank[k, BURNT], tank[k, SAVED] = loss, burnt, saved
    tank[k, SLOPE] = net
    level = tank[k, LEVEL]
    wait = np.inf
    if level >= size and net >= 0.0:
        tank[k, SLOPE] = 0.0
        tank[k, SPILL] = net
        tank[k, UNTAKEN] = min(net, bought)
    elif level <= 0.0 and net <= 0.0:
        # What is empty loses nothing: the loss gives way first.
        tank[k, SLOPE] = 0.0
        tank[k, SHORT] = max(0.0, -net - loss)
        tank[k, LOST] = max(0.0, loss + net)
    elif net > 0.0:
        tank[k, AIM] = size
        if level < reserve:
            tank[k, AIM] = reserve
        if level < start < tank[k, AIM]:
            tank[k, AIM] = start
        wait = (tank[k, AIM] - level) / net
    elif net < 0.0:
        tank[k, AIM] = 0.0
        if 0.0 < reserve < level:
            tank[k, AIM] = reserve
        wait = (tank[k, AIM] - level) / net
    is_full, is_dry = tank[k, SPILL] > 0.0, tank[k, SHORT] > 0.0
    if is_full and not was_full:
        sums[k, FULL] += 1.0
    if is_dry and not was_dry:
        sums[k, EMPTY] += 1.0
    return wait, is_full != was_full, is_dry != was_dry
