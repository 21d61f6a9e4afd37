"""Store cuts, found lazily: the windows in which a store's promise would fail.

For a store with size B, capture rates r, steady inflow w, flat draw d and following draws f:

    B (1 - loss L) + sum_s r_s tau_s(L) + w L  >=  d L + sum_j f_j beta_j(L)   for every L > 0.

Where the phase of a source is known, the row is of a window from t on, and tau_s(L) is what is
sure of it there, tau_s(t, L), for every t >= 0 as well.

For each window this is linear in (B, r, w, d, f). The duty package finds the worst L of a point
exactly; where the periods of a store's sources have no small common multiple, the search
stops at a stated length and one tail row covers all longer windows.

A promise that withstands lost or low sources has these cuts, and that of an endless window, for
every choice of such sources (:mod:`allocator.model.worst_sources`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from allocator.cycles import (
    Curve,
    DemandCurve,
    KnownCurve,
    Span,
    StoppedError,
    ending,
    worst_span,
    worst_until,
    worst_window,
)
from allocator.model.chambers import ChamberCut, chamber_cuts
from allocator.model.drops import broken_drops, drops_of
from allocator.model.index_sets import CLASSES, IndexSets
from allocator.model.model import Key, Model, Row, Terms
from allocator.model.rules.power import burst_sources
from allocator.model.worst_sources import (
    MOST_CHOICES,
    Feeder,
    TooManyChoicesError,
    choices_against,
    choices_count,
    too_many,
)
from allocator.plans.records import FLAT, NOTHING, Robustness


@dataclass(frozen=True)
class Promise:
    """One promise: a size, what fills it and what it releases.

    ``inflows``: (curve, kg or J a unit of the variable, key); ``draws``: (shape curve or None
    for flat, key). ``existing`` is size that is not a variable.
    ``idle``: loss that a standing store without a promise need not bear. ``robustness``: what it
    must hold against; ``low``: source -> share of its rate that may be missing;
    ``reliable``: sources that cannot be lost. ``handover``: time, s, and what it must hold then.
    """

    name: str
    size: Key
    existing: float
    loss: float
    inflows: tuple[tuple[Curve, float, Key], ...]
    steady: Key | None
    draws: tuple[tuple[DemandCurve | None, Key], ...]
    idle: Key | None = None
    robustness: Robustness = NOTHING
    low: Mapping[str, float] = field(default_factory=dict)
    reliable: frozenset[str] = frozenset()
    handover: tuple[float, float] | None = None

    def row(
        self,
        model: Model,
        window: Span,
        missing: Mapping[str, float] | None = None,
        kept: float = 0.0,
    ) -> Row | None:
        """The cut of a window, in scaled numbers. ``missing``: source -> share; ``kept``: kg that

        it must hold at the end of it."""
        length, tail = window.length, window.tail
        terms: Terms = [(1.0 - self.loss * length, self.size)]
        for curve, weight, key in self.inflows:
            if tail:
                fed = curve.duty * length - curve.sigma
            elif window.begin is not None and isinstance(curve, KnownCurve):
                fed = float(curve.between(np.array([window.begin]), np.array([length]))[0])
            else:
                fed = float(curve.guaranteed(np.array([length]))[0])
            terms.append((weight * fed * _left(missing, key), key))
        if self.steady is not None:
            terms.append((length, self.steady))
        if self.idle is not None:
            terms.append((length, self.idle))
        for shape, key in self.draws:
            if shape is None:
                need = length
            else:
                need = length + shape.sigma if tail else float(shape.largest(np.array([length]))[0])
            terms.append((-need, key))
        low = kept - self.existing * (1.0 - self.loss * length)
        kind = ("tail" if tail else "window") + _without(missing)
        kind += "" if window.begin is None else f",from {window.begin!r}"
        kind += f",then {kept!r}" if kept else ""
        return model.scaled_row(f"store_cut[{self.name},{kind},{length!r}]", terms, low=low)

    def endless_row(
        self, model: Model, missing: Mapping[str, float], spare: float = 0.0
    ) -> Row | None:
        """The cut of an endless window: what is left of the mean bears the draws and the loss.

        ``spare``: share of the draws that is to be left over.
        """
        terms: Terms = [
            (weight * curve.duty * _left(missing, key), key) for curve, weight, key in self.inflows
        ]
        if self.steady is not None:
            terms.append((1.0, self.steady))
        if self.idle is not None:
            terms.append((1.0, self.idle))
        terms += [(-1.0 - spare, key) for _, key in self.draws]
        terms.append((-self.loss, self.size))
        name = f"store_cut[{self.name},endless{_without(missing)}]"
        return model.scaled_row(name, terms, low=self.loss * self.existing)

    def feeders(self, values: Mapping[Key, float]) -> list[Feeder]:
        """The sources that feed it at a point, each with all that it gives together."""
        rates: dict[str, tuple[Curve, float]] = {}
        for curve, weight, key in self.inflows:
            if values[key] > 0:
                source = source_of(key)
                before = rates.get(source, (curve, 0.0))[1]
                rates[source] = (curve, before + weight * values[key])
        low = self.low if self.robustness.low > 0 else {}
        return [
            Feeder(s, c, rate, low.get(s, 0.0), s in self.reliable)
            for s, (c, rate) in rates.items()
        ]


def source_of(key: Key) -> str:
    """The source of a collect variable."""
    assert isinstance(key, tuple)
    return str(key[1])


def _left(missing: Mapping[str, float] | None, key: Key) -> float:
    return 1.0 - missing.get(source_of(key), 0.0) if missing else 1.0


def _without(missing: Mapping[str, float] | None) -> str:
    return f",without {dict(sorted(missing.items()))}" if missing else ""


def promises_of(sets: IndexSets) -> tuple[Promise | ChamberCut, ...]:
    """Every promise of the program: fluid stores, battery parts behind bursts, chambers.

    Raises:
        TooManyChoicesError: sources may be lost or low in more ways than can be looked at.
    """
    found = []
    reliable = frozenset(s for s in sets.sources if sets.site.sources[s].reliable)
    low = {s: share for s in sets.sources if (share := sets.may_miss(s)) > 0}
    for name, store in sets.fluid_stores.items():
        k = f"store:{name}"
        inflows = tuple(
            (sets.curves[s], 1.0, ("collect", s, k)) for s in sets.sources if k in sets.reach[s]
        )
        draws = tuple(
            (None if j == FLAT else sets.shape_curves[j], ("draw", name, j))
            for j in sets.fluid_shapes[store.type.holds]
        )
        found.append(
            Promise(
                name,
                ("size", name),
                store.existing,
                store.type.loss,
                inflows,
                ("inflow", name),
                draws,
                ("idle", name) if store.type.loss * store.existing > 0 else None,
                sets.robustness,
                low,
                reliable,
                handover_of(sets, name),
            )
        )
    for name, battery in sets.batteries.items():
        for kind in CLASSES:
            seen = burst_sources(sets, name, kind)
            if not seen:
                continue
            efficiency = battery.type.charge_efficiency
            found.append(
                Promise(
                    f"{name},{kind}",
                    ("burst_part", name, kind),
                    0.0,
                    battery.type.part_loss,
                    tuple((sets.curves[s], efficiency * w, key) for s, w, key in seen),
                    None,
                    tuple(
                        (
                            None if j == FLAT else sets.shape_curves[j],
                            ("release", name, kind, j),
                        )
                        for j in (FLAT, *sets.power_shapes())
                    ),
                    None,
                    sets.robustness,
                    low,
                    reliable,
                )
            )
    for promise in found:
        if promise.robustness.of_sources:
            check_choices(promise)
    return (*found, *chamber_cuts(sets))


def handover_of(sets: IndexSets, name: str) -> tuple[float, float] | None:
    """When another operation follows, and what a store must hold then."""
    handover = sets.site.handover
    kept = 0.0 if handover is None else handover.kept.get(name, 0.0)
    return None if handover is None or kept <= 0.0 else (handover.at, kept)


def check_choices(promise: Promise) -> None:
    """Refuse now what could not be looked at later."""
    cycles: dict[int, set[str]] = {}
    for curve, _, key in promise.inflows:
        cycles.setdefault(id(curve), set()).add(source_of(key))
    number = choices_count([len(sources) for sources in cycles.values()], promise.robustness)
    if number > MOST_CHOICES:
        raise TooManyChoicesError(f"{promise.name}: {too_many(number)}")


def violated(
    model: Model,
    promises: tuple[Promise | ChamberCut, ...],
    values: Mapping[Key, float],
    tolerance: float,
) -> list[Row]:
    """One cut for each promise that a point (SI values by key) breaks."""
    rows = []
    for promise in promises:
        row = (
            promise.worst(model, values, tolerance, less_than_drawn(tolerance))
            if isinstance(promise, ChamberCut)
            else _worst(model, promise, values, tolerance)
        )
        if row is not None:
            rows.append(row)
        elif not isinstance(promise, ChamberCut) and promise.robustness.of_sources:
            rows += _without_some(model, promise, values, tolerance)
    return rows


class Separator(Protocol):
    """Finds rows that a point (SI by key) breaks by more than a share of what they speak of."""

    def __call__(self, values: dict[Key, float], tolerance: float) -> list[Row]: ...


def broken_in_time(
    separator: Separator, values: dict[Key, float], tolerance: float, out: Callable[[], bool]
) -> list[Row] | None:
    """Rows that a point breaks; None where time was out before they were known."""
    with ending(out):
        try:
            return separator(values, tolerance)
        except StoppedError:
            return None


def lazy_cuts(model: Model, sets: IndexSets) -> Separator:
    """Store cuts, and tangents of the losses of pressure, of a model of all that may be decided."""
    promises = () if sets.lossless else promises_of(sets)
    drops = drops_of(sets)

    def separate(values: dict[Key, float], tolerance: float) -> list[Row]:
        rows = violated(model, promises, values, tolerance)
        return rows + broken_drops(model, drops, values, tolerance) if drops else rows

    return separate


SHORT = 1e-8
"""Share of what is promised that a point of the search may lack; the last point lacks none."""


def less_than_drawn(tolerance: float) -> float:
    """Share of what is drawn that a point may lack, where windows are held to a tolerance."""
    return min(SHORT, 10 * tolerance)


FEW = 24
"""Choices of missing sources that are tried where a point is a relaxation's."""
AT_ONCE = 4
"""Cuts of different choices that are added for one promise at once."""


