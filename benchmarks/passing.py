"""What sites could gain if shared pipes passed whatever fits, in place of a fixed share a source.

Today each source has one rate r_s for ever in what a store collects. A controller that always
delivers the largest flow of the sources that are on delivers at least ``sum r_s x_s(t)`` for every
split r that the pipes could carry with all of them on: keep the paths of the sources that are on.
So each window may have its own split,

    B + max_r sum_s r_s tau_s(L) >= d L   for every L,

and by the dual of that maximum, for any potentials v >= 0 with v = 0 at the store,

    B + sum_a max(0, v_i - v_j) capacity_a + sum_s max(0, tau_s(L) - v_s) rate_s >= d L,

which is linear in capacities that a plan may still choose. Stores that share a pipe hold parts of
it. The cuts are added where a point breaks them, for windows of up to three of the longest periods;
longer ones count as endless. So what is found here is an upper bound of what this rule could give.

    python benchmarks/passing.py                       the rule by brute force, and a site by hand
    python benchmarks/passing.py SITE PLAN             gain of a plan with all that it builds held
    python benchmarks/passing.py SITE PLAN --rise 0.03 --seconds 300
                                                       does any other plan reach 3 % more?

Asserted: the rule holds in all phases of small drawn networks, a tree needs no controller, and the
answers of the site by hand. Baseline: today's rule, by the engine's own rows.
"""

from __future__ import annotations

import argparse
import itertools
import math
import random
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import highspy
import networkx
import numpy as np

import allocator as al
from allocator import Settings, Site, read_plan, read_site
from allocator.base.clock import Clock
from allocator.model.cuts import Promise, lazy_cuts, promises_of
from allocator.model.goals import goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key, Model, Row, Terms
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.plans.records import Plan
from allocator.search.paths.known import point_of_plan
from allocator.solver.interface import quiet_output
from allocator.solver.solver_model import SolverModel

LONGEST = 3.0
"""Windows are compared up to this many times the longest period."""
HAIR = 1e-7
"""Capacity added to every arc, so that arcs of no capacity have a price too, in units of a flow."""
BUILT = ("lay", "tap", "count", "units", "stand", "line")
"""Integers that say what is built."""


class BestSplit:
    """The split of a network to one store worth most, for any worth of the sources.

    ``at``: node of each source; ``arcs``: (start, end); the store is at node 0.
    """

    def __init__(self, at: Sequence[int], arcs: Sequence[tuple[int, int]], nodes: int) -> None:
        self.at = np.array(at, dtype=int)
        self.start = np.array([start for start, _ in arcs], dtype=int)
        self.end = np.array([end for _, end in arcs], dtype=int)
        entries = [[(node, 1.0)] for node in at]
        entries += [[(start, -1.0), (end, 1.0)] for start, end in arcs]
        entries.append([(0, -1.0)])
        size = len(entries)
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = size, nodes
        lp.col_cost_ = lp.col_lower_ = lp.col_upper_ = np.zeros(size)
        lp.row_lower_ = lp.row_upper_ = np.zeros(nodes)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
        lp.a_matrix_.start_ = np.cumsum([0] + [len(entry) for entry in entries])
        lp.a_matrix_.index_ = np.array([node for entry in entries for node, _ in entry])
        lp.a_matrix_.value_ = np.array([value for entry in entries for _, value in entry])
        lp.sense_ = highspy.ObjSense.kMaximize
        with quiet_output():
            self.model = highspy.Highs()
        self.model.setOptionValue("output_flag", False)
        self.model.setOptionValue("threads", 1)
        self.model.passModel(lp)
        self.columns = np.arange(size, dtype=np.int32)
        self.rooms = np.zeros(size)

    def set_rooms(self, rooms: np.ndarray) -> None:
        """Capacities of sources, arcs and the store's inlet, in that order."""
        self.rooms = np.maximum(0.0, rooms)
        zeros = np.zeros(len(rooms))
        self.model.changeColsBounds(len(rooms), self.columns, zeros, self.rooms + HAIR)

    def of(self, worth: np.ndarray) -> tuple[np.ndarray, float, np.ndarray]:
        """The split, an upper bound of its worth, and the price of every capacity in the bound."""
        count = len(self.at)
        costs = np.zeros(len(self.rooms))
        costs[:count] = worth
        self.model.changeColsCost(len(costs), self.columns, costs)
        self.model.run()
        solution = self.model.getSolution()
        v = np.array(solution.row_dual)
        along = np.maximum(0.0, v[self.start] - v[self.end])
        prices = np.concatenate((np.maximum(0.0, worth - v[self.at]), along, [max(0.0, v[0])]))
        value = self.model.getInfo().objective_function_value
        assert abs(float(prices @ (self.rooms + HAIR)) - value) <= 1e-6 * max(1.0, value)
        return np.array(solution.col_value[:count]), float(prices @ self.rooms), prices


