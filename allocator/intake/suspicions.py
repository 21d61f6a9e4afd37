"""What in a log is unlikely to be a measured flow at a true time, in words for its user.

A total: the readings never fall, or only where it begins again near 0. Fault codes: the highest
reading is always the same and far above all others, and is either one of the numbers that loggers
write for a fault or in single rows. Clocks on local time: ``site/local_time.py``.
"""

from __future__ import annotations

import numpy as np

from allocator.base.dimensions import short_number
from allocator.base.grouped import grouped
from allocator.intake.change_rows import Floats

RISES = 20
"""Readings above the one before, from which a log that never falls is a total."""
BEGUN = 0.1
"""Of the highest reading: a total that falls below has begun again;"""
SELDOM = 0.005
"""which is so rare, as a share of all its changes."""
CODES = (32767.0, 32768.0, 65535.0, 3276.7, 3276.8, 6553.5)
"""What loggers write for a fault, besides nines."""
NINES = (999.0, 999.9, 999.99, 9999.0, 9999.9, 9999.99, 99999.0, 99999.9, 999999.0)
ABOVE, FAR_ABOVE = 5.0, 20.0
"""Times the next lower reading, of a number that is known as a fault code and of another one."""
SINGLE = 0.9
"""Share of fault codes that have other readings before and after them."""
FEW = 0.05
"""Share of rows that single fault codes may have."""


def total(flows: Floats) -> tuple[str, ...]:
    """Whether readings look like a total in place of a flow."""
    changes = np.diff(flows)
    rises, falls = int((changes > 0).sum()), np.flatnonzero(changes < 0)
    begun = flows[1:][falls] < BEGUN * flows.max()
    if rises < RISES or len(falls) > SELDOM * (rises + len(falls)) or not begun.all():
        return ()
    again = " but to begin again near 0" if len(falls) else ""
    return (
        f"the readings never fall{again}: if they are a total, such as of a counter, they are no "
        "flow; give each increase divided by its time",
    )


def fault_code(flows: Floats, unit: float) -> tuple[str, ...]:
    """Whether the highest reading looks like a fault code; ``unit`` of the column, in SI."""
    others = flows[flows < flows.max() * (1 - 1e-9)]
    if not len(others) or not others.max() > 0:
        return ()
    top, times = float(flows.max() / unit), float(flows.max() / others.max())
    is_top = np.append(np.append(False, flows >= flows.max() * (1 - 1e-9)), False)
    rows = int(is_top.sum())
    known = any(abs(top - code) < 1e-6 * code for code in (*CODES, *NINES))
    single = is_top[1:-1] & ~is_top[:-2] & ~is_top[2:]
    alone = rows > 1 and single.sum() >= SINGLE * rows and rows <= FEW * len(flows)
    if not (known and times > ABOVE) and not (alone and times > FAR_ABOVE):
        return ()
    where = "1 row" if rows == 1 else f"{grouped(rows)} rows"
    return (
        f"{top:.10g} in {where} is {short_number(times)} times the next lower reading, as a fault "
        "code of the logger is; if it is one, leave these cells empty",
    )
