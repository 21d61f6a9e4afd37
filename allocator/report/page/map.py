"""The site map: places in true proportion, what is built, what it carries, what is not built."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from markupsafe import Markup

from allocator.network.records import Network
from allocator.plans.records import BoosterUse, Plan, Run
from allocator.report.loads import corridor_of, line_peak, run_ends, run_peak, runs_of_kind
from allocator.report.page import symbols
from allocator.report.page.colours import DASHES, fluids_shown
from allocator.report.page.details import (
    Details,
    battery_facts,
    machine_facts,
    pipe_facts,
    source_facts,
    store_facts,
    used_share,
)
from allocator.report.page.figures import LAYERS, PageFigures, emits
from allocator.report.page.placing import WIDTH, Ground, Label, labels_of, place_all
from allocator.report.page.svg import number, tag, ticks
from allocator.report.words import percent, plain, quantity
from allocator.site.records import POWER, Source

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
    drawn, reach, ranks, stood = _symbols(figures, ground, legend, details, faint)
    labels = _labels(stood, reach)
    parts.append(tag("g", *(tag("g") for _ in pipe_labels), class_="pipe-labels"))
    parts.append(tag("g", *drawn, class_="things"))
    parts.append(tag("g", *(_label(stood, k, reach[k.place]) for k in labels), class_="labels"))
    parts.append(_bar(ground))
    scaled = ground.scale is not None
    hot = {site.ground(source.place) for source in site.sources.values() if _hot(source)}
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
    ends = [run_ends(site, run) for run in runs_of_kind(site, plan, "pipe")]
    ends += [
        (site.power_lines[use.name].start, site.power_lines[use.name].end) for use in plan.lines
    ]
    for start, end in dict.fromkeys((site.ground(a), site.ground(b)) for a, b in ends):
        yield (*_rounded(ground.points[start]), *_rounded(ground.points[end]))


def _between(ground: Ground, start: str, end: str, bend: float = 0.0) -> str:
    """A path from place to place; runs side by side bend away from each other."""
    (x1, y1), (x2, y2) = ground.points[start], ground.points[end]
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
            ("from, to", f"{start}, {end}"),
            ("length", quantity(route.length, "length")),
            ("builds allowed", ", ".join(route.pipes)),
        ]
        key = details.add(f"{name}: not built", facts, f"pipe:{name}")
        yield tag("path", d=_between(ground, start, end), class_="faint thing", data_k=key)
    used = {use.name for use in plan.lines}
    for line in site.power_lines.values():
        if line.name not in used:
            facts = [("length", quantity(line.length, "length"))]
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
        name = f"pipe:{corridor_of(site.routes[run.route])}"
        key = details.add(*pipe_facts(figures, run, start, end), name)
        numbers[run.route, run.fluid] = key
        ends = (*_rounded(ground.points[start]), *_rounded(ground.points[end]))
        labels.append((*ends, bend, *_pipe_texts(figures, run)))
        path = _between(ground, start, end, bend)
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
    """Build, mean flow and share of capacity; the last of them alone where there is less room."""
    flow = quantity(figures.run_rate(run, "mean"), "mass_rate")
    share = percent(used_share(figures.site, run))
    return f"{run.build}  {flow}  {share}", f"{run.build}  {share}", run.build


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
        (x1, y1), (x2, y2) = ground.points[start], ground.points[end]
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
            ("from, to", f"{line.start} to {line.end}"),
            ("line", "new" if use.new else "existing"),
            ("length", quantity(line.length, "length")),
            ("mean power", quantity(sent, "power")),
            ("share of capacity", percent(line_peak(site, use) / line.capacity)),
            ("capacity", quantity(line.capacity, "power")),
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


Row = list[tuple[Markup, str, int]]
"""Symbols at one place: the drawing, its class, and the number of what the card says."""

PITCH = 24.0
"""From symbol to symbol at one place, picture units."""


def _symbols(
    figures: PageFigures, ground: Ground, legend: dict[str, int], details: Details, faint: bool
) -> tuple[list[Markup], dict[str, float], dict[str, int], Ground]:
    """Symbols in a row at each place, half the width of each row, and the rank of each place.

    Last, where the rows stand: at their places, or further in where one would be cut.
    """
    site, plan = figures.site, figures.plan
    rows: dict[str, Row] = {name: [] for name in ground.points}
    tapped = {use.name for use in plan.sources if use.tapped}
    for source in site.own_sources.values():
        connected = source.name in tapped
        mark = symbols.source(figures.duty[source.name], connected, _hot(source))
        look = f"source c{legend[source.fluid]} {'tapped' if connected else 'untapped'}"
        key = details.add(*source_facts(figures, source, connected), f"source:{source.name}")
        rows[site.ground(source.place)].append((mark, look, key))
    _built(site, plan, rows, legend, details)
    ranks = {name: _rank(row) for name, row in rows.items()}
    if faint:
        _could_be(site, plan, rows, legend, details)
    found, reach, stood = [], {}, {}
    for name, row in rows.items():
        x, y = ground.points[name]
        reach[name] = max(4.0, PITCH / 2 * len(row))
        x = min(max(x, min(reach[name] + 2, WIDTH / 2)), max(WIDTH - reach[name] - 2, WIDTH / 2))
        stood[name] = (x, y)
        move = f"translate({number(x)} {number(y)})"
        if not row:
            ranks[name] = 3
            key = details.add(name, [("place", "nothing is built here")], f"place:{name}")
            dot = tag("g", tag("circle", r=2.6), class_="fixed")
            found.append(tag("g", dot, transform=move, class_="spot thing", data_k=key))
            continue
        items = [
            tag(
                "g",
                tag("circle", r=11, class_="halo"),
                mark,
                transform=f"translate({number(PITCH * (k - (len(row) - 1) / 2))} 0)",
                class_=f"thing {kind}",
                data_k=key,
            )
            for k, (mark, kind, key) in enumerate(row)
        ]
        fixed = tag("g", *items, class_="fixed built" if ranks[name] == 0 else "fixed")
        found.append(tag("g", fixed, transform=move))
    return found, reach, ranks, Ground(stood, ground.height, ground.scale)


def _rank(row: Row) -> int:
    """0 where something is built or connected, 1 where only sources are, 2 where nothing is."""
    if any("untapped" not in look for _, look, _ in row):
        return 0
    return 1 if row else 2


def _built(
    site: Network, plan: Plan, rows: dict[str, Row], legend: dict[str, int], details: Details
) -> None:
    for store in plan.stores:
        if store.size > 0:
            key = details.add(*store_facts(site, plan, store.name), f"store:{plain(store.name)}")
            look = f"store c{legend[store.holds]}"
            rows[site.ground(store.place)].append((symbols.store(), look, key))
    for battery in plan.batteries:
        if battery.size > 0:
            key = details.add(*battery_facts(plan, battery.name), f"store:{battery.name}")
            rows[site.ground(battery.place)].append((symbols.battery(), "battery", key))
    for machine in plan.machines:
        if machine.count > 0:
            name = f"machine:{plain(machine.name)}"
            key = details.add(*machine_facts(site, plan, machine.name), name)
            mark, look = _machine(site, machine.type, machine.count)
            rows[site.ground(machine.place)].append((mark, look, key))
    for kind, mark in (("cooler", symbols.cooler()), ("sink", symbols.heat_sink())):
        for run in runs_of_kind(site, plan, kind):
            route = site.routes[run.route]
            facts = [
                ("cools", run.fluid),
                ("build", f"{run.build}, {'new' if run.new else 'existing'}"),
                ("peak flow", quantity(run_peak(site, run), "mass_rate")),
            ]
            place = site.ground(route.start)
            key = details.add(f"{run.build} at {place}", facts, f"cooler:{corridor_of(route)}")
            rows[place].append((mark, "cooler", key))

    for use in plan.boosters:
        place = site.ground(use.start)
        facts = [
            ("fluid", use.fluid),
            ("into", f"store {plain(use.store)}" if use.store else f"pipe {_corridor(site, use)}"),
            ("booster", "new" if use.new else "existing"),
            ("peak flow", quantity(use.flow, "mass_rate")),
            ("power at this flow", quantity(use.power, "power")),
        ]
        key = details.add(f"{use.booster} at {place}", facts, f"booster:{use.booster}@{place}")
        rows[place].append((symbols.booster(), "booster", key))


def _corridor(site: Network, use: BoosterUse) -> str:
    return corridor_of(site.routes[use.route])


def _machine(site: Network, kind: str, units: int | None) -> tuple[Markup, str]:
    """The symbol of a machine type and its class."""
    if site.machines[kind].power_out <= 0:
        return symbols.converter(units), "machine"
    emitting = emits(site, kind)
    return symbols.generator(units, emitting), f"machine {'emitting' if emitting else 'clean'}"


def _could_be(
    site: Network, plan: Plan, rows: dict[str, Row], legend: dict[str, int], details: Details
) -> None:
    """Stores and machines that could be built and are not, one symbol a kind and place."""
    built = {plain(use.name) for use in plan.stores if use.size > 0}
    built |= {use.name for use in plan.batteries if use.size > 0}
    built |= {plain(use.name) for use in plan.machines if use.count > 0}
    for store in site.storage.values():
        power = store.holds == POWER
        most = quantity(store.max_size, "energy" if power else "mass")
        for place in store.places:
            at = site.ground(place)
            name = f"{store.name}@{at}"
            if name in built:
                continue
            built.add(name)
            mark, look = symbols.battery(), "battery"
            if not power:
                mark, look = symbols.store(), f"store c{legend[store.holds]}"
            facts = [("size", f"{most} of {store.holds} at most")]
            key = details.add(f"{store.name} at {at}: not built", facts, f"store:{name}")
            rows[at].append((mark, f"{look} unused", key))
    for machine in site.machines.values():
        for place, most_units in machine.places.items():
            at = site.ground(place)
            name = f"{machine.name}@{at}"
            if name in built:
                continue
            built.add(name)
            facts = [("unit limit", "none" if most_units is None else str(most_units))]
            key = details.add(f"{machine.name} at {at}: not built", facts, f"machine:{name}")
            mark, look = _machine(site, machine.name, None)
            rows[at].append((mark, f"{look} unused", key))


def _hot(source: Source) -> bool:
    return source.temperature is not None and source.temperature > 333.15


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
    metres = ticks(WIDTH / ground.scale / 5, 2)[-1]
    long = metres * ground.scale
    x, y = 16.0, ground.height - 16.0
    mark = f"M{number(x)} {number(y - 4)}v8M{number(x)} {number(y)}h{number(long)}m0 -4v8"
    words = tag("text", quantity(metres, "length"), x=4, y=-7)
    fixed = tag("g", words, class_="fixed")
    place = tag("g", fixed, transform=f"translate({number(x)} {number(y)})")
    return tag("g", tag("path", d=mark), place, class_="scale")