# ---------------------------------------------------------------- the rule, by brute force


@dataclass(frozen=True)
class Drawn:
    """A small network: node, flow, on and every of each source; arcs with capacities; a store."""

    sources: tuple[tuple[int, float, int, int], ...]
    arcs: tuple[tuple[int, int, float], ...]
    size: float


def drawn(seed: int, tree: bool) -> Drawn:
    """Two or three sources on four or five places; a tree runs down to place 0."""
    chance = random.Random(seed)
    nodes = chance.randint(4, 5)
    pairs = [(node, chance.randrange(node)) for node in range(1, nodes)]
    if not tree:
        pairs += [tuple(chance.sample(range(nodes), 2)) for _ in range(4)]
    sources = []
    for _ in range(chance.randint(2, 3)):
        every = chance.choice((2, 3, 4, 12, 24))
        flow, on = float(chance.randint(1, 4)), chance.randint(1, every - 1)
        sources.append((chance.randrange(1, nodes), flow, on, every))
    arcs = tuple((a, b, float(chance.randint(1, 4))) for a, b in dict.fromkeys(pairs))
    return Drawn(tuple(sources), arcs, float(chance.randint(0, 12)))


def largest_flow(one: Drawn, on: Sequence[bool]) -> float:
    """What the network delivers at most of the sources that are on."""
    graph = networkx.DiGraph()
    graph.add_nodes_from(["all", 0])
    for a, b, capacity in one.arcs:
        graph.add_edge(a, b, capacity=capacity)
    for (node, flow, _, _), is_on in zip(one.sources, on, strict=True):
        if is_on:
            before = graph["all"][node]["capacity"] if graph.has_edge("all", node) else 0.0
            graph.add_edge("all", node, capacity=before + flow)
    return float(networkx.maximum_flow_value(graph, "all", 0))


def forwarded(one: Drawn, on: Sequence[bool]) -> float:
    """What arrives if every place sends on what comes, in equal parts, as far as each pipe goes."""
    out: dict[int, list[tuple[int, float]]] = {}
    for a, b, capacity in one.arcs:
        out.setdefault(a, []).append((b, capacity))
    come = dict.fromkeys(range(6), 0.0)
    for (node, flow, _, _), is_on in zip(one.sources, on, strict=True):
        come[node] += flow * is_on
    for node in range(5, 0, -1):  # arcs run to lower numbers
        for b, capacity in out.get(node, []):
            come[b] += min(capacity, come[node] / len(out[node]))
    return come[0]


def draws_of(one: Drawn) -> tuple[float, float, float]:
    """Firm draw: one split for ever, a split a window, and passing in the worst of all phases."""
    period = math.lcm(*(every for _, _, _, every in one.sources))
    lengths = np.arange(1, 2 * period + 1)
    times = np.arange(period)
    runs = [[(times + p) % every < on for p in range(every)] for _, _, on, every in one.sources]
    sure = np.array([least_in_windows(run[:1], lengths) for run in runs])
    graph = BestSplit([s[0] for s in one.sources], [(a, b) for a, b, _ in one.arcs], 6)
    graph.set_rooms(np.array([s[1] for s in one.sources] + [a[2] for a in one.arcs] + [1e3]))
    own = min((one.size + graph.of(sure[:, n])[1]) / L for n, L in enumerate(lengths))
    for n in range(0, len(lengths), 3):
        assert abs(graph.of(sure[:, n])[1] - nested(one, sure[:, n])) <= 1e-5
    duty = np.array([on / every for _, _, on, every in one.sources])
    own = min(own, graph.of(duty)[1])
    fixed = fixed_draw(one, sure, lengths, duty)
    flows = {
        on: largest_flow(one, on)
        for on in itertools.product((False, True), repeat=len(one.sources))
    }
    series = []
    for some in itertools.product(*runs[1:]):  # the first may begin at 0
        rows = zip(*(runs[0][0], *some), strict=True)
        series.append(np.array([flows[tuple(map(bool, row))] for row in rows]))
    least = least_in_windows(series, lengths)
    true = min(float(np.min((one.size + least) / lengths)), min(float(x.mean()) for x in series))
    return fixed, own, true


