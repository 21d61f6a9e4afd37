"""The site map: places in true proportion, what is built, what it carries, what is not built."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from markupsafe import Markup

from allocator.base.labels import head
from allocator.network.records import Network
from allocator.plans.records import Plan, Run
from allocator.report.loads import corridor_of, line_peak, run_ends, runs_of_kind
from allocator.report.page.colours import DASHES, fluids_shown
from allocator.report.page.details import (
    Details,
    pipe_facts,
    status,
    used_share,
)
from allocator.report.page.figures import LAYERS, PageFigures
from allocator.report.page.map_symbols import is_hot, symbols_of
from allocator.report.page.placing import (
    WIDTH,
    Ground,
    Label,
    labels_of,
    longest_piece,
    moved_aside,
    place_all,
)
from allocator.report.page.svg import number, round_at_most, tag
from allocator.report.words import percent, quantity

WIDEST = 11.0
"""Stroke of the greatest flow, picture units; the square root of a flow sets the width."""

THINNEST = 2.0
"""Stroke of a pipe that carries nothing in the layer shown: what is laid is never faint."""

PipeLabel = tuple[float, float, float, float, float, str, str, str]
"""Ends of a pipe, its bend, and its label in full, shorter and shortest."""


@dataclass(frozen=True)
class Map:
    """The drawing, its height, and the texts of the card. ``legend``: fluid -> its number.

    ``scaled``: places have coordinates. ``crowd``: size of symbols where there are many, 1 or less.
    ``labels``: x, y, half the width of the symbols and rank of each label's place, in their order;
    rank 0: something is built or connected, 1: a source, 2: only what could be, 3: nothing; then
    1 where plumes stand above a hot source; last, the place's number among the symbols.
    ``laid``: ends of all that is laid, which labels keep off.
    ``pipe_labels``: of each pipe, in the order of ``.run`` in the drawing.
    ``run_numbers``: (route, fluid) of a pipe -> number of its thing.
    ``stood``: where the symbols of each place stand; pipes end at the places themselves.
    """

    drawing: Markup
    height: float
    details: Details
    legend: dict[str, int]
    scaled: bool
    crowd: float
    labels: list[tuple[float, float, float, int, int, int]]
    laid: list[tuple[float, float, float, float]]
    pipe_labels: list[PipeLabel]
    run_numbers: dict[tuple[str, str], int]
    stood: Ground


def map_of(figures: PageFigures, faint: bool = True) -> Map:
    """The map of a plan. ``faint``: also show what could have been built and was not."""
    site, plan = figures.site, figures.plan
    ground, details = place_all(site), Details()
    legend = fluids_shown(site, plan)
    unbuilt = tag("g", *(_not_laid(site, plan, ground, details) if faint else ()), class_="unbuilt")
    pipe_labels: list[PipeLabel] = []
    run_numbers: dict[tuple[str, str], int] = {}
    runs = tag("g", *_runs(figures, ground, details, pipe_labels, run_numbers), class_="runs")
    parts = [unbuilt, runs, tag("g", *_lines(site, plan, ground, details), class_="lines")]
    drawn, reach, ranks, stood = symbols_of(figures, ground, legend, details, faint)
    labels = _labels(stood, reach)
    parts.append(tag("g", *(tag("g") for _ in pipe_labels), class_="pipe-labels"))
    parts.append(tag("g", *drawn, class_="things"))
    parts.append(tag("g", *(_label(stood, k, reach[k.place]) for k in labels), class_="labels"))
    parts.append(_bar(ground))
    scaled = ground.scale is not None
    hot = {site.ground(source.place) for source in site.sources.values() if is_hot(source)}
    numbers = {name: number for number, name in enumerate(ground.points)}
    crowd = max(0.45, min(1.0, math.sqrt(250.0 / len(details.things)))) if details.things else 1.0
    return Map(
        Markup("").join(parts),
        ground.height,
        details,
        legend,
        scaled,
        crowd,
        [
            (
                *_rounded(stood.points[k.place]),
                reach[k.place],
                ranks[k.place],
                int(k.place in hot),
                numbers[k.place],
            )
            for k in labels
        ],
        list(_laid(site, plan, ground)),
        pipe_labels,
        run_numbers,
        stood,
    )


def _rounded(point: tuple[float, float]) -> tuple[float, float]:
    return round(point[0], 1), round(point[1], 1)


def _laid(site: Network, plan: Plan, ground: Ground) -> Iterable[tuple[float, float, float, float]]:
    lines = [
        (*run_ends(site, run), corridor_of(site.routes[run.route]))
        for run in runs_of_kind(site, plan, "pipe")
    ]
    used = [site.power_lines[use.name] for use in plan.lines]
    lines += [(line.start, line.end, "") for line in used]
    pieces = {
        (*_rounded(one), *_rounded(other)): None
        for start, end, corridor in lines
        for one, other in pairwise(ground.line(site.ground(start), site.ground(end), corridor))
    }
    yield from pieces


def _between(ground: Ground, start: str, end: str, bend: float = 0.0, corridor: str = "") -> str:
    """A path from place to place; runs side by side bend away from each other."""
    line = ground.line(start, end, corridor)
    if len(line) > 2:
        aside = moved_aside(line, bend / 4)
        return "M" + "L".join(f"{number(x)} {number(y)}" for x, y in aside)
    (x1, y1), (x2, y2) = line
    if not bend:
        return f"M{number(x1)} {number(y1)}L{number(x2)} {number(y2)}"
    long = math.hypot(x2 - x1, y2 - y1) or 1.0
    mx = (x1 + x2) / 2 - (y2 - y1) / long * bend
    my = (y1 + y2) / 2 + (x2 - x1) / long * bend
    return f"M{number(x1)} {number(y1)}Q{number(mx)} {number(my)} {number(x2)} {number(y2)}"


def _not_laid(site: Network, plan: Plan, ground: Ground, details: Details) -> Iterable[Markup]:
    laid = {corridor_of(site.routes[run.route]) for run in plan.runs}
    done: set[str] = set()
    for route in site.routes.values():
        name = corridor_of(route)
        if name in laid or name in done:
            continue
        if route.stream is not None and route.stream.kind != "pipe":
            continue
        done.add(name)
        start, end = site.ground(route.start), site.ground(route.end)
        facts = [
            (head("start"), start),
            (head("end"), end),
            (head("length"), quantity(route.length, "length")),
            (head("builds"), ", ".join(route.pipes)),
        ]
        key = details.add(f"{name}: not built", facts, f"pipe:{name}")
        yield tag(
            "path", d=_between(ground, start, end, corridor=name), class_="faint thing", data_k=key
        )
    used = {use.name for use in plan.lines}
    for line in site.power_lines.values():
        if line.name not in used:
            facts = [(head("length"), quantity(line.length, "length"))]
            key = details.add(f"{line.name}: power line, not built", facts, f"line:{line.name}")
            path = _between(ground, line.start, line.end, 14.0)
            yield tag("path", d=path, class_="faint thing", data_k=key)


def _runs(
    figures: PageFigures,
    ground: Ground,
    details: Details,
    labels: list[PipeLabel],
    numbers: dict[tuple[str, str], int],
) -> Iterable[Markup]:
    """The pipes; their labels and the numbers of their things are noted."""
    site = figures.site
    legend = fluids_shown(site, figures.plan)
    runs = list(runs_of_kind(site, figures.plan, "pipe"))
    most = {
        layer: max((_weight(figures, run, layer) for run in runs), default=0.0) for layer in LAYERS
    }
    beside: dict[frozenset[str], int] = {}
    for run in runs:
        start, end = (site.ground(place) for place in run_ends(site, run))
        pair = frozenset((start, end))
        bend = _BENDS[beside.get(pair, 0) % len(_BENDS)]
        beside[pair] = beside.get(pair, 0) + 1
        if tuple(sorted(pair)) != (start, end) and len(pair) == 2:
            bend = -bend  # the same side whichever way it flows
        corridor = corridor_of(site.routes[run.route])
        name = f"pipe:{corridor}"
        key = details.add(*pipe_facts(figures, run, start, end), name)
        numbers[run.route, run.fluid] = key
        piece = longest_piece(moved_aside(ground.line(start, end, corridor), bend / 4))
        ends = (*_rounded(piece[0]), *_rounded(piece[1]))
        labels.append((*ends, bend, *_pipe_texts(figures, run)))
        path = _between(ground, start, end, bend, corridor)
        widths = {layer: _wide(_weight(figures, run, layer), most[layer]) for layer in LAYERS}
        style = ";".join(f"--{layer}:{number(width)}" for layer, width in widths.items())
        insulated = len(site.pipes[run.build].layers) > 1
        colour = legend[run.fluid]
        yield tag(
            "g",
            *([tag("path", d=path, class_="casing")] if insulated else []),
            tag("path", d=path, class_="pipe", stroke_dasharray=DASHES[colour] or None),
            tag("path", d=path, class_="grip"),
            *_arrows(run, ground, site, bend),
            class_=f"run thing c{colour}",
            style=style,
            data_k=key,
        )


def _wide(weight: float, most: float) -> float:
    if not (most > 0 and weight > 0):
        return THINNEST
    return THINNEST + (WIDEST - THINNEST) * math.sqrt(weight / most)


def _pipe_texts(figures: PageFigures, run: Run) -> tuple[str, str, str]:
    """Build, mean flow and share of capacity at peak; less of it where there is less room."""
    flow = quantity(figures.run_rate(run, "mean"), "mass_rate")
    share = percent(used_share(figures, run))
    at_peak = f"{share} at peak"
    return f"{run.build}  {flow} mean, {at_peak}", f"{run.build}  {at_peak}", run.build


_BENDS = (0.0, 26.0, -26.0, 52.0, -52.0)


def _weight(figures: PageFigures, run: Run, layer: str) -> float:
    """What a run carries, so that fluids compare: W of heating value, else 1 MW a kg/s."""
    return figures.run_rate(run, layer) * (figures.worth(run.fluid) or 1e6)


def _arrows(run: Run, ground: Ground, site: Network, bend: float) -> Iterable[Markup]:
    """A head at the middle for each way that a layer flows."""
    shown: dict[tuple[str, str], list[str]] = {}
    for flow in run.flows:
        ends = (site.ground(flow.start), site.ground(flow.end))
        names = shown.setdefault(ends, [])
        if flow.layer not in names:
            names.append(flow.layer)
    base = run_ends(site, run)
    forth = (site.ground(base[0]), site.ground(base[1]))
    for (start, end), layers in shown.items():
        line = ground.line(start, end, corridor_of(site.routes[run.route]))
        (x1, y1), (x2, y2) = longest_piece(line)
        long = math.hypot(x2 - x1, y2 - y1)
        if long < 1e-9:
            continue
        side = bend if (start, end) == forth else -bend
        shift = 0.0 if len(shown) == 1 else 0.14
        x = x1 + (x2 - x1) * (0.5 + shift) - (y2 - y1) / long * side / 2
        y = y1 + (y2 - y1) * (0.5 + shift) + (x2 - x1) / long * side / 2
        turn = math.degrees(math.atan2(y2 - y1, x2 - x1))
        head = tag("path", d="M-5 -5L6 0L-5 5Z", class_="head")
        shows = " ".join(f"on-{layer}" for layer in (*layers, "mean"))
        yield tag(
            "g",
            tag("g", head, class_="fixed"),
            transform=f"translate({number(x)} {number(y)}) rotate({number(turn)})",
            class_=f"arrow {shows}",
        )


def _lines(site: Network, plan: Plan, ground: Ground, details: Details) -> Iterable[Markup]:
    for use in plan.lines:
        line = site.power_lines[use.name]
        sent = sum(flow[4] for flow in use.flows)
        facts = [
            (head("start"), line.start),
            (head("end"), line.end),
            (head("status_of_thing"), status(use.new)),
            (head("length"), quantity(line.length, "length")),
            (head("mean_power"), quantity(sent, "power")),
            (head("used_share"), percent(line_peak(site, use) / line.capacity)),
            (head("capacity"), quantity(line.capacity, "power")),
        ]
        key = details.add(f"{use.name}: power line", facts, f"line:{use.name}")
        path = _between(ground, line.start, line.end, 14.0)
        yield tag(
            "g",
            tag("path", d=path, class_="power"),
            tag("path", d=path, class_="grip"),
            class_="thing line",
            data_k=key,
        )


def _labels(ground: Ground, reach: dict[str, float]) -> list[Label]:
    texts = {name: name if len(name) <= 26 else f"{name[:25]}…" for name in ground.points}
    return labels_of(ground, texts, reach, sorted(texts, key=lambda name: -reach[name]))


def _label(ground: Ground, label: Label, reach: float) -> Markup:
    x, y = ground.points[label.place]
    rank = "minor" if label.minor else "lesser" if reach < 15 else None
    text = tag("text", label.text, x=label.dx, y=label.dy, text_anchor=label.anchor)
    fixed = tag("g", text, class_="fixed")
    return tag("g", fixed, transform=f"translate({number(x)} {number(y)})", class_=rank)


def _bar(ground: Ground) -> Markup:
    """A scale bar of round length, which is drawn in the picture and so grows with it."""
    if ground.scale is None:
        return Markup("")
    metres = round_at_most(WIDTH / ground.scale / 5)
    long = metres * ground.scale
    x, y = 16.0, ground.height - 16.0
    mark = f"M{number(x)} {number(y - 4)}v8M{number(x)} {number(y)}h{number(long)}m0 -4v8"
    words = tag("text", quantity(metres, "length"), x=4, y=-7)
    fixed = tag("g", words, class_="fixed")
    place = tag("g", fixed, transform=f"translate({number(x)} {number(y)})")
    return tag("g", tag("path", d=mark), place, class_="scale")
