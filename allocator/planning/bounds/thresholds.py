"""Threshold cuts, separated exactly; see ``lean.py`` for what they say and why they hold."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from allocator.planning.bounds.lean import Duct
from allocator.planning.statement import Key, Row, Statement, Terms


def broken_thresholds(
    statement: Statement, ducts: Sequence[Duct], values: Mapping[Key, float], tolerance: float
) -> list[Row]:
    """The worst threshold cut of each duct that a point (SI values by key) breaks.

    The right side is the least, over which builds count with their capacity and which with M(A),
    of terms that are separable in the origins: builds are sorted, so for each number of builds
    that count with M(A) the best A takes the origins whose flow is more than their share.
    """
    rows = []
    for duct in ducts:
        row = _worst(statement, duct, values, tolerance)
        if row is not None:
            rows.append(row)
    return rows


def _worst(
    statement: Statement, duct: Duct, values: Mapping[Key, float], tolerance: float
) -> Row | None:
    flows = [
        (math.fsum(values[key] for key in keys), most, keys)
        for keys, most in duct.flows
        if math.isfinite(most)
    ]
    flows = [entry for entry in flows if entry[0] > 0.0]
    if not flows:
        return None
    laid = [(capacity, values[key]) for capacity, key in duct.builds]
    best, chosen = 0.0, None
    for number in range(len(laid) + 1):
        at_capacity = math.fsum(capacity * lay for capacity, lay in laid[:number])
        rest = math.fsum(lay for _, lay in laid[number:])
        part = [entry for entry in flows if entry[0] > entry[1] * rest]
        excess = math.fsum(flow - most * rest for flow, most, _ in part) - at_capacity
        if excess > best:
            best, chosen = excess, part
    if chosen is None or best <= tolerance * math.fsum(most for _, most, _ in chosen):
        return None
    together = math.fsum(most for _, most, _ in chosen)
    terms: Terms = [(1.0, key) for _, _, keys in chosen for key in keys]
    terms += [(-min(capacity, together), key) for capacity, key in duct.builds]
    return statement.scaled_row(f"threshold[{duct.name}]", terms, high=0.0)
