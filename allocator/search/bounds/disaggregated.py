"""The multicommodity formulation: the same model with the pipes' flow split by where it began.

The aggregated model adds up all flow on a pipe, so that its relaxation lays a sliver of
the largest build for whatever flows. Split by origin o, with M_o the most that o can ever send,
the flow on one pipe obeys for every set A of origins (*threshold cuts*)

    sum over A of f[o,a]  <=  sum over builds k of min(capacity_k, M(A)) * lay[a,k],

with M(A) the sum of M_o: what A sends at once is no more than M(A), and a pipe has one build.
These rows describe the hull of one pipe exactly: for one build the set {f : f_o <= M_o, sum f <=
capacity} is a polymatroid, a mixture of builds is a sum of scaled polymatroids, and its rank
function is the sum of their rank functions (Edmonds 1970, from memory).

Proof that the multicommodity formulation bounds the model. Take any plan of the model. Its collect
flow bound for a place comes in balance from sources that send there, and its supply flow of each
shape comes in balance from what enters the layer; both can be taken apart into paths from an
origin to a taker (flow decomposition, Ahuja, Magnanti & Orlin, *Network Flows*, 1993, section 3.5;
circles are dropped, which frees capacity and costs nothing as no way has a negative cost). Add
the paths up by origin, a following part at its peak. Each origin's flow is in balance; opposite
flows of one origin on a corridor are cancelled, so that f[o,a] there is at most what o sends; the
total on a corridor did not grow, so capacities hold; what is taken at each place did not change.
All other rows and variables are the model's own. So every plan has its image here with the same
value of every goal (a cost of the way: no more), and a bound of this formulation is one of the
model.

On the mean basis one shape of one layer is all there is, so opposite flows cancel whatever their
origins, and each pipe is laid in one *way*: lay = way forth + way back, and the rows above hold
arc by arc.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from allocator.model.expressions import scaled
from allocator.model.index_sets import IndexSets, PipeArc
from allocator.model.model import INFINITY, Key, Model, Row, Terms
from allocator.model.ways import way
from allocator.search.bounds.multicommodity import (
    Origin,
    given,
    origins_of,
    taken,
    takers,
    useful_arcs,
)
from allocator.search.bounds.reduction import Reduction
from allocator.search.bounds.stores import collected_where_built

DROPPED = ("gather", "supply")
"""Variables of the model that the flows by origin stand for."""
DROPPED_ROWS = ("collect_balance[", "supply_balance[", "pipe_capacity[")


@dataclass(frozen=True)
class PipeLink:
    """What is laid together: a pipe, or one way of it. Flows through it, by origin."""

    name: str
    flows: tuple[tuple[str, tuple[Key, ...], float], ...]
    """An origin, keys whose sum is its flow, and the most that it can send."""
    builds: tuple[tuple[float, Key], ...]
    """Capacity and key of each build, smallest first."""
    pipe: tuple[str, str] = ("", "")
    """Route and fluid."""
    start: str | None = None
    """Where the one way begins; None for both ways."""


@dataclass(frozen=True)
class DisaggregatedModel:
    """A multicommodity formulation, and the links that threshold cuts speak of."""

    model: Model
    links: tuple[PipeLink, ...]
    origins: tuple[Origin, ...]
    arcs: Mapping[str, tuple[PipeArc, ...]]
    """Arcs that each origin's flow may use."""


def without_flows(full: Model) -> Model:
    """A new formulation with the variables of a model but those of flow in pipes, and no rows."""
    model = Model()
    for column in full.columns:
        if not (isinstance(column.key, tuple) and column.key[0] in DROPPED):
            model.variable(
                column.key,
                column.low * column.unit,
                column.high * column.unit,
                column.unit,
                column.integer,
                implied=column.implied,
            )
    return model


