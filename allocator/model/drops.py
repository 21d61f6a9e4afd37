"""Losses of pressure along pipes: tangents of the exact curves, added where a point breaks them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from allocator.model.expressions import scaled
from allocator.model.index_sets import IndexSets, PipeArc
from allocator.model.model import Key, Model, Row, Terms
from allocator.model.pressures import Pressures, boost, directed, peak, spur_laid, spur_peak
from allocator.network.pressure_curves import losses_at
from allocator.network.pressure_records import SWIFTEST, BoosterOption, PipeLoss

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

    def head_near(self, build: LaidBuild, entering: float) -> tuple[float, float]:
        """A tangent of the head by the potential that enters, above the least: (at 0, slope)."""
        head, slope = build.loss.head_at(entering + self.least)
        return head - slope * entering, slope

    def left(self, build: LaidBuild, entering: float, at: At) -> float:
        """Potential left at the end of what enters, both above the least, at a flow."""
        return build.loss.after(entering + self.least, at.value, at.flow) - self.least


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


@dataclass(frozen=True, slots=True)
class At:
    """A flow of a build, kg/s, with what friction takes there and its slope."""

    flow: float
    value: float
    slope: float


def curves_at(asked: Sequence[tuple[LaidBuild, float]]) -> list[At]:
    """The losses of some builds at some flows."""
    values, slopes = losses_at([build.loss for build, _ in asked], [flow for _, flow in asked])
    return [
        At(flow, value, slope)
        for (_, flow), value, slope in zip(asked, values, slopes, strict=True)
    ]


def entering(model: Model, drop: Drop) -> Terms:
    """The potential that enters a pipe, above the least: that of its start, and of boosters."""
    terms: Terms = [(1.0, drop.start)]
    terms += [(option.gain, boost(option)) for option in drop.boosters]
    return terms + [(1.0, key) for option in drop.boosters if model.has(key := added(option))]


class Gain(NamedTuple):
    """A tangent of what is lost as gas gains speed: at no flow and no potential above the least,

    and its slopes by the flow and by the potential at the end.
    """

    value: float
    by_flow: float
    by_end: float


def gains_of(drop: Drop, points: Mapping[str, At], leaves: float) -> dict[str, Gain]:
    """Tangents at flows of builds where so much ``leaves``, above the least, or what is slow."""
    found = {}
    for build in drop.builds:
        if (at := points.get(build.name)) is not None:
            end = max(leaves + drop.least, build.loss.swift * at.flow**2 / SWIFTEST)
            value, by_flow, by_end = build.loss.accelerating(at.flow, at.value, at.slope, end)
            value -= by_flow * at.flow + by_end * (end - drop.least)
            found[build.name] = Gain(value, by_flow, by_end)
    return found


def tangent(
    model: Model,
    drop: Drop,
    points: Mapping[str, At],
    enters: float,
    leaves: float | None = None,
) -> Row | None:
    """``sum_b [loss'_b(q_b) Q_b + (loss_b(q_b) - loss'_b(q_b) q_b + head) y_b] + slope entering

    <= entering - end + width (1 - sum_b y_b)``: the perspective tangents at flows q of the builds,
    valid together as at most one of them is laid, with that of their head where so much ``enters``:
    of all builds the same, as they rise alike. ``points``: by build; others have their head alone.
    Where so much ``leaves``, with that of what they lose as gas gains speed: the steepest by the
    end counts for all, and at an end of 0 each its own.
    """
    gains = {} if leaves is None else gains_of(drop, points, leaves)
    by_end = min((gain.by_end for gain in gains.values()), default=0.0)
    slope = max((drop.head_near(build, enters)[1] for build in drop.builds), default=0.0)
    wide = drop.width * max(1.0, slope)
    terms: Terms = [(1.0 + by_end, drop.end), *scaled(entering(model, drop), slope - 1.0)]
    for build in drop.builds:
        at = points.get(build.name, At(0.0, 0.0, 0.0))
        head = drop.head_near(build, enters)[0]
        gain = gains.get(build.name, Gain(0.0, 0.0, 0.0))
        terms.append((at.slope + gain.by_flow, build.flow))
        constant = at.value - at.slope * at.flow + gain.value + head + wide
        terms.append((constant, build.laid))
    place = f",from {enters!r}" if slope else ""
    place += f",to {leaves!r}" if by_end else ""
    name = f"pressure_drop[{drop.name},{_listed(points)}{place}]"
    return model.scaled_row(name, terms, high=wide)


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
            rows = [tangent(model, drop, named, share * drop.width)]
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
        laid = {build.name: min(1.0, values[build.laid]) for build in drop.builds}
        comes = model.value(entering(model, drop), values)
        enters = max(0.0, comes) / math.fsum(share for share in laid.values() if share > 0.0)
        heads = {build.name: build.loss.head_at(enters + drop.least)[0] for build in drop.builds}
        needed = [values[drop.end], -comes]
        leaves = max(0.0, values[drop.end]) / math.fsum(s for s in laid.values() if s > 0.0)
        gains = gains_of(drop, named, leaves)
        needed.append(values[drop.end] * min(gain.by_end for gain in gains.values()))
        needed += [(at.value + gains[b.name].value) * share for b, at, share in mine]
        needed += [gains[b.name].by_flow * at.flow * share for b, at, share in mine]
        needed += [
            (heads[name] + drop.width) * share for name, share in laid.items() if share > 0.0
        ]
        if math.fsum(needed) > drop.width * (1.0 + tolerance):
            rows.append(tangent(model, drop, named, enters, leaves))
        fast = [build.loss.end * at.flow**2 * share for build, at, share in mine]
        eased = [key for build in drop.builds if model.has(key := faster(drop, build))]
        fast += [-values[key] for key in eased]
        if math.fsum(fast) > values[drop.slow] + drop.least + tolerance * drop.width:
            flows = {name: at.flow for name, at in named.items()}
            rows.append(speed_tangent(model, drop, flows))
    return [row for row in rows if row is not None]
