"""Tangents of what friction takes by origin; :mod:`.friction` says why they are valid."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from allocator.model.drops import LaidBuild
from allocator.model.model import Key, Model, Row, Terms
from allocator.network.pressure_curves import losses_at

SOME = 1e-6
"""Share of a build, or of what it carries, that is worth a tangent."""


@dataclass(frozen=True, slots=True)
class CarriedFlow:
    """What a build carries of an origin that passed no booster, at most ``most`` kg/s, and what

    that loses.
    """

    most: float
    flow: Key
    lost: Key


@dataclass(frozen=True, slots=True)
class CarryingBuild:
    """A build that may be laid one way, with all that it may carry; ``width``: of potentials."""

    build: LaidBuild
    width: float
    carried: tuple[CarriedFlow, ...]


def broken_friction(
    model: Model,
    builds: tuple[CarryingBuild, ...],
    values: Mapping[Key, float],
    tolerance: float,
) -> list[Row]:
    """Tangents that a point (SI by key) breaks by more than a share of what a build can lose."""
    asked: list[tuple[CarryingBuild, float, CarriedFlow | None]] = []
    for one in builds:
        laid, peak = values[one.build.laid], values[one.build.flow]
        if laid <= SOME or peak <= SOME * one.build.most:
            continue
        flows = [values[part.flow] for part in one.carried]
        asked.append((one, math.fsum(flows) / laid, None))
        asked.append((one, peak / laid, None))
        asked += [
            (one, flow / laid, part)
            for part, flow in zip(one.carried, flows, strict=True)
            if flow > SOME * one.build.most
        ]
    losses, slopes = losses_at([one.build.loss for one, _, _ in asked], [q for _, q, _ in asked])
    found: list[Row | None] = []
    for (one, flow, part), loss, slope in zip(asked, losses, slopes, strict=True):
        spare = tolerance * one.width * one.build.most
        if part is not None:
            tangents = [tangent(one, (part,), flow, loss, slope)]
        else:
            tangents = [tangent(one, one.carried, flow, loss, slope)]
            tangents += [_by_corner(one, each, flow, loss, slope) for each in one.carried]
        for terms in tangents:
            if model.value(terms, values) < -spare:
                found.append(model.scaled_row(f"friction[{one.build.flow}]", terms, low=0.0))
    return [row for row in found if row is not None]


def tangent(
    one: CarryingBuild, parts: tuple[CarriedFlow, ...], flow: float, loss: float, slope: float
) -> Terms:
    """``sum lost >= E'(q) sum carried - q^2 phi'(q) y``."""
    terms: Terms = [(1.0, part.lost) for part in parts]
    terms += [(-loss - flow * slope, part.flow) for part in parts]
    return [*terms, (flow**2 * slope, one.build.laid)]


def _by_corner(
    one: CarryingBuild, part: CarriedFlow, flow: float, loss: float, slope: float
) -> Terms:
    """``lost >= (phi - q phi') carried + phi' (M Q + B carried - M B y)``."""
    most = one.build.most
    terms: Terms = [(1.0, part.lost), (flow * slope - loss - slope * most, part.flow)]
    terms.append((-slope * part.most, one.build.flow))
    return [*terms, (slope * part.most * most, one.build.laid)]