def nested(one: Drawn, times: np.ndarray) -> float:
    """What is delivered where the shorter on-times lie inside the longer ones, at largest flow."""
    order = np.argsort(-times, kind="stable")
    steps = times[order] - np.append(times[order][1:], 0.0)
    most = [[n in order[: k + 1] for n in range(len(times))] for k in range(len(times))]
    return math.fsum(
        step * largest_flow(one, on) for step, on in zip(steps, most, strict=True) if step > 0
    )


def least_in_windows(series: Sequence[np.ndarray], lengths: np.ndarray) -> np.ndarray:
    """Least sum of any of the periodic series in windows of each length."""
    least = np.full(len(lengths), np.inf)
    for one in series:
        total = np.concatenate(([0.0], np.cumsum(np.tile(one, 3))))
        begins = np.arange(len(one))
        found = [float(np.min(total[begins + L] - total[begins])) for L in lengths]
        least = np.minimum(least, found)
    return least


def fixed_draw(one: Drawn, sure: np.ndarray, lengths: np.ndarray, duty: np.ndarray) -> float:
    """The firm draw of the best single split: a linear program over split, flows and draw."""
    model = Model()
    for n, (_, flow, _, _) in enumerate(one.sources):
        model.variable(("rate", n), 0.0, flow)
    for a, b, capacity in one.arcs:
        model.variable(("flow", a, b), 0.0, capacity)
    model.variable("draw")
    for node in range(1, 6):
        terms: Terms = [(1.0, ("rate", n)) for n, s in enumerate(one.sources) if s[0] == node]
        terms += [(1.0, ("flow", a, b)) for a, b, _ in one.arcs if b == node]
        terms += [(-1.0, ("flow", a, b)) for a, b, _ in one.arcs if a == node]
        model.row(f"balance {node}", terms, low=0.0, high=0.0)
    # what comes back out of the store's place was not collected
    away: Terms = [(1.0, ("flow", a, b)) for a, b, _ in one.arcs if a == 0]
    model.row("store", away, high=0.0)
    for n, length in enumerate([*lengths, None]):
        on = duty if length is None else sure[:, n]
        terms = [(float(worth), ("rate", s)) for s, worth in enumerate(on)]
        terms.append((-1.0 if length is None else -float(length), "draw"))
        model.row(f"window {length}", terms, low=0.0 if length is None else -one.size)
    solver = SolverModel(model, lambda values, tolerance: [], Settings(threads=1), Clock(None))
    solver.aim_at({model.index("draw"): -1.0})
    found = solver.relaxed()
    assert found.point is not None
    return float(found.point[model.index("draw")])


def check_the_rule(count: int) -> None:
    """The rule on drawn networks: asserted in every phase; prints how often it gives more."""
    more, room, gains = 0, 0, []
    for seed in range(count):
        tree = seed % 2 == 0
        one = drawn(seed, tree)
        fixed, own, true = draws_of(one)
        scale = 1e-6 * (1.0 + true)
        assert fixed <= own + scale, (seed, fixed, own)
        assert own <= true + scale, (seed, own, true)
        more += own > fixed + scale
        room += true > own + scale
        gains.append((own - fixed) / max(own, 1e-9))
        if tree:
            for on in itertools.product((False, True), repeat=len(one.sources)):
                assert abs(forwarded(one, on) - largest_flow(one, on)) <= 1e-9, seed
    print(f"{count} drawn networks, every phase: the rule never promised what was not delivered;")
    print(f"  it promised more than one split in {more} (largest gain {max(gains):.0%}), and less")
    print(f"  than is delivered in {room}. On trees every place may just send on what comes.")
    # A place with two ways out, one of them narrow: equal parts deliver 6 of the 10 that fit.
    split = Drawn(((3, 10.0, 1, 2),), ((3, 2, 10.0), (3, 1, 1.0), (2, 0, 10.0), (1, 0, 1.0)), 0.0)
    assert (largest_flow(split, [True]), forwarded(split, [True])) == (10.0, 6.0)
    print("  If on-times lie inside each other, just the rule's amount is delivered.")
    print(
        "  Where a place splits flow it may not: equal parts deliver 6 of 10, so it needs control."
    )


