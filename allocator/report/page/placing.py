"""Where things stand on the map: places scaled to the picture, labels that do not run together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from allocator.network.records import Network

WIDTH = 1000.0
EDGE = 46.0
_TALLEST = 820.0
_LOWEST = 250.0
_CELL = 60.0
_LETTER = 6.3
_LINE = 13.0

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Ground:
    """Points of places in picture units; ``scale``: units a metre (None: no coordinates).

    ``bends``: first place of a route and the points on its way from there, by name in the file.
    """

    points: Mapping[str, tuple[float, float]]
    height: float
    scale: float | None
    bends: Mapping[str, tuple[str, tuple[Point, ...]]] = field(default_factory=dict)

    def line(self, start: str, end: str, route: str = "") -> list[Point]:
        """Points from a place to another along a route."""
        first, bends = self.bends.get(route, ("", ()))
        inner = bends if start == first else bends[::-1]
        return [self.points[start], *inner, self.points[end]]


def place_all(site: Network) -> Ground:
    """Places of the site file in true proportion, north up; around a ring without coordinates."""
    names = [name for name, place in site.places.items() if not place.part_of]
    spots = {name: (site.places[name].x, site.places[name].y) for name in names}
    if len(set(spots.values())) < 2:
        return _ring(names)
    of_file = site.corridors or site.routes
    bent = {name: route for name, route in of_file.items() if route.via}
    drawn = [*spots.values(), *(point for route in bent.values() for point in route.via)]
    xs, ys = [x for x, _ in drawn], [y for _, y in drawn]
    wide, tall = max(xs) - min(xs), max(ys) - min(ys)
    scale = min(
        (WIDTH - 2 * EDGE) / wide if wide else math.inf,
        (_TALLEST - 2 * EDGE) / tall if tall else math.inf,
    )
    height = max(_LOWEST, tall * scale + 2 * EDGE)
    left = (WIDTH - wide * scale) / 2
    top = (height - tall * scale) / 2

    def picture(point: Point) -> Point:
        return left + (point[0] - min(xs)) * scale, top + (max(ys) - point[1]) * scale

    placed = {name: picture(point) for name, point in spots.items()}
    bends = {name: (route.start, tuple(map(picture, route.via))) for name, route in bent.items()}
    return Ground(placed, height, scale, bends)


def _ring(names: list[str]) -> Ground:
    height = 460.0
    across = height / 2 - EDGE
    placed = {
        name: (
            WIDTH / 2 + 1.7 * across * math.sin(2 * math.pi * k / len(names)),
            height / 2 - across * math.cos(2 * math.pi * k / len(names)),
        )
        for k, name in enumerate(names)
    }
    return Ground(placed, height, None)


Box = tuple[float, float, float, float]


def longest_piece(line: list[Point]) -> tuple[Point, Point]:
    """The longest straight piece of a line: where a label or an arrow has most room."""
    return max(pairwise(line), key=lambda piece: math.dist(*piece))


def moved_aside(line: list[Point], far: float) -> list[Point]:
    """A line with its bends moved to its left, so that runs side by side can be told apart."""
    moved = [line[0]]
    for before, point, after in zip(line, line[1:], line[2:], strict=False):
        (x1, y1), (x2, y2) = before, after
        long = math.hypot(x2 - x1, y2 - y1) or 1.0
        moved.append((point[0] - (y2 - y1) / long * far, point[1] + (x2 - x1) / long * far))
    return [*moved, line[-1]]


@dataclass(frozen=True, slots=True)
class Label:
    """Text at an offset from its place; ``minor`` ones show when the map is drawn closer."""

    place: str
    text: str
    dx: float
    dy: float
    anchor: str
    minor: bool


class Taken:
    """Boxes that are taken already, looked up by the cells of a grid."""

    def __init__(self) -> None:
        self._cells: dict[tuple[int, int], list[Box]] = {}

    def add(self, box: Box) -> None:
        """Take a box (left, top, right, bottom)."""
        for cell in _cells_of(box):
            self._cells.setdefault(cell, []).append(box)

    def free(self, box: Box) -> bool:
        """True where nothing is taken."""
        return not any(
            _meet(box, other) for cell in _cells_of(box) for other in self._cells.get(cell, ())
        )


def _cells_of(box: Box) -> Iterable[tuple[int, int]]:
    for i in range(int(box[0] // _CELL), int(box[2] // _CELL) + 1):
        for j in range(int(box[1] // _CELL), int(box[3] // _CELL) + 1):
            yield i, j


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def labels_of(
    ground: Ground, texts: Mapping[str, str], reach: Mapping[str, float], first: Iterable[str]
) -> list[Label]:
    """A label for each place: ``first`` ones get room first; what finds none is minor.

    ``reach``: half the width of the symbols at a place, which labels keep clear of.
    """
    taken = Taken()
    for name, (x, y) in ground.points.items():
        half = reach.get(name, 4.0)
        taken.add((x - half, y - 9, x + half, y + 9))
    order = [*dict.fromkeys(first), *(name for name in texts)]
    found = []
    for name in dict.fromkeys(order):
        x, y = ground.points[name]
        long, half = _LETTER * len(texts[name]), reach.get(name, 4.0)
        spots = (
            (half + 4, 4.0, "start"),
            (-half - 4, 4.0, "end"),
            (0.0, -13.0, "middle"),
            (0.0, 22.0, "middle"),
            (half, -10.0, "start"),
            (half, 19.0, "start"),
            (-half, -10.0, "end"),
            (-half, 19.0, "end"),
        )
        for dx, dy, anchor in spots:
            box = _box(x + dx, y + dy, long, anchor)
            inside = box[0] > 0 and box[2] < WIDTH and box[1] > 0 and box[3] < ground.height
            if inside and taken.free(box):
                taken.add(box)
                found.append(Label(name, texts[name], dx, dy, anchor, False))
                break
        else:
            found.append(Label(name, texts[name], half + 4, 4.0, "start", True))
    return found


def _box(x: float, y: float, long: float, anchor: str) -> Box:
    left = x - {"start": 0.0, "middle": long / 2, "end": long}[anchor]
    return (left - 1, y - _LINE + 3, left + long + 1, y + 4)
