"""What a plan changes of the one before it, on the map: kept, changed, moved, new and lost."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from markupsafe import Markup

from allocator.network.records import Network
from allocator.plans.differences import CHANGED, KEPT, LOST, MOVED, NEW, Difference, differences
from allocator.plans.records import Plan
from allocator.report.changes import FATES, changes_table
from allocator.report.page.listing import Listing, listing_of
from allocator.report.page.placing import WIDTH, Box, Ground, Point, place_all
from allocator.report.page.svg import points, tag

SIGNS: Mapping[str, str] = {NEW: "+", LOST: "×", CHANGED: "≠", MOVED: "→"}
"""A sign beside the colour and stroke of each change."""
ASIDE = 7.0
"""Between lines of one route, picture units."""
LINE, LETTER = 14.0, 6.3
"""Height of a line of words and width of a letter, picture units."""


@dataclass(frozen=True, slots=True)
class ChangesView:
    """The drawing and its height; ``said``: how many things of each kind of change; ``keys``: sign

    and word of those that are drawn; ``hidden``: changes at places that the site no longer has;
    ``listing``: all of them.
    """

    drawing: Markup
    height: float
    said: str
    keys: tuple[tuple[str, str], ...]
    hidden: int
    listing: Listing


def changes_view(site: Network, former: Plan, plan: Plan) -> ChangesView:
    """The changes from a former plan to this one, drawn on the site as it is now."""
    found = differences(former, plan)
    ground = place_all(site)
    lines: dict[tuple[str, str], list[tuple[str, Difference]]] = {}
    words: dict[str, list[tuple[str, str]]] = {}
    hidden = 0
    for one in found:
        ends = _ends(site, one)
        if ends is not None and all(place in ground.points for place in ends[:2]):
            lines.setdefault((ends[0], ends[1]), []).append((ends[2], one))
            continue
        places = _places(site, one)
        shown = [place for place in places if place in ground.points]
        hidden += one.fate != KEPT and not shown
        for place in shown if one.fate != KEPT else ():
            words.setdefault(place, []).append((one.fate, _words(one, place == places[0])))
    drawn = [*_lines(ground, lines), *_dots(ground, words), *_said(ground, words)]
    met = Counter(one.fate for one in found)
    return ChangesView(
        Markup("").join(drawn),
        ground.height,
        ", ".join(f"{met[fate]} {fate}" for fate in FATES if met[fate]),
        tuple((SIGNS[fate], fate) for fate in FATES if fate in SIGNS and met[fate]),
        hidden,
        listing_of(changes_table(former, plan)),
    )


def _ends(site: Network, one: Difference) -> tuple[str, str, str] | None:
    """Places and route of a pipe or a power line; None for all else, and where it is gone."""
    if one.kind == "pipe":
        name = one.where.partition(",")[0]
        routes = site.corridors or site.routes
        route = routes.get(name)
        return None if route is None else (site.ground(route.start), site.ground(route.end), name)
    line = site.power_lines.get(one.what) if one.kind == "power line" else None
    return None if line is None else (line.start, line.end, "")


def _places(site: Network, one: Difference) -> tuple[str, ...]:
    """Where a thing is, and where it was if it moved; nothing where that is not known."""
    if one.kind == "source":
        source = site.sources.get(one.what)
        return () if source is None else (site.ground(source.place),)
    if one.kind == "cooler":
        corridors = site.corridors or site.routes
        route = corridors.get(one.where.partition(",")[0])
        return () if route is None else (site.ground(route.start),)
    if one.kind not in ("storage", "generator", "booster"):
        return ()
    now = (one.where.partition(",")[0],)
    return (*now, one.was) if one.fate == MOVED else now


def _words(one: Difference, here: bool) -> str:
    """A change in a few words; ``here``: where the thing is now."""
    if one.fate == MOVED:
        return f"{one.what} {f'from {one.was}' if here else f'to {one.where}'}"
    if one.fate == CHANGED and one.kind == "generator":
        return f"{one.what}, {one.before:.0f} to {one.after:.0f}"
    if one.fate == CHANGED and one.kind == "storage" and not one.was:
        return f"{one.what}, {one.after / one.before - 1:+.0%}"
    return one.what


def _lines(
    ground: Ground, lines: Mapping[tuple[str, str], list[tuple[str, Difference]]]
) -> Iterable[Markup]:
    """Kept ones first, so that changes lie on top."""
    drawn = []
    for (start, end), members in lines.items():
        for number, (route, one) in enumerate(members):
            far = ASIDE * (number - 0.5 * (len(members) - 1))
            line = _shifted(ground.line(start, end, route), far)
            title = tag("title", f"{one.fate}: {one.kind} {one.what}, {one.where or one.what}")
            path = tag("polyline", title, points=points(line), class_=f"chg {one.fate}")
            marks = [] if one.fate == KEPT else [_sign(_middle(line), one.fate)]
            drawn.append((one.fate != KEPT, tag("g", path, *marks)))
    return [shape for _, shape in sorted(drawn, key=lambda pair: pair[0])]


def _shifted(line: list[Point], far: float) -> list[Point]:
    (x1, y1), (x2, y2) = line[0], line[-1]
    long = math.hypot(x2 - x1, y2 - y1) or 1.0
    dx, dy = -(y2 - y1) / long * far, (x2 - x1) / long * far
    return [(x + dx, y + dy) for x, y in line]


def _middle(line: list[Point]) -> Point:
    before, after = line[(len(line) - 1) // 2], line[(len(line) - 1) // 2 + 1]
    return 0.5 * (before[0] + after[0]), 0.5 * (before[1] + after[1])


def _sign(at: Point, fate: str) -> Markup:
    x, y = at
    disc = tag("circle", cx=x, cy=y, r=8.0, class_=f"chg-disc {fate}")
    return disc + tag("text", SIGNS[fate], x=x, y=y + 4.0, text_anchor="middle", class_="chg-sign")


def _dots(ground: Ground, words: Mapping[str, list[tuple[str, str]]]) -> Iterable[Markup]:
    for place, (x, y) in ground.points.items():
        if place not in words:
            yield tag("circle", tag("title", place), cx=x, cy=y, r=3.0, class_="chg-dot")


def _said(ground: Ground, words: Mapping[str, list[tuple[str, str]]]) -> Iterable[Markup]:
    """At each place what changes there, one under the other, beside its name.

    Each goes right or left of its place, below or above, where it covers least of what is written.
    """
    taken: list[Box] = [
        (x - 8.0, y - 8.0, x + 8.0, y + 8.0) for x, y in (ground.points[place] for place in words)
    ]
    for place, said in words.items():
        x, y = ground.points[place]
        told = [place, *(f"{SIGNS[fate]} {text}" for fate, text in said)]
        wide, tall = LETTER * max(map(len, told)), LINE * len(told)
        boxes = [
            (left, top, left + wide, top + tall)
            for top in (y - 10.0, y - tall + 4.0, y + 6.0, y - tall - 6.0)
            for left in (x + 12.0, x - 12.0 - wide)
        ]
        best = min(boxes, key=lambda box: _covered(box, taken))
        taken.append(best)
        right = best[0] > x
        edge, anchor = (best[0], "start") if right else (best[2], "end")
        yield tag("circle", tag("title", place), cx=x, cy=y, r=5.0, class_="chg-place")
        looks = ["chg-name", *(f"chg-text {fate}" for fate, _ in said)]
        for number, (text, look) in enumerate(zip(told, looks, strict=True), 1):
            down = best[1] + LINE * number - 3.0
            yield tag("text", text, x=edge, y=down, text_anchor=anchor, class_=look)


def _covered(box: Box, taken: Iterable[Box]) -> float:
    """Area of a box that others have, and that is outside the picture."""
    x1, y1, x2, y2 = box
    outside = max(0.0, -x1) + max(0.0, x2 - WIDTH)
    return outside * (y2 - y1) + sum(
        max(0.0, min(x2, right) - max(x1, left)) * max(0.0, min(y2, low) - max(y1, high))
        for left, high, right, low in taken
    )
