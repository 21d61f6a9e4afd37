"""Store for a draw and draw for a store, for sources of unknown phase.

A store of size B that starts full sustains its draw for ever if and only if, for every window
length L > 0,

    B (1 - loss L) + sum r tau(L) + steady L  >=  flat L + sum f beta(L)

(the backlog bound of network calculus; the other way, phases that line the worst windows up
can occur). ``loss`` is the share of the size that is lost a second. Every row is linear in the
size and in the draw, so least size and greatest draw are found by Newton's method on the worst
row: exact after finitely many steps, each step one search for the worst window.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from allocator.cycles.balance import ROUNDING, Balance, balance_of, search_length, turning_lengths
from allocator.cycles.curves import Supply
from allocator.cycles.demand import CONSTANT, DemandCurve
from allocator.cycles.windows import Window, worst_of, worst_up_to

Inflows = Sequence[tuple[Supply, float]]
Following = Sequence[tuple[DemandCurve, float]]


def store_for_draw(
    inflows: Inflows,
    flat: float,
    following: Following = (),
    steady: float = 0.0,
    loss: float = 0.0,
) -> float:
    """Least size, kg, of one store that sustains the draws; infinite when none does.

    Arguments as for :func:`allocator.cycles.windows.worst_window`; ``loss``: share of the size
    lost a second.
    """
    size = 0.0
    while True:
        window = worst_of(balance_of(inflows, flat + loss * size, following, steady), above=size)
        if math.isinf(window.length):
            return math.inf
        if window.shortfall <= size * (1.0 + ROUNDING):
            return size
        share_kept = 1.0 - loss * window.length
        if share_kept <= 0.0:  # a greater store loses more in this window than it adds
            return math.inf
        size = (window.shortfall - loss * size * window.length) / share_kept


def draw_for_store(
    inflows: Inflows,
    size: float,
    shape: DemandCurve | None = None,
    steady: float = 0.0,
    loss: float = 0.0,
) -> float:
    """Greatest draw, mean kg/s, that one store of ``size`` kg sustains for ever.

    The draw is constant, or follows ``shape``. 0 when the loss eats all.
    """
    return _draw(inflows, size, shape or CONSTANT, steady, loss)[0]


def store_value(
    inflows: Inflows,
    size: float,
    shape: DemandCurve | None = None,
    steady: float = 0.0,
    loss: float = 0.0,
) -> float:
    """What one more kg of store adds to the greatest draw, (kg/s)/kg: its right derivative.

    (1 - loss L) / beta(L) of the window that is worst for a store a little larger (by a
    billionth). Where the long-run rates hold the draw down it is -loss: 0 without loss.
    """
    demand = shape or CONSTANT
    largest = sum(rate * supply.sigma for supply, rate in inflows)
    larger = size + 1e-9 * max(size, largest)
    draw, window = _draw(inflows, larger, demand, steady, loss)
    if draw <= 0.0:
        return 0.0
    if window is None:
        return -loss
    need = _need(demand, window)
    return (1.0 - loss * window.length) / need


def _draw(
    inflows: Inflows, size: float, shape: DemandCurve, steady: float, loss: float
) -> tuple[float, Window | None]:
    """The greatest draw and the window that holds it down (None: the long-run rates)."""
    if size < 0.0 or loss < 0.0:
        raise ValueError(f"size and loss must not be negative (got {size}, {loss})")
    mean = math.fsum([steady, -loss * size, *(rate * supply.duty for supply, rate in inflows)])
    if mean <= 0.0:
        return 0.0, None

    def balance(draw: float) -> Balance:
        return balance_of(inflows, loss * size, [(shape, draw)], steady)

    full = balance(mean)
    if not full.lines:
        return mean, None
    limit, unrelated = search_length([supply for supply, rate in inflows if rate != 0.0], [shape])
    # Up to this draw some H <= limit has g(H) <= 0, so that windows up to H settle it.
    tries = turning_lengths(full, limit)
    supplies = balance(0.0)
    settled = min(mean, float(np.max(-supplies.at(tries) / shape.largest(tries))))
    if not unrelated and any(line.onset for line in full.lines):
        settled = mean  # beyond the onset every common period is like the one before
    draw, window = _newton(inflows, size, shape, steady, loss, max(settled, 0.0))
    if window is not None or settled >= mean * (1.0 - ROUNDING):
        return (mean, None) if window is None else (draw, window)
    # More draw has no such H: compare all windows up to the limit, and the tail row.
    upper, held = mean, None
    while True:
        worst = worst_up_to(balance(upper), limit, size)
        if worst.shortfall <= size * (1.0 + ROUNDING):
            break
        lower = _row(supplies, size, shape, worst)
        if lower >= upper:
            break
        upper, held = lower, worst
    beyond = (size - supplies.lag - supplies.rate * limit) / (limit + shape.sigma)
    if beyond < upper:
        upper, held = beyond, Window(limit, size, True)
    return (upper, held) if upper > settled else (settled, Window(limit, size, True))


def _newton(
    inflows: Inflows, size: float, shape: DemandCurve, steady: float, loss: float, start: float
) -> tuple[float, Window | None]:
    draw, held = start, None
    rest = balance_of(inflows, loss * size, (), steady)
    while draw > 0.0:
        worst = worst_of(balance_of(inflows, loss * size, [(shape, draw)], steady), above=size)
        if math.isinf(worst.length) or worst.shortfall <= size * (1.0 + ROUNDING):
            return draw, held
        lower = _row(rest, size, shape, worst)
        if lower >= draw:
            return draw, held
        draw, held = lower, worst
    return 0.0, held


def _row(rest: Balance, size: float, shape: DemandCurve, window: Window) -> float:
    """The draw at which the row of this window just holds; ``rest``: the balance without it."""
    length = np.array([window.length])
    return float((size - rest.at(length)[0]) / shape.largest(length)[0])


def _need(shape: DemandCurve, window: Window) -> float:
    if window.tail:
        return window.length + shape.sigma
    return float(shape.largest(np.array([window.length]))[0])
