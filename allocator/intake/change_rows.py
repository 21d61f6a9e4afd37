"""Whether a logger wrote a row only on a change, so that each flow lasts until the next row.

A logger that writes at fixed times repeats rows while the source is off. One that writes on a
change has one row when it turns off, and then none until it turns on: read as the other kind, half
of each pause would count as on, and pauses that are long beside the rows would be gaps. Three marks
of a record of changes, each of which needs several pauses:

* nearly every row is of the other state than the row before it, and steps are not all alike (those
  that are give the same times on in either reading);
* nearly every pause is a single row, steps are uneven, and those off are not as long as those on;
* most of nearly every pause is in steps far longer than those of rows that are on, while hardly
  any step that begins on is so long. Steps of a record with gaps are as long in either state.

A long step that begins with the source off counts as off then, which is on the safe side.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]

GAP = 20.0
"""Times the usual step: a longer one is a gap in the record."""
NEARLY = 0.9
"""Share that counts as nearly all."""
HARDLY = 0.1
"""Share that counts as hardly any."""
LONG = 2.0
"""Times the usual step of rows that are on: a longer one is long, if there are many pauses."""
FEW, MANY = 2, 5
"""Pauses: below ``FEW`` nothing is decided, from ``MANY`` on more easily."""
EVEN = 0.02
"""Share by which equal steps differ."""
RUN = 3.0
"""Rows of a time on, in the middle, from which on its rows are repeated at a usual step."""


def threshold(flows: Floats) -> float:
    """Between the two classes of a histogram with the least variance within (Otsu 1979).

    The histogram ends at the 0.1 % highest readings, so that a wrong one among them does no harm.
    """
    counts, edges = np.histogram(np.minimum(flows, np.quantile(flows, 0.999)), 256)
    share = np.cumsum(counts) / len(flows)
    sums = np.cumsum(counts * (edges[:-1] + edges[1:]) / 2) / len(flows)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = (sums[-1] * share - sums) ** 2 / (share * (1 - share))
    between = np.nan_to_num(between, nan=0.0, posinf=0.0)
    best = np.flatnonzero(between >= between.max() * (1 - 1e-12))
    return float((edges[best[0] + 1] + edges[best[-1] + 1]) / 2)


def rows_at_changes(times: Floats, on: Marks) -> bool:
    """Whether the rows show that one was written at each change."""
    steps, state = np.diff(times), on[:-1]
    begins = np.flatnonzero(np.append(True, state[1:] != state[:-1]))
    rows = np.diff(np.append(begins, len(state)))
    of_off = ~state[begins]
    of_off[-1] &= bool(on[-1])  # the last pause may go on
    pauses = int(of_off.sum())
    if pauses < FEW or not state.any():
        return False
    middle = float(np.median(steps))
    even = float((np.abs(steps - middle) <= EVEN * middle).mean()) >= 1 - HARDLY
    if pauses >= MANY and not even:
        lasted_on, lasted_off = np.median(steps[state]), np.median(steps[~state])
        apart = abs(lasted_on - lasted_off) / max(lasted_on, lasted_off)
        alternates = float((on[1:] != on[:-1]).mean()) >= NEARLY
        single = float((rows[of_off] == 1).mean()) >= NEARLY
        uneven = float((np.abs(steps - middle) <= HARDLY * middle).mean()) < 1 - 2 * HARDLY
        if (alternates and (uneven or apart > EVEN)) or (single and uneven and apart > HARDLY):
            return True
    long = steps > (LONG if pauses >= MANY else GAP) * float(np.median(steps[state]))
    silent = np.add.reduceat(np.where(long, steps, 0.0), begins) / np.add.reduceat(steps, begins)
    return bool((silent[of_off] >= 0.5).mean() >= NEARLY and float(long[state].mean()) <= HARDLY)


def usual_step(times: Floats, on: Marks) -> float:
    """The usual time from a row that is on to the next one; of all rows, where none is on."""
    steps = np.diff(times)
    return float(np.median(steps[on[:-1]] if on[:-1].any() else steps))


def resolution(times: Floats, on: Marks, unit: float) -> float:
    """How far a turn may be from its row, s: what all times are whole numbers of.

    That is the coarsest of the unit, its tenths and so on; where rows are repeated while the source
    is on, it is their step if that is more.
    """
    edges = np.append(True, on[1:] != on[:-1])
    lengths = np.diff(np.append(np.flatnonzero(edges), len(on)))[on[edges]]
    repeated = len(lengths) > 0 and float(np.median(lengths)) >= RUN
    return max(coarsest(times, unit), usual_step(times, on) if repeated else 0.0)


def coarsest(values: Floats, unit: float) -> float:
    """The coarsest of whole units, tenths, hundredths and so on that all values keep, s."""
    for power in range(7):
        size = unit * 10.0**-power
        if np.all(np.abs(values / size - np.rint(values / size)) < 1e-4):
            return size
    return 0.0