# ---------------------------------------------------------------- sites


@dataclass
class SplitCuts:
    """Store cuts with a split of its own for each window, where a point breaks them."""

    model: Model
    sets: IndexSets
    promises: tuple[Promise, ...]
    parts: dict[str, Collecting]
    stated: int = 0
    tables: dict[frozenset[str], tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)

    def __call__(self, values: dict[Key, float], tolerance: float) -> list[Row]:
        """One cut a promise that is broken."""
        rows = [self._worst(promise, values, tolerance) for promise in self.promises]
        return [row for row in rows if row is not None]

    def _table(self, used: frozenset[str]) -> tuple[np.ndarray, np.ndarray]:
        """Lengths at which a window may be worst, and the on-time of each source in them."""
        if used not in self.tables:
            curves = [self.sets.curves[s] for s in sorted(used)]
            uneven = [curve for curve in curves if len(curve.line.kinks)]
            longest = max((curve.line.period for curve in uneven), default=1.0)
            peaks = [curve.line.peaks_between(0.0, LONGEST * longest) for curve in uneven]
            lengths = np.unique(np.concatenate([*peaks, [longest]]))
            lengths = lengths[lengths > 0]
            if len(self.tables) > 40:
                self.tables.clear()
            self.tables[used] = lengths, np.array([c.guaranteed(lengths) for c in curves]).T
        return self.tables[used]

    def _worst(self, promise: Promise, values: dict[Key, float], tolerance: float) -> Row | None:
        asked = sum(values[key] for _, key in promise.draws)
        if asked <= 0:
            return None
        size = promise.existing + values[promise.size]
        gained = [values[key] for key in (promise.steady, promise.idle) if key is not None]
        flat = promise.loss * size - sum(gained)
        weights = {str(key[2]): weight for _, weight, key in promise.inflows}
        parts = [self.parts[k] for k in weights]
        for part in parts:
            part.set_values(values)
        used = frozenset(s for part in parts for s in part.open_sources())

        def best(length: float) -> tuple[dict[str, float], float, list[np.ndarray]]:
            rates, total, prices = dict.fromkeys(used, 0.0), 0.0, []
            for part in parts:
                split, value, price = part.best.of(self._on(part, length))
                for s, rate in zip(part.sources, split, strict=True):
                    if s in used:
                        rates[s] += weights[part.k] * part.unit * rate
                total += weights[part.k] * part.unit * value
                prices.append(price)
            return rates, total, prices

        rates, total, prices = best(math.inf)
        if asked + flat > total + tolerance * asked:
            return self._row(promise, math.inf, parts, weights, prices)
        if not used:
            return None
        lengths, table = self._table(used)
        need = flat * lengths - size
        for shape, key in promise.draws:
            need = need + values[key] * (lengths if shape is None else shape.largest(lengths))
        slack = tolerance * np.maximum(size, asked * lengths)
        short = need - table @ np.array([rates[s] for s in sorted(used)])
        for _ in range(len(lengths)):
            n = int(np.argmax(short - slack))
            if short[n] <= slack[n]:
                break
            rates, total, prices = best(float(lengths[n]))
            if need[n] > total * lengths[n] + slack[n]:
                return self._row(promise, float(lengths[n]), parts, weights, prices)
            # a split that does for this window does for others too
            short = np.minimum(short, need - table @ np.array([rates[s] for s in sorted(used)]))
            short[n] = min(short[n], 0.0)
        return None

    def _on(self, part: Collecting, length: float) -> np.ndarray:
        """Share of a window that is sure of each source."""
        curves = [self.sets.curves[s] for s in part.sources]
        if math.isinf(length):
            return np.array([curve.duty for curve in curves])
        one = np.array([length])
        return np.array([float(curve.guaranteed(one)[0]) / length for curve in curves])

    def _row(
        self,
        promise: Promise,
        length: float,
        parts: list[Collecting],
        weights: dict[str, float],
        prices: list[np.ndarray],
    ) -> Row | None:
        terms: Terms = [(1.0 / length - promise.loss, promise.size)]
        for part, price in zip(parts, prices, strict=True):
            terms += [
                (weights[part.k] * float(p), key)
                for p, key in zip(price, part.keys, strict=True)
                if p > 1e-12
            ]
        terms += [(1.0, key) for key in (promise.steady, promise.idle) if key is not None]
        for shape, key in promise.draws:
            whole = shape is None or math.isinf(length)
            need = 1.0 if whole else float(shape.largest(np.array([length]))[0]) / length
            terms.append((-need, key))
        low = promise.existing * (promise.loss - 1.0 / length)
        self.stated += 1
        name = f"split_cut[{promise.name},{length!r},{self.stated}]"
        return self.model.scaled_row(name, terms, low=low)


