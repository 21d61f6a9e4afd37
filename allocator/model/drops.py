"""Losses of pressure along pipes: tangents of the exact curves, added where a point breaks them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from allocator.model.index_sets import IndexSets, PipeArc
from allocator.model.model import Key, Model, Row, Terms
from allocator.model.pressures import Pressures, boost, directed, peak, spur_laid, spur_peak
from allocator.network.pressure_curves import losses_at
from allocator.network.pressure_records import BoosterOption, PipeLoss

SHARES = (0.35, 1.0)
"""Flows, as shares of the most that a build can carry, of the tangents stated from the start."""


@dataclass(frozen=True, slots=True)
class LaidBuild:
    """A build that may be laid in one direction: its loss, its most kg/s, and its columns."""

    name: str
    loss: PipeLoss
    most: float
    laid: Key
    flow: Key


@dataclass(frozen=True, slots=True)
class Drop:
    """What must be left of the potential behind a pipe, in one direction (``arc``).

    ``start`` and ``end``: columns of the potentials before and behind it; ``slow``: that of the
    least potential there, which ``least`` is added to; ``width``: the widest difference of
    potentials of the fluid; ``boosters``: that may stand at its inlet.
    """

    name: str
    arc: PipeArc
    width: float
    least: float
    start: Key
    end: Key
    slow: Key
    builds: tuple[LaidBuild, ...]
    boosters: tuple[BoosterOption, ...] = ()


def drops_of(sets: IndexSets) -> tuple[Drop, ...]:
    """Every direction in which a pipe may be laid, and both directions of each spur."""
    pressures = sets.pressures
    return () if pressures is None else tuple(drops_in(pressures))


def drops_in(pressures: Pressures) -> Iterator[Drop]:
    """The same of what pressure decides."""
    high, low, most = pressures.high, pressures.low, pressures.most
    for arc, losses in pressures.losses.items():
        fluid = arc.fluid
        yield Drop(
            f"{arc.route},{arc.start},{fluid}",
            arc,
            pressures.width(fluid),
            pressures.fluids[fluid].least,
            low(arc.start, fluid),
            high(arc.end, fluid),
            low(arc.end, fluid),
            tuple(
                LaidBuild(b, loss, most[arc, b], directed(arc, b), peak(arc, b))
                for b, loss in losses.items()
            ),
            pressures.boosters_at.get(arc, ()),
        )
    for spur in pressures.spurs:
        for arc, header, word in ((spur.into, high, "filling"), (spur.out, low, "release")):
            yield Drop(
                f"{word} {spur.route},{spur.inner},{spur.fluid}",
                arc,
                pressures.width(spur.fluid),
                pressures.fluids[spur.fluid].least,
                header(arc.start, spur.fluid),
                header(arc.end, spur.fluid),
                low(arc.end, spur.fluid),
                tuple(
                    LaidBuild(b, loss, most[arc, b], spur_laid(spur, b), spur_peak(spur, b, arc))
                    for b, loss in pressures.losses[arc].items()
                ),
            )


def added(option: BoosterOption) -> Key:
    """Potential that a booster adds beside its gain, where its limits have slacks."""
    return ("added", boost(option))


def faster(drop: Drop, build: LaidBuild) -> Key:
    """Potential by which less is needed at a pipe's end where its velocity may be higher."""
    return ("faster", drop.name, build.name)


def harder(drop: Drop, build: LaidBuild) -> Key:
    """Potential that it loses more then, as gas that gains speed does."""
    return ("harder", drop.name, build.name)


@dataclass(frozen=True, slots=True)
class At:
    """A flow of a build, kg/s, with the loss there (static head included) and its slope."""

    flow: float
    value: float
    slope: float


def curves_at(asked: Sequence[tuple[LaidBuild, float]]) -> list[At]:
    """The losses of some builds at some flows."""
    values, slopes = losses_at([build.loss for build, _ in asked], [flow for _, flow in asked])
    return [
        At(flow, value + build.loss.head, slope)
        for (build, flow), value, slope in zip(asked, values, slopes, strict=True)
    ]


