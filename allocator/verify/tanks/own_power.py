"""Power that the plant itself takes, through time, against what a plan leaves for it.

What follows a shape is moved as the shape goes; of sources that come and go, pumps count as always
on, as the promise has it.
"""

from __future__ import annotations

from collections.abc import Mapping

from allocator.verify.case import Case
from allocator.verify.power import flat_left
from allocator.verify.tanks.circuit import Rate, added
from allocator.verify.tanks.tanks import shaped


def lacking(
    case: Case, loads: Mapping[str, dict[str, float]], buses: Mapping[str, int]
) -> tuple[Rate, ...]:
    """W of own ``loads`` beyond the flat power left for them, by bus; empty for no loads."""
    if not loads:
        return ()
    left = flat_left(case)
    return tuple(
        added(shaped(case, loads.get(bus, {})), Rate(-left.get(bus, 0.0))) for bus in buses
    )