def _without_some(
    model: Model, promise: Promise, values: Mapping[Key, float], tolerance: float
) -> list[Row]:
    """Cuts of the choices of missing sources that break a promise, of the worst few."""
    tried = choices_against(promise.feeders(values), promise.robustness)
    if tolerance > 1e-6:
        tried = tried[:FEW]
    rows: list[Row] = []
    for choice in tried:
        if choice.missing:
            row = _worst(model, promise, values, tolerance, choice.missing)
            if row is not None:
                rows.append(row)
                if len(rows) == AT_ONCE:
                    break
    return rows


def _worst(
    model: Model,
    promise: Promise,
    values: Mapping[Key, float],
    tolerance: float,
    missing: Mapping[str, float] | None = None,
) -> Row | None:
    # The row of an endless window holds to the solver's tolerance only: of a little less the
    # windows can be looked at, and a row that is stated already is not found again.
    less = less_than_drawn(tolerance)
    flat = 0.0
    following: list[tuple[DemandCurve, float]] = []
    for shape, key in promise.draws:
        amount = values[key] * (1.0 - less)
        if shape is None:
            flat += amount
        elif amount > 0:
            following.append((shape, amount))
    size = promise.existing + values[promise.size]
    asked = flat + sum(amount for _, amount in following)
    if asked <= 0:
        return None
    flat += promise.loss * size
    inflows = [
        (curve, weight * values[key] * left)
        for curve, weight, key in promise.inflows
        if values[key] > 0 and (left := _left(missing, key)) > 0
    ]
    steady = values[promise.steady] if promise.steady is not None else 0.0
    if promise.handover is not None:
        end, kept = promise.handover
        last = worst_until(inflows, flat, following, steady, end)
        if last.shortfall + kept > size + tolerance * max(size, asked * last.length):
            return promise.row(model, last, missing, kept)
    if any(isinstance(curve, KnownCurve) for curve, _ in inflows):
        worst = worst_span(inflows, flat, following, steady, size)
    else:
        found = worst_window(inflows, flat, following, steady, above=size)
        worst = Span(None, found.length, found.shortfall, found.tail)
    if math.isinf(worst.length):
        if missing and worst.shortfall > tolerance * asked:
            return promise.endless_row(model, missing)
        return None  # the long-run row of the program speaks of this one
    slack = tolerance * max(size, asked * worst.length)
    if worst.shortfall <= size + slack:
        return None
    return promise.row(model, worst, missing)