def tangent(model: Model, drop: Drop, points: Mapping[str, At]) -> Row | None:
    """``sum_b [loss'_b(q_b) Q_b + (loss_b(q_b) - loss'_b(q_b) q_b) y_b] <= start - end +

    boosts + width (1 - sum_b y_b)``: the perspective tangents at flows q of the builds, valid
    together as at most one of them is laid. ``points``: by build; others have their head alone.
    """
    terms: Terms = [(-1.0, drop.start), (1.0, drop.end)]
    for build in drop.builds:
        at = points.get(build.name, At(0.0, build.loss.head, 0.0))
        terms.append((at.slope, build.flow))
        terms.append((at.value - at.slope * at.flow + drop.width, build.laid))
        if model.has(key := harder(drop, build)):
            terms.append((1.0, key))
    terms += [(-option.gain, boost(option)) for option in drop.boosters]
    terms += [(-1.0, key) for option in drop.boosters if model.has(key := added(option))]
    name = f"pressure_drop[{drop.name},{_listed(points)}]"
    return model.scaled_row(name, terms, high=drop.width)


def speed_tangent(model: Model, drop: Drop, flows: Mapping[str, float]) -> Row | None:
    """``sum_b end_b (2 q_b Q_b - q_b^2 y_b) <= low_j``: gas is slow enough at the pipe's end.

    The perspective tangents of ``end Q^2`` at flows q of the builds.
    """
    terms: Terms = [(-1.0, drop.slow)]
    for build in drop.builds:
        at, end = flows.get(build.name, 0.0), build.loss.end
        terms += [(2.0 * end * at, build.flow), (-end * at**2, build.laid)]
        if model.has(key := faster(drop, build)):
            terms.append((-1.0, key))
    listed = ",".join(f"{build}={flow!r}" for build, flow in flows.items())
    return model.scaled_row(f"speed[{drop.name},{listed}]", terms, high=drop.least)


def _listed(points: Mapping[str, At]) -> str:
    return ",".join(f"{build}={at.flow!r}" for build, at in points.items())


def first_rows(
    model: Model, drops: Iterable[Drop], shares: Sequence[float] = SHARES
) -> Iterator[Row]:
    """Tangents that stand from the start, at shares of the most that each build can carry."""
    for drop in drops:
        curved = [build for build in drop.builds if build.loss.checked]
        for share in shares if curved else (0.0,):
            points = curves_at([(build, share * build.most) for build in curved])
            named = {build.name: at for build, at in zip(curved, points, strict=True)}
            flows = {name: at.flow for name, at in named.items()}
            rows = [tangent(model, drop, named)]
            if any(build.loss.end > 0.0 for build in curved):
                rows.append(speed_tangent(model, drop, flows))
            yield from (row for row in rows if row is not None)


def broken_drops(
    model: Model, drops: Sequence[Drop], values: Mapping[Key, float], tolerance: float
) -> list[Row]:
    """Tangents for the pipes whose losses or speeds at a point (SI by key) are too much for it.

    ``tolerance``: share of the widest difference of potentials that may be lacking.
    """
    asked: list[tuple[LaidBuild, float]] = []
    among: list[tuple[Drop, list[float]]] = []
    for drop in drops:
        shares = []
        for build in drop.builds:
            share = min(1.0, values[build.laid])
            if share > 0.0 and values[build.flow] > 0.0:
                asked.append((build, values[build.flow] / share))
                shares.append(share)
        if shares:
            among.append((drop, shares))
    points = iter(curves_at(asked))
    rows: list[Row | None] = []
    turn = iter(asked)
    for drop, shares in among:
        mine = [(next(turn)[0], next(points), share) for share in shares]
        named = {build.name: at for build, at, _ in mine}
        needed = [values[drop.end] - values[drop.start]]
        needed += [(at.value + drop.width) * share for _, at, share in mine]
        needed += [
            (build.loss.head + drop.width) * min(1.0, values[build.laid])
            for build in drop.builds
            if build.name not in named and values[build.laid] > 0.0
        ]
        needed += [-option.gain * values[boost(option)] for option in drop.boosters]
        changed = [key for option in drop.boosters if model.has(key := added(option))]
        needed += [-values[key] for key in changed]
        slower = [key for build in drop.builds if model.has(key := harder(drop, build))]
        needed += [values[key] for key in slower]
        if math.fsum(needed) > drop.width * (1.0 + tolerance):
            rows.append(tangent(model, drop, named))
        fast = [build.loss.end * at.flow**2 * share for build, at, share in mine]
        eased = [key for build in drop.builds if model.has(key := faster(drop, build))]
        fast += [-values[key] for key in eased]
        if math.fsum(fast) > values[drop.slow] + drop.least + tolerance * drop.width:
            flows = {name: at.flow for name, at in named.items()}
            rows.append(speed_tangent(model, drop, flows))
    return [row for row in rows if row is not None]