def disaggregated_model(
    full: Model,
    sets: IndexSets,
    closed: Collection[Key] = frozenset(),
    reduction: Reduction | None = None,
) -> DisaggregatedModel:
    """The multicommodity formulation of a model; rows and variables but those of pipes are kept.

    ``full`` is not changed. Rows about the flow that is split (none but those of balance and
    capacity speak of it) are stated again. ``closed``: builds of links that are not laid, and with
    all builds of a link its flows are left out: the formulation then speaks of plans without them.
    ``reduction``: it speaks of plans as good as a cutoff alone, with what is left of these.
    """
    model = without_flows(full)
    origins = origins_of(sets)
    unit = max((c.unit for c in full.columns if _is(c.key, "collect", "direct")), default=1.0)
    arcs = (
        _open_arcs(sets, origins, closed)
        if reduction is None
        else {origin.name: tuple(reduction.arcs[origin.name]) for origin in origins}
    )
    fits: Mapping[str, Mapping[PipeArc, float]] = {} if reduction is None else reduction.arcs
    for origin in origins:
        for arc in arcs[origin.name]:
            most = min(origin.most, fits.get(origin.name, {}).get(arc, INFINITY))
            model.variable(flow_key(origin, arc), unit=unit, high=most)
        if reduction is not None:
            for place, (_, most) in reduction.beyond[origin.name].items():
                model.variable(beyond_key(origin, place), unit=unit, high=most)
    for fluid in sets.fluid_shapes:
        _balances(model, sets, fluid, [o for o in origins if o.fluid == fluid], arcs, unit)
    if reduction is not None:
        _carrying_row(model, reduction, origins)
        closed = reduction.closed
    links = _links(model, sets, origins, arcs, fits, directed=sets.lossless)
    for link in links:
        total: Terms = [(1.0, key) for _, keys, _ in link.flows for key in keys]
        total += [(-capacity, key) for capacity, key in link.builds]
        model.row(f"capacity[{link.name}]", total, high=0.0)
    for key in closed:
        model.close(key)
    disaggregated = DisaggregatedModel(model, links, origins, arcs)
    collected_where_built(model, sets)
    for row in full.rows:
        if row.name.startswith(DROPPED_ROWS):
            continue
        terms: Terms = [
            (value * row.scale / full.columns[c].unit, full.columns[c].key)
            for c, value in zip(row.columns, row.coefficients, strict=True)
        ]
        if only_burdens(terms, row):
            terms = disaggregated_terms(disaggregated, sets, terms)
            model.row(row.name, terms, low=row.low * row.scale, high=row.high * row.scale)
    return disaggregated


def _open_arcs(
    sets: IndexSets, origins: Sequence[Origin], closed: Collection[Key]
) -> dict[str, tuple[PipeArc, ...]]:
    """The arcs of each origin but those on which nothing is laid."""
    shut = _shut(sets, closed) if closed else set()
    found = {}
    for origin in origins:
        sinks = set(takers(sets, origin.fluid)) | set(origin.ends)
        useful = useful_arcs(sets, origin, sinks)
        found[origin.name] = tuple(arc for arc in useful if arc not in shut)
    return found


def flow_variable_count(sets: IndexSets, closed: Collection[Key] = frozenset()) -> int:
    """How many flows by origin there would be at most."""
    shut = _shut(sets, closed) if closed else set()
    open_ways = {f: sum(a not in shut for a in arcs) for f, arcs in sets.arcs.items()}
    return sum(open_ways.get(origin.fluid, 0) for origin in origins_of(sets))


def _shut(sets: IndexSets, closed: Collection[Key]) -> set[PipeArc]:
    """The arcs of which every build is closed, as one way or as a pipe."""
    found = set()
    for fluid, arcs in sets.arcs.items():
        for arc in arcs:
            builds = sets.pipes[arc.route, fluid].builds
            if all(
                way(arc.route, arc.start, b, fluid) in closed
                or ("lay", arc.route, b, fluid) in closed
                for b in builds
            ):
                found.add(arc)
    return found


def only_burdens(terms: Terms, row: Row) -> bool:
    """True for a row in which flow, if it stands there, only uses up what the row allows.

    Any other row about flow is left out, which relaxes.
    """
    flows = [coefficient for coefficient, key in terms if _is(key, *DROPPED)]
    if not flows:
        return True
    if row.low == -INFINITY:
        return min(flows) >= 0.0
    return row.high == INFINITY and max(flows) <= 0.0