class Collecting:
    """The network to one destination of a site; its capacities are columns of the model."""

    def __init__(self, sets: IndexSets, k: str) -> None:
        self.k = k
        self.fluid, end = sets.destinations[k].fluid, sets.destinations[k].place
        self.sources = [s for s in sets.sources if k in sets.reach[s]]
        self.arcs = [arc for arc in sets.arcs.get(self.fluid, ()) if arc.start != end]
        starts = [sets.site.sources[s].place for s in self.sources]
        ends = [place for arc in self.arcs for place in (arc.start, arc.end)]
        nodes = {place: n for n, place in enumerate(dict.fromkeys([end, *starts, *ends]))}
        arcs = [(nodes[arc.start], nodes[arc.end]) for arc in self.arcs]
        self.best = BestSplit([nodes[place] for place in starts], arcs, len(nodes))
        self.unit = max(sets.site.sources[s].flow for s in self.sources)
        self.keys: list[Key] = [("collect", s, k) for s in self.sources]
        self.keys += [self.reserved(arc.route, arc.start) for arc in self.arcs]
        self.keys.append(("intake", k))

    def reserved(self, route: str, start: str) -> Key:
        """The column of the capacity of an arc that is kept for this destination."""
        return ("reserved", route, start, self.fluid, self.k)

    def set_values(self, values: dict[Key, float]) -> None:
        """Take the capacities of a point."""
        self.best.set_rooms(np.array([values[key] for key in self.keys]) / self.unit)

    def open_sources(self) -> list[str]:
        """Sources with any capacity."""
        return [s for s, room in zip(self.sources, self.best.rooms, strict=False) if room > 1e-9]


def stated(site: Site) -> tuple[Model, IndexSets, SplitCuts]:
    """The firm program in which what is collected is a capacity, and windows have their splits."""
    model, sets = state(network_of(site), "firm")
    assert sets.pressures is None, "a site without pressures: their rows need flows"
    promises = promises_of(sets)
    assert all(isinstance(promise, Promise) for promise in promises), "a site without chambers"
    parts = {k: Collecting(sets, k) for k in sets.destinations}
    for k, part in parts.items():
        model.variable(("intake", k), 0.0, math.inf, part.unit)
        for arc in part.arcs:
            model.variable(part.reserved(arc.route, arc.start), 0.0, math.inf, part.unit)
    gone = ("collect_balance[", "long_run[", "burst_long_run[", "battery_behind[")
    taken = ("fill_rate[", "shared_units[", "charge_rate[")
    model.rows = [
        _with_intakes(model, row) if row.name.startswith(taken) else row
        for row in model.rows
        if not row.name.startswith(gone)
    ]
    for fluid, arcs in sets.arcs.items():
        for end, arc in itertools.product(sets.ends(fluid), arcs):
            key = ("gather", arc.route, arc.start, fluid, end)
            if model.has(key):
                mine = [
                    k for k, d in sets.destinations.items() if (d.fluid, d.place) == (fluid, end)
                ]
                terms = [(-1.0, parts[k].reserved(arc.route, arc.start)) for k in mine]
                model.row(f"reserves[{key}]", [(1.0, key), *terms], low=0.0)
    return model, sets, SplitCuts(model, sets, promises, parts)


