"""Small charts as SVG: store against draw, stock used, the search over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from allocator.base.labels import head
from allocator.cycles import curve_of_timing, draws_for_stores
from allocator.network.records import Network
from allocator.plans.records import GoalResult, Plan
from allocator.report.handover.things import things_of
from allocator.report.page.axes import Field, axis_of
from allocator.report.page.colours import fluids_shown
from allocator.report.page.figures import PageFigures
from allocator.report.page.svg import points, tag
from allocator.report.words import goal_title, goal_value, percent, quantity
from allocator.site.clocks import timing_at_any_phase

MOST_CURVES = 24
"""Sources with a curve of their own on the page: those that give most on average."""


@dataclass(frozen=True, slots=True)
class Chart:
    """A drawing of ``width`` x ``height`` with a title and what it says in words."""

    title: str
    drawing: Markup
    said: str
    width: float
    height: float
    note: str = ""


SIZE = (320.0, 196.0)
BOX = (70.0, 28.0, 238.0, 126.0)
"""A small chart, and the ground within it: left, top, width, height."""


def draw_curves(figures: PageFigures) -> list[Chart]:
    """Firm draw against store for tapped sources that feed a store, with the chosen point."""
    site, plan = figures.site, figures.plan
    if plan.basis == "mean":
        return []
    means = {
        use.name: sum(use.collect.values()) * figures.duty[use.name]
        for use in plan.sources
        if use.tapped and any(to.startswith("store:") for to in use.collect)
    }
    power = {name: mean * figures.worth(_fluid(site, name)) for name, mean in means.items()}
    kept = set(sorted(power, key=lambda name: (-power[name], name))[:MOST_CURVES])
    return [_draw_curve(figures, name) for name in means if name in kept]


def _fluid(site: Network, source: str) -> str:
    return site.sources[source].fluid


def _draw_curve(figures: PageFigures, name: str) -> Chart:
    site, plan = figures.site, figures.plan
    use = next(use for use in plan.sources if use.name == name)
    curve = curve_of_timing(timing_at_any_phase(site, site.sources[name]))
    rate = sum(r for to, r in use.collect.items() if to.startswith("store:"))
    size, draw, alone = 0.0, 0.0, True
    for to, part in use.collect.items():
        if not to.startswith("store:") or part <= 0.0:  # a plan that fails its audit may say so
            continue
        store = next(s for s in plan.stores if f"store:{s.name}" == to)
        given = [
            (u.collect[to] * figures.duty[u.name]) for u in plan.sources if u.collect.get(to, 0) > 0
        ]
        share = part * figures.duty[name] / sum(given)
        size += store.size * share
        draw += sum(store.draw.values()) * share
        alone = alone and len(given) == 1
    mean = rate * curve.duty
    full = rate * curve.sigma
    x_most = max(1.6 * size, min(1.1 * full, 6.0 * size), 1e-9)
    y_most = max(1.12 * max(mean, draw), 1e-12)
    field = Field(
        axis_of("mass", 0.0, x_most, head("storage")),
        axis_of("mass_rate", 0.0, y_most, head("firm_flow")),
        *BOX,
    )
    sizes = np.linspace(0.0, x_most, 90)
    draws = draws_for_stores(curve, rate, sizes)
    line = [field.at(float(s), float(d)) for s, d in zip(sizes, draws, strict=True)]
    (left, at_mean), right = field.at(0.0, mean), field.left + field.wide
    x, y = field.at(size, draw)
    colour = fluids_shown(site, plan)[_fluid(site, name)]
    drawing = [
        *field.grid(),
        tag("path", d=f"M{left} {at_mean:.1f}H{right}", class_="mean-line"),
        tag("text", head("mean"), x=left + 4, y=at_mean - 5, class_="tick"),
        tag("polyline", points=points(line), class_=f"curve c{colour}"),
        tag("path", d=f"M{x:.1f} {y - 6:.1f}l6 6l-6 6l-6 -6z", class_="chosen"),
    ]
    said = f"with {quantity(size, 'mass')}: {quantity(draw, 'mass_rate')} firm"
    note = "" if alone else "its share of a shared store"
    return Chart(name, Markup("").join(drawing), said, *SIZE, note)


_KINDS = {
    "run": "pipes",
    "store": "storage",
    "machine": "machines",
    "tap": "connections",
    "line": "power lines",
    "cooler": "coolers",
    "sink": "heat sinks",
    "booster": "boosters",
}


@dataclass(frozen=True, slots=True)
class Stock:
    """A material: kg used by what is new, by kind of thing, of a stock (None: no limit)."""

    name: str
    used: float
    stock: float | None
    parts: tuple[tuple[str, float, float], ...]
    share: str


def stocks(site: Network, plan: Plan) -> list[Stock]:
    """Materials with ``parts``: (kind, kg, share of the bar's length in percent)."""
    found = []
    by_kind: dict[str, dict[str, float]] = {}
    for thing in things_of(site, plan).values():
        for material, mass in thing.materials.items():
            kinds = by_kind.setdefault(material, {})
            kinds[_KINDS[thing.kind]] = kinds.get(_KINDS[thing.kind], 0.0) + mass
    for use in plan.materials:
        whole = use.used if use.stock is None else max(use.stock, use.used)
        parts = tuple(
            (kind, mass, 100.0 * mass / whole if whole > 0 else 0.0)
            for kind, mass in by_kind.get(use.name, {}).items()
        )
        share = "" if not use.stock else percent(use.used / use.stock)
        found.append(Stock(use.name, use.used, use.stock, parts, share))
    return found


@dataclass(frozen=True, slots=True)
class GoalBar:
    """A goal: value and bound in words, and both as percent of the greater."""

    title: str
    value: str
    bound: str
    why: str
    filled: float
    limit: float | None


def search_chart(run: Mapping[str, object], plan: Plan, currency: str = "") -> list[Chart]:
    """The plan and the bound over time, a chart a goal, from the trail in ``run.json``.

    A goal whose plan and bound never moved has none.
    """
    trail = run.get("search")
    if not isinstance(trail, list):
        return []
    charts = []
    for goal in plan.goals:
        dimension = {"W": "power", "kg/s": "mass_rate", "kg": "mass", "money": "money"}.get(
            goal.unit
        )
        seen = [line for line in trail if isinstance(line, dict) and line.get("goal") == goal.name]
        values, bounds = _steps(seen, "value"), _steps(seen, "bound")
        if dimension is None or max(len({v for _, v in s}) for s in (values, bounds)) < 2:
            continue
        dimension = "emission_rate" if goal.name == "emissions" else dimension
        drawing = _stairs(values, bounds, dimension, currency)
        said = _said_of_search(goal, values, currency)
        charts.append(Chart(f"{goal_title(goal)}, over time", drawing, said, *SIZE))
    return charts


Pairs = Sequence[tuple[float, float]]


def _said_of_search(goal: GoalResult, values: Pairs, currency: str) -> str:
    """Plan and limit; and what the line ends at, where later goals changed the plan after it."""
    value = goal_value(goal, goal.value, currency)
    last = goal_value(goal, values[-1][1], currency) if values else value
    later = "" if last == value else f" ({last} when the search for this goal ended)"
    if goal.bound is None:
        return f"plan {value}{later}, no {head('bound')}"
    bound = goal_value(goal, goal.bound, currency)
    return f"plan {value}{later}, {head('bound')} {bound} (dashed)"


def _stairs(values: Pairs, bounds: Pairs, dimension: str, currency: str) -> Markup:
    """Steps over the seconds of the search; a bound holds at any time, so also before.

    The axis begins at 0, or with the goal where that is in the second half of the time.
    """
    times = [time for time, _ in (*values, *bounds)]
    start = min(times) if min(times) > 0.5 * max(times) else 0.0
    end = max(times) + max(0.03 * (max(times) - start), 1e-3)  # room for what was found last
    most = 1.1 * max(abs(value) for _, value in (*values, *bounds)) or 1.0
    field = Field(
        axis_of("duration", start, end, head("search_time")),
        axis_of(dimension, 0.0, most, currency if dimension == "money" else ""),
        *BOX,
    )

    def line(pairs: Pairs, look: str) -> Markup:
        corners = []
        for (time, value), after in zip(pairs, [*(t for t, _ in pairs[1:]), end], strict=True):
            corners += [field.at(t, value) for t in (time, after)]
        return tag("polyline", points=points(corners), class_=look)

    known = [line([(start, bounds[0][1]), *bounds[1:]], "bound")] if bounds else []
    found = [line(values, "found")] if values else []
    return Markup("").join([*field.grid((4, 3)), *known, *found])


def _steps(trail: Sequence[dict[str, object]], key: str) -> list[tuple[float, float]]:
    found = []
    for line in trail:
        seconds, value = line.get("seconds"), line.get(key)
        if isinstance(seconds, int | float) and isinstance(value, int | float):
            found.append((float(seconds), float(value)))
    return found
