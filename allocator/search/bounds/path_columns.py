"""The path formulation: flows by origin as sums of flows along paths, some of them stated.

A *path column* is the flow of one origin along one path from its place to one end: a place where
its own flow is collected, or where the supply layer takes. Flow by origin in balance is a sum of
path columns (flow decomposition, Ahuja, Magnanti & Orlin, *Network Flows*, 1993, section 3.5), so
with all path columns this formulation is that of ``disaggregated.py``. Few path columns are ever
used; with some left out it bounds nothing by itself (``multipliers.py`` makes it a bound).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from allocator.model.expressions import scaled
from allocator.model.index_sets import IndexSets, PipeArc
from allocator.model.model import Key, Model, Terms
from allocator.search.bounds.disaggregated import (
    DROPPED,
    DROPPED_ROWS,
    PipeLink,
    bare_links,
    only_burdens,
    without_flows,
)
from allocator.search.bounds.multicommodity import Origin, given, origins_of, taken, takers
from allocator.search.bounds.stores import collected_where_built


@dataclass(frozen=True, slots=True)
class PathColumn:
    """A path: the links in turn (by number), and the row that it gives to at its end."""

    origin: str
    end: str
    links: tuple[int, ...]

    @property
    def key(self) -> Key:
        """Its variable, kg/s."""
        return ("path", self.origin, self.end, self.links)


@dataclass
class PathFormulation:
    """A path formulation.

    ``ends``: by origin, rows that its path columns may give to, and the place of each. ``unit``:
    kg/s a step of a path column's variable. ``through``: by link and origin, paths that use it.
    """

    model: Model
    links: tuple[PipeLink, ...]
    origins: tuple[Origin, ...]
    ends: Mapping[str, dict[str, str]]
    unit: float
    through: list[dict[str, list[Key]]] = field(default_factory=list)
    known: dict[PathColumn, None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.through = [{} for _ in self.links]
        self._at = {(link.pipe, link.start): n for n, link in enumerate(self.links)}
        self._most = {origin.name: origin.most for origin in self.origins}

    def link_of(self, arc: PipeArc) -> int:
        """The number of the link that an arc is, or is one way of."""
        pipe = (arc.route, arc.fluid)
        found = self._at.get((pipe, arc.start))
        return self._at[pipe, None] if found is None else found

    def loaded(self, number: int) -> PipeLink:
        """A link with the flows that are stated."""
        flows = self.through[number].items()
        stated = tuple((name, tuple(keys), self._most[name]) for name, keys in flows)
        return replace(self.links[number], flows=stated)

    def loaded_links(self) -> list[PipeLink]:
        """All links that some path column uses."""
        return [self.loaded(number) for number, through in enumerate(self.through) if through]

    def rows_of(self, path: PathColumn) -> list[tuple[str, float]]:
        """Rows (but threshold cuts) with a path column, and its coefficients."""
        found = [(home_row(path.origin), -1.0), (path.end, 1.0)]
        return found + [(capacity_row(self.links[number]), 1.0) for number in path.links]

    def take(self, path: PathColumn) -> None:
        """State the variable of a path column."""
        self.known[path] = None
        self.model.variable(path.key, unit=self.unit)
        for number in path.links:
            self.through[number].setdefault(path.origin, []).append(path.key)


def home_row(origin: str) -> str:
    """The row that says what an origin sends."""
    return f"home[{origin}]"


def capacity_row(link: PipeLink) -> str:
    """The row that says what a link carries."""
    return f"capacity[{link.name}]"


def path_formulation(full: Model, sets: IndexSets) -> PathFormulation:
    """The path formulation of a model, with no path columns yet; ``full`` is not changed.

    Per origin ``sent >= sum of its paths``; per end ``sum of paths there >= collected`` (of
    the origin) or ``>= taken`` (of all); per link ``sum of paths <= capacity laid``. Rows in
    which flow is a burden (what a way costs) are kept without it, other rows about flow are left
    out: both relax.
    """
    model = without_flows(full)
    origins = origins_of(sets)
    ends: dict[str, dict[str, str]] = {origin.name: {} for origin in origins}
    for origin in origins:
        model.row(home_row(origin.name), origin.out, low=0.0)
        for place, terms in origin.ends.items():
            name = f"end[{origin.name},{place}]"
            model.row(name, scaled(terms, -1.0), low=0.0)
            ends[origin.name][name] = place
    for fluid in sets.fluid_shapes:
        suppliers = [o for o in origins if o.fluid == fluid and o.supplies]
        for place, terms in takers(sets, fluid).items():
            name = f"taken[{fluid},{place}]"
            model.row(name, scaled(terms, -1.0), low=0.0)
            for origin in suppliers:
                ends[origin.name][name] = place
        for shape in sets.fluid_shapes[fluid]:
            every: Terms = given(sets, fluid, shape)
            for terms in taken(sets, fluid, shape).values():
                every = every + scaled(terms, -1.0)
            model.row(f"shape[{fluid},{shape}]", every, low=0.0)
    links = bare_links(model, sets, directed=sets.lossless)
    for link in links:
        model.row(capacity_row(link), [(-c, key) for c, key in link.builds], high=0.0)
    collected_where_built(model, sets)
    for row in full.rows:
        if row.name.startswith(DROPPED_ROWS):
            continue
        terms = [
            (value * row.scale / full.columns[c].unit, full.columns[c].key)
            for c, value in zip(row.columns, row.coefficients, strict=True)
        ]
        if only_burdens(terms, row):
            terms = without_flow(terms)
            model.row(row.name, terms, low=row.low * row.scale, high=row.high * row.scale)
    units = [c.unit for c in full.columns if isinstance(c.key, tuple) and c.key[0] in UNIT_OF]
    return PathFormulation(model, links, origins, ends, max(units, default=1.0))


UNIT_OF = ("collect", "direct")
"""Variables that give the unit of path columns."""


def without_flow(terms: Terms) -> Terms:
    """An expression without the flow that is split."""
    return [(c, key) for c, key in terms if not (isinstance(key, tuple) and key[0] in DROPPED)]