def _with_intakes(model: Model, row: Row) -> Row:
    """A row with what a destination takes in at once in place of the rates of its sources."""
    terms: dict[Key, float] = {}
    for column, value in zip(row.columns, row.coefficients, strict=True):
        key = model.columns[column].key
        if key[0] == "collect":
            terms[("intake", key[2])] = value * row.scale / model.columns[column].unit
        else:
            terms[key] = value * row.scale / model.columns[column].unit
    pairs = [(value, key) for key, value in terms.items()]
    low, high = row.low * row.scale, row.high * row.scale
    made = model.scaled_row(row.name, pairs, low=low, high=high)
    assert made is not None
    return made


def with_any_pipe(model: Model) -> None:
    """Let every pipe that is laid carry a thousand times as much."""
    for n, row in enumerate(model.rows):
        if row.name.startswith("pipe_capacity["):
            laid = [model.columns[column].key[0] == "lay" for column in row.columns]
            wide = zip(row.coefficients, laid, strict=True)
            wider = tuple(1e3 * value if is_laid else value for value, is_laid in wide)
            model.rows[n] = replace(row, coefficients=wider)
    for column in model.columns:
        if column.key[0] in ("gather", "supply"):
            model.raise_high(column.key)


@dataclass(frozen=True)
class Gain:
    """First goal, SI: today, with a split a window, and with pipes that carry anything.

    All with what a plan builds held, and how its machines run chosen again.
    """

    today: float
    split: float
    any_pipe: float


def gain(site: Site, plan: Plan, seconds: float) -> Gain:
    """What a plan's own assets could give."""
    found: list[float] = []
    point: dict[Key, float] = {}
    for kind in ("today", "split", "any pipe"):
        if kind == "split":
            model, sets, cuts = stated(site)
        else:
            model, sets = state(network_of(site), "firm")
            cuts = lazy_cuts(model, sets)
        if kind == "any pipe":
            with_any_pipe(model)
        solver = SolverModel(model, cuts, Settings(threads=1, time_limit=seconds), Clock(seconds))
        solver.aim(goals_of(model, sets)[0])
        start = point_of_plan(model, sets, plan)
        if point:
            start = np.array([point.get(c.key, 0.0) / c.unit for c in model.columns])
        best, values = dispatched(solver, start, seconds)
        point = point or values
        found.append(best)
    return Gain(*found)


def dispatched(
    solver: SolverModel, start: np.ndarray, seconds: float
) -> tuple[float, dict[Key, float]]:
    """The most that what is built gives, from a point that has it, and where."""
    columns = solver.model.columns
    built = [n for n, c in enumerate(columns) if c.integer and c.key[0] in BUILT]
    began, best, values = time.perf_counter(), 0.0, dict[Key, float]()
    while (left := seconds - (time.perf_counter() - began)) > 0:
        solved = solver.near(start, np.array(built, dtype=np.int64), left, 1e-4)
        if solved.point is None:
            break
        fixed = solver.repaired(solved.point)
        if fixed.point is not None and -(solver.unscaled(fixed.value) or 0.0) > best:
            best, start = -(solver.unscaled(fixed.value) or 0.0), fixed.point
            values = solver.model.by_key(start)
        rows = solver.broken(solved.point, 1e-6)
        if not rows:
            break
        solver.add(rows)
    return best, values


