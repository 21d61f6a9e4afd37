"""The site map: places in true proportion, what is built, what it carries, what is not built."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from markupsafe import Markup

from allocator.network.records import Network
from allocator.plans.records import Plan, Run
from allocator.report.loads import corridor_of, run_ends, run_peak, runs_of_kind
from allocator.report.page.colours import DASHES, fluids_shown
from allocator.report.page.figures import LAYERS, PageFigures
from allocator.report.page.placing import WIDTH, Ground, Label, labels_of, place_all
from allocator.report.page.svg import number, tag, ticks
from allocator.report.words import count, destination, percent, quantity, shape
from allocator.site.records import POWER, Source

WIDEST = 11.0
"""Stroke of the greatest flow, picture units; the square root of a flow sets the width."""


@dataclass
class Details:
    """What the panel says of each thing of the map: a heading, then pairs of words."""

    things: list[tuple[str, list[tuple[str, str]]]] = field(default_factory=list)

    def add(self, heading: str, facts: Iterable[tuple[str, str]]) -> int:
        """Note a thing; its number."""
        self.things.append((heading, list(facts)))
        return len(self.things) - 1


@dataclass(frozen=True)
class Map:
    """The drawing, its height, and the panel's texts. ``legend``: fluid -> its number.

    ``scaled``: places have coordinates. ``crowd``: size of symbols where there are many, 1 or less.
    ``labels``: x, y, half the width of the symbols and rank of each label's place, in their order;
    rank 0: something is built or tapped, 1: a source, 2: only what could be, 3: nothing; last,
    1 where plumes stand above a hot source.
    ``laid``: ends of all that is laid, which labels keep off.
    """

    drawing: Markup
    height: float
    details: Details
    legend: dict[str, int]
    scaled: bool
    crowd: float
    labels: list[tuple[float, float, float, int, int]]
    laid: list[tuple[float, float, float, float]]


def map_of(figures: PageFigures, faint: bool = True) -> Map:
    """The map of a plan. ``faint``: also show what could have been built and was not."""
    site, plan = figures.site, figures.plan
    ground, details = place_all(site), Details()
    legend = fluids_shown(site, plan)
    parts = [
        tag("g", *(_not_laid(site, plan, ground, details) if faint else ()), class_="unbuilt"),
        tag("g", *_runs(figures, ground, legend, details), class_="runs"),
        tag("g", *_lines(site, plan, ground, details), class_="lines"),
    ]
    symbols, reach, ranks = _symbols(figures, ground, legend, details, faint)
    labels = _labels(ground, reach)
    drawn = [_label(ground, label, reach[label.place]) for label in labels]
    parts += [tag("g", *symbols, class_="things"), tag("g", *drawn, class_="labels")]
    parts.append(_bar(ground))
    scaled = ground.scale is not None
    hot = {site.ground(source.place) for source in site.sources.values() if _hot(source)}
    crowd = max(0.45, min(1.0, math.sqrt(250.0 / len(details.things)))) if details.things else 1.0
    return Map(
        Markup("").join(parts),
        ground.height,
        details,
        legend,
        scaled,
        crowd,
        [
            (*_rounded(ground.points[k.place]), reach[k.place], ranks[k.place], int(k.place in hot))
            for k in labels
        ],
        list(_laid(site, plan, ground)),
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
            ("could hold", ", ".join(route.pipes)),
        ]
        key = details.add(f"{name}: not built", facts)
        yield tag("path", d=_between(ground, start, end), class_="faint thing", data_k=key)
    used = {use.name for use in plan.lines}
    for line in site.power_lines.values():
        if line.name not in used:
            facts = [("length", quantity(line.length, "length"))]
            key = details.add(f"{line.name}: power line, not built", facts)
            path = _between(ground, line.start, line.end, 14.0)
            yield tag("path", d=path, class_="faint thing", data_k=key)


def _runs(
    figures: PageFigures, ground: Ground, legend: dict[str, int], details: Details
) -> Iterable[Markup]:
    site = figures.site
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
        key = details.add(*_told(figures, run, start, end))
        path = _between(ground, start, end, bend)
        widths = {
            layer: 1.8 + (WIDEST - 1.8) * math.sqrt(_weight(figures, run, layer) / most[layer])
            if most[layer] > 0 and _weight(figures, run, layer) > 0
            else 0.0
            for layer in LAYERS
        }
        style = ";".join(f"--{layer}:{number(max(w, 1.2))}" for layer, w in widths.items())
        idle = " ".join(f"idle-{layer}" for layer, width in widths.items() if width == 0.0)
        lagged = len(site.pipes[run.build].layers) > 1
        colour = legend[run.fluid]
        yield tag(
            "g",
            *([tag("path", d=path, class_="casing")] if lagged else []),
            tag("path", d=path, class_="pipe", stroke_dasharray=DASHES[colour] or None),
            tag("path", d=path, class_="grip"),
            *_arrows(run, ground, site, bend),
            class_=f"run thing c{colour} {'new' if run.new else 'stands'} {idle}".strip(),
            style=style,
            data_k=key,
        )


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


def _told(
    figures: PageFigures, run: Run, start: str, end: str
) -> tuple[str, list[tuple[str, str]]]:
    site = figures.site
    route, build = site.routes[run.route], site.pipes[run.build]
    peak = run_peak(site, run)
    facts = [
        ("from, to", f"{start} to {end}"),
        ("build", f"{run.build}, {'new' if run.new else 'stands already'}"),
        (
            "layers",
            ", ".join(_layer_words(layer.material, layer.thickness) for layer in build.layers),
        ),
        ("length", quantity(route.length, "length")),
        ("with all sources on", quantity(figures.run_rate(run, "collect"), "mass_rate")),
        ("promised, mean", quantity(figures.run_rate(run, "supply"), "mass_rate")),
        ("both, mean", quantity(figures.run_rate(run, "mean"), "mass_rate")),
        ("busiest moment", quantity(peak, "mass_rate")),
        ("of capacity", percent(peak / site.capacity(run.route, run.build, run.fluid))),
    ]
    if route.stream is not None:
        inlet, outlet = route.stream.inlet, route.stream.outlet
        hot = f"{quantity(inlet, 'temperature')} to {quantity(outlet, 'temperature')}, at most"
        facts.append(("temperature", hot))
    return f"{corridor_of(route)}: {run.fluid}", [fact for fact in facts if fact[1]]


def _layer_words(material: str, thickness: float | None) -> str:
    return material if thickness is None else f"{material} {quantity(thickness, 'length')}"


def _lines(site: Network, plan: Plan, ground: Ground, details: Details) -> Iterable[Markup]:
    for use in plan.lines:
        line = site.power_lines[use.name]
        sent = sum(flow[4] for flow in use.flows)
        facts = [
            ("from, to", f"{line.start} to {line.end}"),
            ("line", "new" if use.new else "stands already"),
            ("length", quantity(line.length, "length")),
            ("sent, mean", quantity(sent, "power")),
            ("capacity", quantity(line.capacity, "power")),
        ]
        key = details.add(f"{use.name}: power line", facts)
        path = _between(ground, line.start, line.end, 14.0)
        yield tag(
            "g",
            tag("path", d=path, class_="power"),
            tag("path", d=path, class_="grip"),
            class_="thing line",
            data_k=key,
        )


_STORE = Markup('<path d="M-7 -5v10a7 3 0 0 0 14 0v-10z"/><ellipse cy="-5" rx="7" ry="3"/>')
_BATTERY = Markup(
    '<path d="M-7 -6h14v12h-14zM-3 -9h6v3h-6z"/><path class="cut" d="M-4 3v-6M0 3v-6M4 3v-6"/>'
)
_COOLER = Markup('<path d="M-7 -7h14v14h-14z"/><path class="cut" d="M-5 3l3 -6l4 6l3 -6"/>')


Row = list[tuple[Markup, str, int]]
"""Symbols at one place: the drawing, its class, and the number of what the panel says."""


def _symbols(
    figures: PageFigures, ground: Ground, legend: dict[str, int], details: Details, faint: bool
) -> tuple[list[Markup], dict[str, float], dict[str, int]]:
    """Symbols in a row at each place, half the width of each row, and the rank of each place."""
    site, plan = figures.site, figures.plan
    rows: dict[str, Row] = {name: [] for name in ground.points}
    tapped = {use.name for use in plan.sources if use.tapped}
    for source in site.own_sources.values():
        kind = "tapped" if source.name in tapped else "untapped"
        look = f"source c{legend[source.fluid]} {kind}"
        key = details.add(*_source_told(figures, source, source.name in tapped))
        rows[site.ground(source.place)].append((_pie(figures.duty[source.name], source), look, key))
    _built(site, plan, rows, legend, details)
    ranks = {name: _rank(row) for name, row in rows.items()}
    if faint:
        _could_be(site, plan, rows, legend, details)
    found, reach = [], {}
    for name, row in rows.items():
        x, y = ground.points[name]
        reach[name] = max(4.0, 10.0 * len(row))
        if not row:
            ranks[name] = 3
            key = details.add(name, [("place", "nothing is built here")])
            dot = tag("g", tag("circle", r=2.6), class_="fixed")
            move = f"translate({number(x)} {number(y)})"
            found.append(tag("g", dot, transform=move, class_="spot thing", data_k=key))
            continue
        items = [
            tag(
                "g",
                tag("circle", r=10, class_="halo"),
                mark,
                transform=f"translate({number(20.0 * (k - (len(row) - 1) / 2))} 0)",
                class_=f"thing {kind}",
                data_k=key,
            )
            for k, (mark, kind, key) in enumerate(row)
        ]
        fixed = tag("g", *items, class_="fixed built" if ranks[name] == 0 else "fixed")
        found.append(tag("g", fixed, transform=f"translate({number(x)} {number(y)})"))
    return found, reach, ranks


def _rank(row: Row) -> int:
    """0 where something stands or is tapped, 1 where only sources are, 2 where nothing is yet."""
    if any("untapped" not in look for _, look, _ in row):
        return 0
    return 1 if row else 2


def _built(
    site: Network, plan: Plan, rows: dict[str, Row], legend: dict[str, int], details: Details
) -> None:
    for store in plan.stores:
        if store.size > 0:
            key = details.add(*_store_told(site, plan, store.name))
            look = f"store c{legend[store.holds]}"
            rows[site.ground(store.place)].append((_STORE, look, key))
    for battery in plan.batteries:
        if battery.size > 0:
            key = details.add(*_battery_told(plan, battery.name))
            rows[site.ground(battery.place)].append((_BATTERY, "battery", key))
    for machine in plan.machines:
        if machine.count > 0:
            key = details.add(*_machine_told(site, plan, machine.name))
            rows[site.ground(machine.place)].append((_machine_mark(machine.count), "machine", key))
    for run in (*runs_of_kind(site, plan, "cooler"), *runs_of_kind(site, plan, "sink")):
        route = site.routes[run.route]
        facts = [("cools", run.fluid), ("build", run.build)]
        key = details.add(f"{run.build} at {site.ground(route.start)}", facts)
        rows[site.ground(route.start)].append((_COOLER, "cooler", key))


def _machine_mark(units: int | None) -> Markup:
    shape_ = Markup('<path d="M0 -9L9 0L0 9L-9 0Z"/>')
    return shape_ if units is None else shape_ + tag("text", units, y=3.5, class_="many")


def _could_be(
    site: Network, plan: Plan, rows: dict[str, Row], legend: dict[str, int], details: Details
) -> None:
    """Stores and machines that may stand at a place and do not, one symbol a kind and place."""
    stands = {use.name for use in plan.stores if use.size > 0}
    stands |= {use.name for use in plan.batteries if use.size > 0}
    stands |= {use.name for use in plan.machines if use.count > 0}
    done: set[str] = set()
    for store in site.storage.values():
        for place in store.places:
            name = f"{store.name}@{site.ground(place)}"
            if name in stands or name in done:
                continue
            done.add(name)
            power = store.holds == POWER
            mark, look = (_BATTERY, "battery") if power else (_STORE, "store")
            if not power:
                look += f" c{legend[store.holds]}"
            most = quantity(store.max_size, "energy" if power else "mass")
            facts = [("could hold", f"{most} of {store.holds}, at most")]
            key = details.add(f"{store.name} at {site.ground(place)}: not built", facts)
            rows[site.ground(place)].append((mark, f"{look} unused", key))
    for machine in site.machines.values():
        for place, most_units in machine.places.items():
            name = f"{machine.name}@{site.ground(place)}"
            if name in stands or name in done:
                continue
            done.add(name)
            facts = [("could stand here", "any number" if most_units is None else str(most_units))]
            key = details.add(f"{machine.name} at {site.ground(place)}: not built", facts)
            rows[site.ground(place)].append((_machine_mark(None), "machine unused", key))


def _pie(duty: float, source: Source) -> Markup:
    """A circle, filled clockwise from the top by the share of time that the source is on."""
    ring = tag("circle", r=7.5, class_="ring")
    plumes = tag("path", d="M-3 -12q3 -3 0 -6M3 -12q3 -3 0 -6", class_="hot")
    mark = plumes if _hot(source) else Markup("")
    if duty > 0.999:
        return ring + tag("circle", r=7.5, class_="share") + mark
    turn = 2 * math.pi * duty
    x, y = 7.5 * math.sin(turn), -7.5 * math.cos(turn)
    big = int(duty > 0.5)
    path = f"M0 0V-7.5A7.5 7.5 0 {big} 1 {number(x)} {number(y)}Z"
    return ring + tag("path", d=path, class_="share") + mark


def _hot(source: Source) -> bool:
    return source.temperature is not None and source.temperature > 333.15


def _source_told(
    figures: PageFigures, source: Source, tapped: bool
) -> tuple[str, list[tuple[str, str]]]:
    duty = figures.duty[source.name]
    facts = [
        ("source of", source.fluid),
        ("flow while on", quantity(source.flow, "mass_rate")),
        ("on", f"{percent(duty)} of the time"),
        ("mean", quantity(source.flow * duty, "mass_rate")),
    ]
    if source.temperature is not None:
        facts.append(("temperature", quantity(source.temperature, "temperature")))
    if source.next_start is not None:
        facts.append(("next spell in", quantity(source.next_start, "duration")))
    use = next((u for u in figures.plan.sources if u.name == source.name), None)
    if not tapped or use is None:
        return f"{source.name}: not tapped", facts
    parts = figures.site.parts_of(source.name)
    for one in (use, *(u for u in figures.plan.sources if u.name in parts)):
        whence = one.name.partition(": ")[2]
        words = f" ({whence})" if whence else ""
        facts += [
            (f"sends {quantity(rate, 'mass_rate')} to{words}", destination(to))
            for to, rate in one.collect.items()
        ]
        facts += [
            (f"supplies {quantity(rate, 'mass_rate')}{words}", shape(name))
            for name, rate in one.direct.items()
        ]
    return f"{source.name}: {'new tap' if use.new else 'tapped already'}", facts


def _store_told(site: Network, plan: Plan, name: str) -> tuple[str, list[tuple[str, str]]]:
    use = next(store for store in plan.stores if store.name == name)
    facts = [
        ("holds", f"{quantity(use.size, 'mass')} of {use.holds}"),
        ("new of it", quantity(use.new_size, "mass")),
    ]
    facts += [
        ("promises", f"{quantity(rate, 'mass_rate')}, {shape(to)}")
        for to, rate in use.draw.items()
        if rate > 0
    ]
    return f"{use.type} at {site.ground(use.place)}", facts


def _battery_told(plan: Plan, name: str) -> tuple[str, list[tuple[str, str]]]:
    use = next(battery for battery in plan.batteries if battery.name == name)
    facts = [
        ("holds", quantity(use.size, "energy")),
        ("new of it", quantity(use.new_size, "energy")),
        ("for levelling", quantity(use.level_part, "energy")),
        ("for bursts", quantity(sum(use.burst_part.values()), "energy")),
        ("for machine runs", quantity(use.swing_part, "energy")),
    ]
    return f"{use.type} at {use.place}", facts


def _machine_told(site: Network, plan: Plan, name: str) -> tuple[str, list[tuple[str, str]]]:
    use = next(machine for machine in plan.machines if machine.name == name)
    kind = site.machines[use.type]
    facts = [("units", f"{use.count}, {use.new} of them new")]
    if kind.power_out > 0:
        facts.append(("each gives", quantity(kind.power_out, "power")))
    if kind.power_in > 0:
        facts.append(("each takes", quantity(kind.power_in, "power")))
    facts += [("each takes", f"{quantity(r, 'mass_rate')} {f}") for f, r in kind.inputs.items()]
    if use.running:
        load = use.flat_load + sum(use.following.values())
        facts.append(("turning", f"{use.running}, at {percent(load / use.running)} on average"))
    if use.cycled > 0:
        facts.append(("one more runs", f"{percent(use.cycled)} of the time"))
    if sum(use.burst.values()) > 0:
        facts.append(("burn what comes", count(sum(use.burst.values()))))
    return f"{use.type} at {site.ground(use.place)}", facts


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
