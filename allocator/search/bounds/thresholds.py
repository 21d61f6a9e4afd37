"""Threshold cuts, separated exactly; see ``lean.py`` for what they say and why they hold."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from allocator.model.model import Key, Model, Row, Terms
from allocator.search.bounds.lean import Duct


@dataclass(frozen=True)
class Threshold:
    """The cut of some origins on a duct, by name."""

    duct: str
    origins: frozenset[str]


def broken_thresholds(
    ducts: Sequence[Duct], values: Mapping[Key, float], tolerance: float
) -> list[Threshold]:
    """The worst threshold cut of each duct that a point (SI values by key) breaks.

    The right side is the least, over which builds count with their capacity and which with M(A),
    of terms that are separable in the origins: builds are sorted, so for each number of builds
    that count with their capacity the best A takes the origins whose flow is more than their share.
    """
    found = []
    for duct in ducts:
        cut = _worst(duct, values, tolerance)
        if cut is not None:
            found.append(cut)
    return found


def _worst(duct: Duct, values: Mapping[Key, float], tolerance: float) -> Threshold | None:
    flows = [
        (math.fsum(values[key] for key in keys), most, name)
        for name, keys, most in duct.flows
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
    return Threshold(duct.name, frozenset(name for _, _, name in chosen))


def threshold_row(model: Model, duct: Duct, cut: Threshold) -> Row | None:
    """``sum over A of flow <= sum over builds of min(capacity, M(A)) * lay``."""
    chosen = [(keys, most) for name, keys, most in duct.flows if name in cut.origins]
    together = math.fsum(most for _, most in chosen)
    terms: Terms = [(1.0, key) for keys, _ in chosen for key in keys]
    terms += [(-min(capacity, together), key) for capacity, key in duct.builds]
    return model.scaled_row(f"threshold[{duct.name}]", terms, high=0.0)