def any_plan_reaches(site: Site, value: float, seconds: float) -> str:
    """Whether any plan has a value of the first goal with a split a window: in words."""
    began = time.perf_counter()
    model, sets, cuts = stated(site)
    goal = goals_of(model, sets)[0]
    solver = SolverModel(model, cuts, Settings(threads=1, time_limit=seconds), Clock(seconds))
    solver.aim(goal)
    while solver.relaxed(seconds / 3).status != "optimal":
        if time.perf_counter() - began > seconds / 3:
            break
    row = model.scaled_row("asked", goal.terms, low=value)
    assert row is not None
    solver.add([row])
    bound = math.inf
    while (left := seconds - (time.perf_counter() - began)) > 0:
        solved = solver.run(time_limit=left, gap=1e-3)
        if solved.status == "infeasible":
            return f"none: proven in {time.perf_counter() - began:.0f} s"
        if solved.bound is not None:
            bound = min(bound, -(solver.unscaled(solved.bound) or 0.0))
        if solved.point is None:
            break
        rows = solver.broken(solved.point, 1e-6)
        if not rows:
            return f"yes: {-(solver.unscaled(solved.value) or 0.0) / 1e3:.2f} kW"
        solver.add(rows)
    return f"not known in {seconds:.0f} s; none has more than {bound / 1e3:.2f} kW"


def by_hand() -> Site:
    """Two sources behind a pipe that carries one of them: on by the half hour, and by the week."""
    hour, day = 3600.0, 86400.0
    places = {name: al.Place(name) for name in ("quick", "slow", "joint", "works")}
    flows = {"quick": al.Stage(0.5 * hour, hour), "slow": al.Stage(8 * day, 10 * day)}
    ways = {"a": ("quick", "joint"), "b": ("slow", "joint"), "c": ("joint", "works")}
    return al.Site(
        name="By hand",
        fluids={"gas": al.Fluid("gas", heating_value=10e6)},
        materials={},
        places=places,
        sources={n: al.Source(n, n, "gas", flow=0.01, stages=(s,)) for n, s in flows.items()},
        storage={"holder": al.StoreType("holder", "gas", ("works",), max_size=345.6)},
        pipes={"pipe": al.PipeType("pipe", capacity=0.01)},
        routes={n: al.Route(n, a, b, 100.0, ("pipe",)) for n, (a, b) in ways.items()},
        machines={"unit": al.MachineType("unit", {"gas": 1e-3}, {}, {"works": 20}, power_out=4e3)},
        demands={"all": al.Demand("all", "power", mean=1e5)},
    )


def main() -> None:
    """The rule and the site by hand, or one site."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("site", nargs="?", type=Path)
    parser.add_argument("plan", nargs="?", type=Path)
    parser.add_argument("--rise", type=float, help="ask whether any plan has this share more")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--networks", type=int, default=60)
    given = parser.parse_args()
    if given.site is None:
        check_the_rule(given.networks)
        site = by_hand()
        plan = al.plan(site, node_limit=100).plan
        found = gain(site, plan, given.seconds)
        tell("site by hand", found)
        # g/s and hours, the store is 96 g/s h. One split, r of it quick: 48.5 h have 24 h of the
        # quick source and 0.5 h of the slow one, and in the long run 0.5 r + 0.8 (10 - r) is drawn.
        one_split = 8.0 - 0.3 * (8.0 * 48.5 - 96.0 - 5.0) / (23.5 + 0.3 * 48.5)
        # A split a window: the worst is where both sources have 47.5 h, in 95.5 h.
        assert abs(found.today - 4e3 * one_split) < 0.01, found
        assert abs(found.split - 4e3 * (10.0 * 47.5 + 96.0) / 95.5) < 0.01, found
        return
    site, plan = read_site(given.site), read_plan(given.plan)
    found = gain(site, plan, given.seconds)
    assert found.today > 0, "a plan that gives power"
    tell(site.name, found)
    if given.rise is not None:
        asked = (1.0 + given.rise) * found.today
        print(f"  {asked / 1e3:.2f} kW: {any_plan_reaches(site, asked, given.seconds)}", flush=True)


def tell(name: str, found: Gain) -> None:
    """One line."""
    print(
        f"{name}: {found.today / 1e3:.2f} kW today, {found.split / 1e3:.2f} kW with a split a "
        f"window ({found.split / found.today - 1:+.2%}); pipes that carry anything: "
        f"{found.any_pipe / 1e3:.2f} kW ({found.any_pipe / found.today - 1:+.2%})",
        flush=True,
    )


if __name__ == "__main__":
    main()
