"""A frontier as points that are plans, and steps: what is known of the amounts between them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from allocator.base.labels import head
from allocator.plans.records import Plan
from allocator.report.page.axes import Field, axis_of
from allocator.report.page.listing import Cell
from allocator.report.page.study_files import Frontier, PointShown
from allocator.report.page.svg import points, tag
from allocator.report.words import (
    ALIKE,
    STATUS_WORDS,
    gap,
    knee_words,
    money,
    power_against,
    quantity,
)
from allocator.site.addresses import given_address

PROVEN = 1e-4
"""A gap below this leaves no room to draw a bound in."""


@dataclass(frozen=True, slots=True)
class FrontierView:
    """A frontier for the page: drawings for a wide and for a narrow screen, words, a table."""

    title: str
    heads: tuple[str, ...]
    drawings: tuple[tuple[str, float, float, Markup], ...]
    said: str
    bounded: bool
    own: str
    knees: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    changes: tuple[tuple[str, str], ...]


def frontier_view(found: Frontier, plan: Plan | None = None) -> FrontierView:
    """A frontier, and the point of a plan on the same ground."""
    own = None if plan is None else _own(found, plan)
    what, given = power_words(found), given_address(found.give)
    return FrontierView(
        f"{what[0].upper()}{what[1:]} against {given}",
        (given, what, *map(head, ("bound", "gap", "status", "end_of_frontier", "audited"))),
        (
            ("wide", 1000.0, 360.0, _drawn(found, own, 1000.0, 360.0)),
            ("narrow", 360.0, 300.0, _drawn(found, own, 360.0, 300.0)),
        ),
        f"{_said(found)}; {ALIKE}" if found.alike else _said(found),
        any(_open(point) for point in found.points),
        "" if own is None else f"{given_words(found, own[0])} for {quantity(own[1], 'power')}",
        tuple(_knee(found, point) for point in found.points if point.knee is not None),
        tuple(_row(found, point) for point in found.points),
        tuple(
            (given_words(found, point.given), ", ".join(point.changes) or "amounts alone")
            for point in found.points[1:]
        ),
    )


def power_words(found: Frontier) -> str:
    """What the upright axis shows."""
    return power_against(found.give, found.basis)


def given_words(found: Frontier, value: float) -> str:
    """An amount of what is given."""
    if found.give == "money":
        return money(value, found.currency)
    return quantity(value, _dimension(found))


def _dimension(found: Frontier) -> str:
    kinds = {"money": "money", "emissions": "emission_rate", "booster_power": "power"}
    return kinds.get(found.give, "mass")


def _own(found: Frontier, plan: Plan) -> tuple[float, float] | None:
    if found.give == "money":
        given = plan.money
    elif found.give == "emissions":
        given = plan.emissions.counted
    elif found.give == "booster_power":
        given = sum(use.power for use in plan.boosters)
    else:
        used = {use.name: use.used for use in plan.materials}
        if found.give not in used:
            return None
        given = used[found.give]
    firm, power = found.basis == "firm", plan.power
    if found.give == "emissions":
        return given, power.firm_total if firm else power.mean_total
    return given, power.firm_clean if firm else power.mean_clean


def _open(point: PointShown) -> bool:
    return point.bound is not None and point.bound > point.power * (1 + PROVEN) + 1e-9


def _said(found: Frontier) -> str:
    first, last = found.points[0], found.points[-1]
    if first is last:
        return f"{given_words(found, last.given)}: {quantity(last.power, 'power')}"
    return (
        f"from {quantity(first.power, 'power')} with {given_words(found, first.given)} "
        f"to {quantity(last.power, 'power')} with {given_words(found, last.given)}"
    )


def _knee(found: Frontier, point: PointShown) -> str:
    given = given_words(found, point.given)
    return f"{given} for {quantity(point.power, 'power')}: {knee_words(point.knee or 0.0)}"


def _row(found: Frontier, point: PointShown) -> tuple[Cell, ...]:
    bound = point.bound
    named = point.end or (head("knee") if point.knee is not None else "")
    return (
        Cell(given_words(found, point.given), repr(point.given), True),
        Cell(quantity(point.power, "power"), repr(point.power), True),
        Cell("", "", False) if bound is None else Cell(quantity(bound, "power"), repr(bound), True),
        Cell("", "", False) if point.gap is None else Cell(gap(point.gap), repr(point.gap), True),
        Cell(STATUS_WORDS.get(point.status, point.status), point.status, False),
        Cell(named, named, False),
        Cell("accepted" if point.verified else "REJECTED", "", False),
    )


def _drawn(found: Frontier, own: tuple[float, float] | None, width: float, height: float) -> Markup:
    shown = [(point.given, point.power) for point in found.points]
    shown += [] if own is None else [own]
    highest = max([power for _, power in shown] + [p.bound or 0.0 for p in found.points])
    field = Field(
        axis_of(
            *(_dimension(found), 0.0, 1.06 * max(x for x, _ in shown) or 1.0),
            *(given_address(found.give), found.currency),
        ),
        axis_of("power", 0.0, 1.1 * highest or 1.0, power_words(found)),
        76.0,
        30.0,
        width - 94.0,
        height - 70.0,
    )
    narrow = width < 600
    parts = field.grid((3, 5) if narrow else (8, 5))
    parts += _bounds(field, found.points)
    parts.append(tag("polyline", points=points(_line(field, found.points)), class_="found"))
    for before, after in itertools.pairwise(found.points):
        if after.changes:
            x = field.across(after.given)
            path = f"M{x:.1f} {field.up(before.power):.1f}V{field.up(after.power):.1f}"
            parts.append(tag("path", tag("title", "; ".join(after.changes)), d=path, class_="jump"))
    for point in found.points:
        parts += _mark(field, found, point)
    if own is not None:
        x, y = field.at(*own)
        cut = f"M{x:.1f} {y - 8:.1f}l8 8l-8 8l-8 -8z"
        parts.append(tag("path", tag("title", "this plan"), d=cut, class_="chosen"))
        parts.append(_name("this plan", field, x, y - 13))
    return Markup("").join(parts)


def _line(field: Field, found: Sequence[PointShown]) -> list[tuple[float, float]]:
    line = [field.at(found[0].given, found[0].power)]
    for before, after in itertools.pairwise(found):
        # with less than the next point takes, what is known is the one before
        line.append(field.at(after.given, before.power))
        line.append(field.at(after.given, after.power))
    line.append(field.at(field.x.high, found[-1].power))
    return line


def _bounds(field: Field, found: Sequence[PointShown]) -> list[Markup]:
    """No plan with less than a point takes passes its bound: steps, where there is a gap."""
    if not any(_open(point) for point in found):
        return []
    corners: list[tuple[float, float]] = []
    start = 0.0
    for point in found:
        bound = point.power if point.bound is None else point.bound
        corners += [field.at(start, bound), field.at(point.given, bound)]
        start = point.given
    corners.append((field.left + field.wide, corners[-1][1]))
    return [tag("polyline", points=points(corners), class_="bound")]


def _mark(field: Field, found: Frontier, point: PointShown) -> list[Markup]:
    x, y = field.at(point.given, point.power)
    said = f"{given_words(found, point.given)}: {quantity(point.power, 'power')}"
    if point.knee is None:
        return [tag("circle", tag("title", said), cx=x, cy=y, r=3.6, class_="dot")]
    knee = tag("circle", tag("title", f"{said}, a knee"), cx=x, cy=y, r=6.0, class_="knee")
    return [knee, _name(head("knee"), field, x, y - 10)]


def _name(words: str, field: Field, x: float, y: float) -> Markup:
    """Words above a point, to its left where there is more room."""
    end = x > field.left + 0.5 * field.wide
    anchor = "end" if end else "start"
    return tag("text", words, x=x + 6 if end else x - 6, y=y, class_="name", text_anchor=anchor)
