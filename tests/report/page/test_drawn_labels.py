"""Names in a picture of a site: no line of the picture crosses one, and no two run together."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from itertools import combinations
from pathlib import Path

import pytest

from allocator.network.reading import read_site
from allocator.report.page.clear_labels import crosses
from allocator.report.page.drawing import site_svg

NETWORKS = Path(__file__).parents[3] / "networks"
SITES = [p for p in sorted(NETWORKS.glob("*.yaml")) if p.stem != "dry_valley"]
SVG = "{http://www.w3.org/2000/svg}"
LETTER, TALL = 5.6, 9.0
"""Mean width of a letter and its height in a sans-serif font of 11 px."""


def points_along(path: str) -> list[tuple[float, float]]:
    """Points of a line or of a bend (a quadratic Bezier curve), close together."""
    numbers = [float(n) for n in re.findall(r"-?[\d.]+", path)]
    ends = list(zip(numbers[::2], numbers[1::2], strict=True))
    if len(ends) == 2:
        ends = [ends[0], tuple((a + b) / 2 for a, b in zip(*ends, strict=True)), ends[1]]  # type: ignore[list-item]
    (x0, y0), (x1, y1), (x2, y2) = ends
    steps = [k / 400 for k in range(401)]
    return [
        (
            (1 - t) ** 2 * x0 + 2 * t * (1 - t) * x1 + t * t * x2,
            (1 - t) ** 2 * y0 + 2 * t * (1 - t) * y1 + t * t * y2,
        )
        for t in steps
    ]


@pytest.mark.parametrize("path", SITES, ids=[path.stem for path in SITES])
def test_no_line_crosses_a_name(path: Path) -> None:
    site = read_site(path)
    root = ET.fromstring(site_svg(site))
    groups = {g.get("class"): g for g in root.iter(f"{SVG}g")}
    boxes = {}
    for text in groups["names"].iter(f"{SVG}text"):
        x, y = float(text.get("x", "")), float(text.get("y", ""))
        boxes[str(text.text)] = (x, y - TALL, x + LETTER * len(str(text.text)), y + 1)
    lines = [
        points_along(str(p.get("d")))
        for name in ("unbuilt", "runs", "lines")
        for p in groups[name].iter(f"{SVG}path")
        if re.fullmatch(r"M[-\d. ]+[LQ][-\d. ]+", str(p.get("d")))
    ]
    lines += [
        points_along(f"M{e.get('x1')} {e.get('y1')}L{e.get('x2')} {e.get('y2')}")
        for e in groups["names"].iter(f"{SVG}line")
    ]
    assert len(boxes) == len(site.places)  # none is left out on these sites
    assert len(lines) >= len(site.routes)
    for name, (left, top, right, bottom) in boxes.items():
        for line in lines:
            assert not any(left < x < right and top < y < bottom for x, y in line), name
    for (one, a), (two, b) in combinations(boxes.items(), 2):
        apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
        assert apart, (one, two)


def test_crossing() -> None:
    box = (0.0, 0.0, 10.0, 5.0)
    assert crosses((-5.0, 2.0, 15.0, 2.0), box)
    assert crosses((1.0, 1.0, 2.0, 2.0), box)  # within
    assert crosses((-1.0, 3.0, 2.0, 6.0), box)  # a corner
    assert not crosses((-5.0, 6.0, 15.0, 6.0), box)
    assert not crosses((-2.0, 4.0, 1.0, 7.5), box)
    assert not crosses((12.0, -5.0, 12.0, 15.0), box)
