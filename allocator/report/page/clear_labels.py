"""Names of places in a picture, where no line crosses them: far ones with a leader line."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

from allocator.report.page.placing import WIDTH, Ground

LETTER = 6.3
LINE = 13.0
"""Width of a letter and height of a line, picture units: somewhat more than the font takes."""
_NUMBER = r"(-?[\d.]+)"
_PATH = re.compile(
    rf'd="M{_NUMBER} {_NUMBER}(?:((?:L{_NUMBER} {_NUMBER})+)|'
    rf'Q{_NUMBER} {_NUMBER} {_NUMBER} {_NUMBER})"'
)
_STEPS = 12
"""Straight pieces in place of a bent line."""

Box = tuple[float, float, float, float]
Segment = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class ClearLabel:
    """Text in a box (left, top, right, bottom), and its leader line where it is far off."""

    place: str
    text: str
    box: Box
    leader: Segment | None


def segments_of(drawing: str) -> list[Segment]:
    """All lines of a drawing that run from place to place, bent ones in straight pieces."""
    found: list[Segment] = []
    for match in _PATH.finditer(drawing):
        x1, y1 = float(match[1]), float(match[2])
        if match[3] is not None:
            numbers = [float(part) for part in re.findall(_NUMBER, match[3])]
            bends = [(x1, y1), *zip(numbers[::2], numbers[1::2], strict=True)]
            found += [(*a, *b) for a, b in pairwise(bends)]
            continue
        mx, my, x2, y2 = (float(part) for part in match.groups()[-4:])
        points = [
            (
                (1 - t) ** 2 * x1 + 2 * t * (1 - t) * mx + t * t * x2,
                (1 - t) ** 2 * y1 + 2 * t * (1 - t) * my + t * t * y2,
            )
            for t in (k / _STEPS for k in range(_STEPS + 1))
        ]
        found += [(*a, *b) for a, b in pairwise(points)]
    return found


def clear_labels(
    ground: Ground,
    texts: Mapping[str, str],
    symbols: Mapping[str, Box],
    lines: Iterable[Segment],
    kept: Iterable[Box] = (),
) -> list[ClearLabel]:
    """A label for each place that meets no line, no symbol, no other label and no leader.

    The nearest free room is taken. A place for which there is none in the picture has no label.
    ``symbols``: what is drawn at each place; ``kept``: boxes that stay free.
    """
    segments, boxes = list(lines), [*symbols.values(), *kept]
    labels: list[ClearLabel] = []
    for name, text in texts.items():
        own = symbols[name]
        for box, leader in _spots(ground.points[name], own, LETTER * len(text) + 2):
            inside = box[0] >= 0 and box[2] <= WIDTH and box[1] >= 0 and box[3] <= ground.height
            if not inside or any(_overlap(box, other) for other in boxes):
                continue
            if any(crosses(line, box) for line in segments):
                continue
            if leader is not None and any(
                crosses(leader, other) for other in boxes if other is not own
            ):
                continue
            labels.append(ClearLabel(name, text, box, leader))
            boxes.append(box)
            if leader is not None:
                segments.append(leader)
            break
    return labels


def _spots(
    point: tuple[float, float], own: Box, long: float
) -> Iterator[tuple[Box, Segment | None]]:
    """Boxes for a label, nearest first: beside the symbols, then around them with a leader."""
    x, y = point
    left, top, right, bottom = own
    for x0, y0 in (
        (right + 3, y - LINE / 2),
        (left - 3 - long, y - LINE / 2),
        (x - long / 2, top - 2 - LINE),
        (x - long / 2, bottom + 2),
        (right, top - LINE),
        (right, bottom),
        (left - long, top - LINE),
        (left - long, bottom),
    ):
        yield (x0, y0, x0 + long, y0 + LINE), None
    for ring in range(1, 60):
        far = 14.0 * ring
        for step in range(16):
            turn = 2 * math.pi * step / 16
            cx = x + (far + (right - left) / 2) * math.cos(turn)
            cy = y + (far + 10) * math.sin(turn)
            x0 = (
                cx
                if math.cos(turn) > 0.3
                else cx - long
                if math.cos(turn) < -0.3
                else cx - long / 2
            )
            box = (x0, cy - LINE / 2, x0 + long, cy + LINE / 2)
            end = (min(max(x, box[0]), box[2]), min(max(y, box[1]), box[3]))
            start = (min(max(end[0], left), right), min(max(end[1], top), bottom))
            yield box, (*start, *end)


def _overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def crosses(line: Segment, box: Box) -> bool:
    """Whether a straight line has a point within a box (Liang and Barsky, 1984)."""
    x, y, dx, dy = line[0], line[1], line[2] - line[0], line[3] - line[1]
    first, last = 0.0, 1.0
    for step, room in (
        (-dx, x - box[0]),
        (dx, box[2] - x),
        (-dy, y - box[1]),
        (dy, box[3] - y),
    ):
        if step == 0.0:
            if room <= 0.0:
                return False
        elif step < 0.0:
            first = max(first, room / step)
        else:
            last = min(last, room / step)
    return first < last
