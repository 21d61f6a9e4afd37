"""Store against draw for a record of inflow as it is: the sequent peak, on steps of any length.

A record ends at its last row here. :func:`with_end` puts in the row at which the last flow ends.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from allocator.base.dimensions import format_quantity
from allocator.base.labels import labelled
from allocator.base.table import Column, Table
from allocator.intake.logs import Log

SHARES = (0.25, 0.5, 0.75, 0.9, 1.0)
"""Draws of a table, as shares of the mean inflow."""


@dataclass(frozen=True, slots=True)
class StoreForDraw:
    """A draw in kg/s and the least store in kg that keeps it; None where none does."""

    draw: float
    store: float | None


def with_end(log: Log) -> Log:
    """The log with one more row, at which the flow of its last row ends.

    It lasts as long as the step before it, as in a ``series`` of a site file, or the usual step if
    that one is a gap. Where the source turns at rows, a last row that is on lasts as long as those
    usually do, and one that is off as long as the longest of them, which is on the safe side. A
    list that ends with a wait has that row.
    """
    steps = np.diff(log.times)
    last = log.step if log.gaps[-1] else float(steps[-1])
    if log.turns:
        on = log.flows > log.limit
        if log.listed and on[-1]:
            return log
        alike = steps[(on[:-1] == on[-1]) & ~log.gaps]
        last = float(np.median(alike) if on[-1] else alike.max()) if len(alike) else last
    times, flows = np.append(log.times, log.times[-1] + last), np.append(log.flows, log.flows[-1])
    return replace(log, times=times, flows=flows)


def mean_inflow(log: Log) -> float:
    """Mean inflow over the record without its gaps, kg/s."""
    steps = _steps(log)
    return float((steps * log.flows[:-1]).sum() / steps.sum())


def length(log: Log) -> float:
    """Length of a record without its gaps, s."""
    return float(_steps(log).sum())


def _steps(log: Log) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Time that each row counts for; in gaps none, for nothing is known of them."""
    return np.where(log.gaps, 0.0, np.diff(log.times))


def store_for_record(log: Log, draw: float) -> float | None:
    """The least store that keeps a draw if the record repeats for ever, kg.

    The sequent peak over two rounds: the greatest fall of the sum of inflow less draw (Loucks &
    van Beek, Water Resources Systems Planning and Management, UNESCO 2005, ch. 11). Gaps are
    left out. None where the draw is more than the mean.
    """
    if draw > mean_inflow(log) * (1 + 1e-12):
        return None
    return _peak(_steps(log) * (draw - log.flows[:-1]))


def store_for_demand(log: Log, demand: Log) -> StoreForDraw:
    """The mean of a demand and the least store that keeps it if the record repeats for ever.

    Parameters
    ----------
    log
        The inflow.
    demand
        The flow that is drawn, kg/s, up to its last row (see :func:`with_end`). It repeats until
        the record ends, and begins with it; where both have dates, at its own.
    """
    length, late = float(demand.times[-1]), 0.0
    if log.began and demand.began:
        late = demand.seconds_at(log.began)
    rounds = np.arange(np.floor(late / length), np.ceil((late + log.times[-1]) / length))
    turns = (rounds[:, None] * length + demand.times[:-1]).ravel() - late
    inner = turns[(turns > 0) & (turns < log.times[-1])]
    times = np.union1d(log.times, inner)
    middle = (times[:-1] + times[1:]) / 2
    row = np.searchsorted(log.times, middle, side="right") - 1
    of_demand = np.searchsorted(demand.times, (middle + late) % length, side="right") - 1
    steps = np.where(log.gaps[row], 0.0, np.diff(times))
    drawn = steps * demand.flows[of_demand]
    lack = drawn - steps * log.flows[row]
    mean = float(drawn.sum() / steps.sum())
    enough = float(lack.sum()) <= 1e-12 * float(drawn.sum())
    return StoreForDraw(mean, _peak(lack) if enough else None)


def _peak(lack: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    """The greatest sum of what lacks in steps that follow each other, over two rounds."""
    total = np.append(0.0, np.cumsum(np.tile(lack, 2)))
    return float(np.max(total - np.minimum.accumulate(total)))


def draw_for_record(log: Log, store: float) -> float:
    """The greatest constant draw that a store keeps if the record repeats for ever, kg/s.

    A window of length T with inflow I allows no draw above (store + I) / T. From the mean down,
    each draw is set to what the worst window of the draw before allows, until the store is enough;
    each window is met once, and no draw is below the greatest one.
    """
    times = np.append(0.0, np.cumsum(np.tile(_steps(log), 2)))
    inflow = np.append(0.0, np.cumsum(np.tile(_steps(log) * log.flows[:-1], 2)))
    draw = mean_inflow(log)
    while True:
        lack = draw * times - inflow
        least = np.minimum.accumulate(lack)
        end = int(np.argmax(lack - least))
        if lack[end] - least[end] <= store + 1e-12 * inflow[-1]:
            return draw
        begin = int(np.argmin(lack[: end + 1]))
        length, came = times[end] - times[begin], inflow[end] - inflow[begin]
        draw = float((store + came) / length)


def draws_of_record(log: Log) -> tuple[StoreForDraw, ...]:
    """The store for each of several shares of the mean."""
    mean = mean_inflow(log)
    return tuple(StoreForDraw(s * mean, store_for_record(log, s * mean)) for s in SHARES)


def store_table(log: Log, rows: tuple[StoreForDraw, ...]) -> Table:
    """The storage for each firm flow, and its share of the mean inflow."""
    mean = mean_inflow(log)
    note = f"Mean inflow {format_quantity(mean, 'mass_rate')}. Sequent peak; the record repeats."
    if any(row.store is None for row in rows):
        note += " No storage gives more than the mean."
    columns = (
        labelled("firm_flow", "mass_rate"),
        Column("mean_share", "share of mean inflow", "share"),
        labelled("storage", "mass", "The least that keeps this flow."),
    )
    cells = tuple((row.draw, row.draw / mean if mean > 0 else None, row.store) for row in rows)
    return Table("reservoir", "Storage for a firm flow", columns, cells, note)


def kept_share(log: Log, draw: float, store: float) -> float:
    """Share of a draw that a store, full at first and after each gap, gives through a record."""
    level, short = store, 0.0
    steps, flows, gaps = _steps(log).tolist(), log.flows[:-1].tolist(), log.gaps.tolist()
    for step, flow, gap in zip(steps, flows, gaps, strict=True):
        if gap:
            level = store
        level = min(level + step * (flow - draw), store)
        if level < 0:
            short, level = short - level, 0.0
    return 1.0 - short / (draw * float(_steps(log).sum()))


def record_text(log: Log) -> str:
    """The record as it is used, as CSV that ``series`` of a site file takes: s and kg/s.

    Marks have 1 for on.
    """
    rows = zip(log.times.tolist(), log.flows.tolist(), strict=True)
    head = "time [s],on" if log.marks else "time [s],flow [kg/s]"
    return "\n".join([head, *(f"{time:.10g},{flow:.10g}" for time, flow in rows)]) + "\n"