def disaggregated_terms(disaggregated: DisaggregatedModel, sets: IndexSets, terms: Terms) -> Terms:
    """An expression of the model in the variables of the multicommodity formulation.

    Flow stands only where it is a burden: what a way costs, or the power it takes. What an origin
    sends has the least burden that it could have on the arc, in either layer (a
    following part, which is counted at its peak here, with its share of that): never more than
    in the model, so that a limit or a goal of such an expression relaxes.
    """
    kept: Terms = []
    gathered: dict[tuple[str, str, str], float] = {}
    supplied: dict[tuple[str, str, str], float] = {}
    for coefficient, key in terms:
        if _is(key, "gather"):
            _, route, start, fluid, _ = _words(key)
            _least(gathered, (route, start, fluid), coefficient)
        elif _is(key, "supply"):
            _, route, start, fluid, shape = _words(key)
            _least(supplied, (route, start, fluid), coefficient / sets.peak(shape))
        else:
            kept.append((coefficient, key))
    if not gathered and not supplied:
        return kept
    for origin in disaggregated.origins:
        for arc in disaggregated.arcs[origin.name]:
            at = (arc.route, arc.start, origin.fluid)
            burdens = [gathered.get(at, 0.0)] if origin.ends else []
            if origin.supplies:
                burdens.append(supplied.get(at, 0.0))
            if burdens and (burden := min(burdens, key=abs)):
                kept.append((burden, flow_key(origin, arc)))
    return kept


def _least(
    found: dict[tuple[str, str, str], float], at: tuple[str, str, str], burden: float
) -> None:
    if at not in found or abs(burden) < abs(found[at]):
        found[at] = burden


def _is(key: Key, *words: str) -> bool:
    return isinstance(key, tuple) and key[0] in words


def _words(key: Key) -> tuple[str, ...]:
    assert isinstance(key, tuple)
    return key


def flow_key(origin: Origin, arc: PipeArc) -> Key:
    """Flow of an origin on an arc, kg/s."""
    return ("flow", origin.name, origin.fluid, arc.route, arc.start)


def beyond_key(origin: Origin, place: str) -> Key:
    """Flow of an origin to an end by paths that are not stated (``reducer.py``), kg/s."""
    return ("beyond", origin.name, place)


def _carrying_row(model: Model, reduction: Reduction, origins: Sequence[Origin]) -> None:
    """The carrying row of a reduction (``reducer.py`` says why all good plans keep it)."""
    terms: Terms = list(reduction.taken)
    for origin in origins:
        for place, distance in reduction.distance[origin.name].items():
            sent: Terms = list(origin.ends.get(place, []))
            if model.has(sunk := ("sunk", origin.name, origin.fluid, place)):
                sent.append((1.0, sunk))
            terms += scaled(sent, distance)
        for place, (longer, _) in reduction.beyond[origin.name].items():
            terms.append((longer, beyond_key(origin, place)))
    model.row("carrying", terms, high=reduction.shares)
    for number, builds in enumerate(reduction.must):
        model.row(f"must[{number}]", [(1.0, key) for key in builds], low=1.0)


def _balances(
    model: Model,
    sets: IndexSets,
    fluid: str,
    origins: list[Origin],
    arcs: dict[str, tuple[PipeArc, ...]],
    unit: float,
) -> None:
    """Per origin and place: ``sent here + arriving >= leaving + collected here + sunk here``; per

    place: ``sum over origins of sunk >= taken``; per shape: ``given >= taken``, all places.
    """
    wanted = takers(sets, fluid)
    arriving: dict[str, Terms] = {place: [] for place in wanted}
    for origin in origins:
        balance: dict[str, Terms] = {origin.place: list(origin.out)}
        for arc in arcs[origin.name]:
            key = flow_key(origin, arc)
            balance.setdefault(arc.start, []).append((-1.0, key))
            balance.setdefault(arc.end, []).append((1.0, key))
        for place in (*wanted, *(place for place in origin.ends if place not in wanted)):
            if model.has(key := beyond_key(origin, place)):
                balance[origin.place].append((-1.0, key))
                balance.setdefault(place, []).append((1.0, key))
        for place, terms in origin.ends.items():
            balance.setdefault(place, []).extend(scaled(terms, -1.0))
        for place, listed in arriving.items():
            if place in balance and origin.supplies:
                key = model.variable(("sunk", origin.name, fluid, place), unit=unit)
                balance[place].append((-1.0, key))
                listed.append((1.0, key))
        for place, terms in balance.items():
            model.row(f"balance[{fluid},{origin.name},{place}]", terms, low=0.0)
    for place, terms in wanted.items():
        model.row(f"taken[{fluid},{place}]", arriving[place] + scaled(terms, -1.0), low=0.0)
    for shape in sets.fluid_shapes[fluid]:
        every: Terms = given(sets, fluid, shape)
        for terms in taken(sets, fluid, shape).values():
            every = every + scaled(terms, -1.0)
        model.row(f"shape[{fluid},{shape}]", every, low=0.0)


