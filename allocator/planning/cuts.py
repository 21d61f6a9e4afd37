"""Store cuts, found lazily: the windows in which a store's promise would fail.

For a store with size B, capture rates r, steady inflow w, flat draw d and following draws f:

    B (1 - loss L) + sum_s r_s tau_s(L) + w L  >=  d L + sum_j f_j beta_j(L)   for every L > 0.

For each L this is linear in (B, r, w, d, f). The duty package finds the worst L of a point
exactly; where the periods of a store's sources have no small common multiple, the search
stops at a stated length and one tail row covers all longer windows.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from allocator.duty import Curve, DemandCurve, worst_window
from allocator.plan import FLAT
from allocator.planning.choices import CLASSES, Choices
from allocator.planning.rules.margin import MARGIN
from allocator.planning.rules.power import burst_sources
from allocator.planning.statement import Key, Row, Statement, Terms


@dataclass(frozen=True)
class Promise:
    """One promise: a size, what fills it and what it releases.

    ``inflows``: (curve, kg or J a unit of the variable, key); ``draws``: (shape curve or None
    for flat, key). ``standing`` is size that is not a variable.
    ``idle``: loss that a standing store without a promise need not bear.
    """

    name: str
    size: Key
    standing: float
    loss: float
    inflows: tuple[tuple[Curve, float, Key], ...]
    steady: Key | None
    draws: tuple[tuple[DemandCurve | None, Key], ...]
    idle: Key | None = None

    def row(self, statement: Statement, length: float, tail: bool) -> Row | None:
        """The cut at a window length, in scaled numbers."""
        terms: Terms = [(1.0 - self.loss * length, self.size)]
        for curve, weight, key in self.inflows:
            if tail:
                fed = curve.duty * length - curve.sigma
            else:
                fed = float(curve.guaranteed(np.array([length]))[0])
            terms.append((weight * fed, key))
        if self.steady is not None:
            terms.append((length, self.steady))
        if self.idle is not None:
            terms.append((length, self.idle))
        for shape, key in self.draws:
            if shape is None:
                need = length
            else:
                need = length + shape.sigma if tail else float(shape.largest(np.array([length]))[0])
            terms.append((-(1.0 + MARGIN) * need, key))
        low = -self.standing * (1.0 - self.loss * length)
        kind = "tail" if tail else "window"
        return statement.scaled_row(f"store_cut[{self.name},{kind},{length!r}]", terms, low=low)


def promises_of(choices: Choices) -> tuple[Promise, ...]:
    """Every promise of the program: fluid stores, and battery parts behind bursts."""
    found = []
    for name, store in choices.fluid_stores.items():
        k = f"store:{name}"
        inflows = tuple(
            (choices.curves[s], 1.0, ("collect", s, k))
            for s in choices.sources
            if k in choices.reach[s]
        )
        draws = tuple(
            (None if j == FLAT else choices.shape_curves[j], ("draw", name, j))
            for j in choices.fluid_shapes[store.type.holds]
        )
        found.append(
            Promise(
                name,
                ("size", name),
                store.standing,
                store.type.loss,
                inflows,
                ("inflow", name),
                draws,
                ("idle", name) if store.type.loss * store.standing > 0 else None,
            )
        )
    for name, battery in choices.batteries.items():
        for kind in CLASSES:
            seen = burst_sources(choices, name, kind)
            if not seen:
                continue
            efficiency = battery.type.charge_efficiency
            found.append(
                Promise(
                    f"{name},{kind}",
                    ("burst_part", name, kind),
                    0.0,
                    battery.type.loss,
                    tuple((choices.curves[s], efficiency * w, key) for s, w, key in seen),
                    None,
                    tuple(
                        (
                            None if j == FLAT else choices.shape_curves[j],
                            ("release", name, kind, j),
                        )
                        for j in (FLAT, *choices.power_shapes())
                    ),
                )
            )
    return tuple(found)


def violated(
    statement: Statement,
    promises: tuple[Promise, ...],
    values: Mapping[Key, float],
    tolerance: float,
) -> list[Row]:
    """One cut for each promise that a point (SI values by key) breaks."""
    rows = []
    for promise in promises:
        row = _worst(statement, promise, values, tolerance)
        if row is not None:
            rows.append(row)
    return rows


def _worst(
    statement: Statement, promise: Promise, values: Mapping[Key, float], tolerance: float
) -> Row | None:
    flat = 0.0
    following: list[tuple[DemandCurve, float]] = []
    for shape, key in promise.draws:
        # A little less than the row's own margin, so that the long-run row, which holds only
        # to the solver's tolerance, never hides the windows.
        amount = values[key] * (1.0 + 0.9 * MARGIN)
        if shape is None:
            flat += amount
        elif amount > 0:
            following.append((shape, amount))
    size = promise.standing + values[promise.size]
    asked = flat + sum(amount for _, amount in following)
    if asked <= 0:
        return None
    flat += promise.loss * size
    inflows = [
        (curve, weight * values[key]) for curve, weight, key in promise.inflows if values[key] > 0
    ]
    steady = values[promise.steady] if promise.steady is not None else 0.0
    worst = worst_window(inflows, flat, following, steady, above=size)
    if math.isinf(worst.length):
        return None  # the long-run row of the program speaks of this one
    # What a part of the right side's margin covers is not worth a row.
    slack = tolerance * max(size, asked * worst.length)
    if worst.shortfall <= size + slack:
        return None
    return promise.row(statement, worst.length, worst.tail)
