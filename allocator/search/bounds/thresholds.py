"""Threshold cuts, separated exactly; ``disaggregated.py`` says why they are valid."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from allocator.model.model import Key, Model, Row, Terms
from allocator.search.bounds.disaggregated import PipeLink


@dataclass(frozen=True)
class Threshold:
    """The cut of some origins on a link, by name."""

    link: str
    origins: frozenset[str]


def broken_thresholds(
    links: Sequence[PipeLink], values: Mapping[Key, float], tolerance: float
) -> list[Threshold]:
    """The worst threshold cut of each link that a point (SI values by key) breaks.

    The right side is the least, over which builds count with their capacity and which with M(A),
    of terms that are separable in the origins: builds are sorted, so for each number of builds
    that count with their capacity the best A takes the origins whose flow is more than their share.
    """
    found = []
    for link in links:
        cut = _worst(link, values, tolerance)
        if cut is not None:
            found.append(cut)
    return found


def _worst(link: PipeLink, values: Mapping[Key, float], tolerance: float) -> Threshold | None:
    flows = [
        (math.fsum(values[key] for key in keys), most, name)
        for name, keys, most in link.flows
        if math.isfinite(most)
    ]
    flows = [entry for entry in flows if entry[0] > 0.0]
    if not flows:
        return None
    laid = [(capacity, values[key]) for capacity, key in link.builds]
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
    return Threshold(link.name, frozenset(name for _, _, name in chosen))


def threshold_row(model: Model, link: PipeLink, cut: Threshold) -> Row | None:
    """``sum over A of flow <= sum over builds of min(capacity, M(A)) * lay``."""
    chosen = [(keys, most) for name, keys, most in link.flows if name in cut.origins]
    together = math.fsum(most for _, most in chosen)
    terms: Terms = [(1.0, key) for keys, _ in chosen for key in keys]
    terms += [(-min(capacity, together), key) for capacity, key in link.builds]
    return model.scaled_row(f"threshold[{link.name}]", terms, high=0.0)