def bare_links(model: Model, sets: IndexSets, directed: bool) -> tuple[PipeLink, ...]:
    """What is laid together, with no flows yet; ``directed``: a link for each way of a pipe.

    States the ways: ``way forth + way back <= lay`` for each build.
    """
    starts: dict[tuple[str, str], set[str]] = {}
    for fluid, arcs in sets.arcs.items():
        for arc in arcs:
            starts.setdefault((arc.route, fluid), set()).add(arc.start)
    found = []
    for (route, fluid), pipe in sets.pipes.items():
        builds = sorted((sets.site.capacity(route, b, fluid), b) for b in pipe.builds)
        ends = (sets.site.routes[route].start, sets.site.routes[route].end)
        # a way without flows is stated as well: what is left out may need it
        cheapest_paths = [start for start in ends if start in starts.get((route, fluid), ())]
        if directed:
            for start in cheapest_paths:
                for _, b in builds:
                    if not model.has(way(route, start, b, fluid)):  # the model's own
                        model.variable(way(route, start, b, fluid), high=1.0, integer=True)
            for _, b in builds:
                terms: Terms = [(1.0, way(route, start, b, fluid)) for start in cheapest_paths]
                terms.append((-1.0, ("lay", route, b, fluid)))
                model.row(f"ways[{route},{fluid},{b}]", terms, high=0.0)
            for start in cheapest_paths:
                keys = tuple((c, way(route, start, b, fluid)) for c, b in builds)
                name = f"{route},{fluid},{start}"
                found.append(PipeLink(name, (), keys, (route, fluid), start))
        elif cheapest_paths:
            lays = tuple((c, ("lay", route, b, fluid)) for c, b in builds)
            found.append(PipeLink(f"{route},{fluid}", (), lays, (route, fluid)))
    return tuple(found)


def _links(
    model: Model,
    sets: IndexSets,
    origins: tuple[Origin, ...],
    arcs: dict[str, tuple[PipeArc, ...]],
    fits: Mapping[str, Mapping[PipeArc, float]],
    directed: bool,
) -> tuple[PipeLink, ...]:
    """The links with the flows of all origins: both ways of an origin together, or one.

    ``fits``: the most of an origin on an arc and its way back, where it is less than all it sends.
    """
    through: dict[tuple[tuple[str, str], str | None], dict[str, list[Key]]] = {}
    most: dict[tuple[tuple[tuple[str, str], str | None], str], float] = {}
    for origin in origins:
        less = fits.get(origin.name, {})
        for arc in arcs[origin.name]:
            at = ((arc.route, origin.fluid), arc.start if directed else None)
            keys = through.setdefault(at, {}).setdefault(origin.name, [])
            keys.append(flow_key(origin, arc))
            fit = min(origin.most, less.get(arc, INFINITY))
            most[at, origin.name] = max(most.get((at, origin.name), 0.0), fit)
    return tuple(
        replace(
            link,
            flows=tuple(
                (name, tuple(keys), most[(link.pipe, link.start), name])
                for name, keys in through.get((link.pipe, link.start), {}).items()
            ),
        )
        for link in bare_links(model, sets, directed)
    )
