"""What both bases of a small site share: pipes, materials, power and goals, for fixed whole

numbers. What is left is linear, and ``scipy.optimize.linprog`` solves it (``tiny_program``).
"""

from __future__ import annotations

from collections.abc import Hashable

from brute.choices import Whole, own_sources, used
from tiny_program import FLAT, Linear, Terms, on_hours

from allocator.site.records import POWER, Demand, MachineType, Site, Source

Pool = tuple[bool, str]
"""Power by whether it is clean, and its shape."""

SHAPED = "shape"
"""The name of the one profile that a small site may have."""


def times(terms: Terms, factor: float) -> Terms:
    """The expression times a factor."""
    return [(value * factor, key) for value, key in terms]


def is_clean(site: Site, machine: MachineType) -> bool:
    """Whether a machine releases nothing that counts."""
    return all(site.fluids[fluid].emission != "counted" for fluid in machine.outputs)


def shape_of(demand: Demand) -> str:
    """The name of a demand's shape."""
    return FLAT if demand.profile is None else SHAPED


class Basis:
    """One linear program: variables and rules of a basis, and the goals of the site."""

    def __init__(self, site: Site, whole: Whole) -> None:
        self.site, self.whole = site, whole
        self.program = Linear()
        self.on_pipe: dict[str, Terms] = {name: [] for name in site.routes}
        self.sizes: dict[str, Terms] = {name: [] for name in site.materials}
        self.own: Terms = []
        self.generated: dict[Pool, Terms] = {}
        self.turned: list[tuple[MachineType, Terms]] = []
        self.loaded: list[tuple[MachineType, Terms]] = []
        self.came: dict[str, Terms] = {fluid: [] for fluid in site.fluids}
        self.served: dict[str, dict[bool, Terms]] = {
            name: {True: [], False: []} for name in site.demands
        }
        asked = [fluid for machine in site.machines.values() for fluid in machine.inputs]
        asked += [demand.wants for demand in site.demands.values() if demand.wants != POWER]
        self.fuels = list(dict.fromkeys(asked))
        self.shapes = list(dict.fromkeys([FLAT, *map(shape_of, site.demands.values())]))
        self.state()
        self._finish()

    def state(self) -> None:
        """State the variables and rules of the basis."""
        raise NotImplementedError

    def moved(self, key: Hashable, fluid: str, peak: float = 1.0) -> dict[str, Terms]:
        """New flow of a commodity on every arc; what arrives less what leaves, by place."""
        balance: dict[str, Terms] = {place: [] for place in self.site.places}
        for name, build in self.whole.lay.items():
            route = self.site.routes[name]
            if build is None or fluid not in (self.site.pipes[build].fluids or (fluid,)):
                continue
            ways = [(route.start, route.end), (route.end, route.start)]
            for start, end in ways[: 1 if route.one_way else 2]:
                flow = ("move", key, name, start)
                self.program.variable(flow)
                balance[start].append((-1.0, flow))
                balance[end].append((1.0, flow))
                self.on_pipe[name].append((peak, flow))
        return balance

    def balanced(self, balances: list[dict[str, Terms]]) -> None:
        """What is given covers what is taken, at every place; the rest is vented."""
        for balance in balances:
            for terms in balance.values():
                if terms:
                    self.program.least(terms, 0.0)

    def power_shared_out(self, pools: dict[Pool, Terms]) -> None:
        """Every pool covers its use; the flat pools together carry the plant's own load."""
        both: Terms = []
        for clean in (True, False):
            for shape in self.shapes:
                given = self.generated.get((clean, shape), [])
                terms = given + times(pools.get((clean, shape), []), -1.0)
                if terms:
                    self.program.least(terms, 0.0)
                if shape == FLAT:
                    both += terms
        if self.own:
            self.program.least(both + times(self.own, -1.0), 0.0)

    def _finish(self) -> None:
        for route, terms in self.on_pipe.items():
            build = self.whole.lay.get(route)
            if terms and build is not None:
                self.program.most(terms, self.site.pipes[build].capacity)
        for name, kind in self.site.materials.items():
            if kind.stock is not None and self.sizes[name]:
                self.program.most(self.sizes[name], kind.stock - used(self.site, self.whole, name))
        if self.site.limits.emission is not None and (released := self.released()):
            self.program.most(released, self.site.limits.emission - self.always_vented())
        for name, demand in self.site.demands.items():
            terms = [term for part in self.served[name].values() for term in part]
            self.program.most(terms, demand.mean)
            if demand.min_share > 0:
                self.program.least(terms, demand.min_share * demand.mean)

    def released(self) -> Terms:
        """Mean counted release, kg/s."""
        released: Terms = []
        for machine, terms in self.turned:
            rate = sum(
                kilograms * self.site.fluids[fluid].emission_weight
                for fluid, kilograms in machine.outputs.items()
                if self.site.fluids[fluid].emission == "counted"
            )
            released += times(terms, rate) if rate else []
        for fluid, record in self.site.fluids.items():
            if record.vented_weight:
                released += times(self.vented(fluid), record.vented_weight)
        return released

    def comes(self, source: Source, mean: float, rate: Hashable) -> None:
        """What is taken of a source; of one that vents all comes whatever is taken."""
        if source.when_untapped == "stays":
            self.came[source.fluid].append((mean, rate))

    def vented(self, fluid: str) -> Terms:
        """What comes because it is asked for, less all that is used, mean kg/s."""
        terms = list(self.came[fluid])
        for machine, load in self.loaded:
            terms += times(load, machine.outputs.get(fluid, 0.0))
        for machine, takings in self.turned:
            terms += times(takings, -machine.inputs.get(fluid, 0.0))
        for name, demand in self.site.demands.items():
            if demand.wants == fluid:
                terms += times(self.served[name][True], -1.0)
        return terms

    def always_vented(self) -> float:
        """What would be released if nothing were taken of the sources that vent, kg/s."""
        return sum(
            self.site.fluids[s.fluid].vented_weight * s.flow * float(on_hours(s).mean())
            for s in own_sources(self.site).values()
            if s.when_untapped == "vents"
        )

    def goal(self, name: str) -> tuple[Terms, float]:
        """A goal of the site as an expression to be made least, and its part in whole numbers."""
        if name == "emissions":
            return self.released(), self.always_vented()
        if name == "scarce_material":
            scarce: Terms = []
            fixed = 0.0
            for material, kind in self.site.materials.items():
                scarce += times(self.sizes[material], kind.scarcity)
                fixed += kind.scarcity * used(self.site, self.whole, material)
            return scarce, fixed
        terms: Terms = []
        for demand in self.site.demands.values():
            if (demand.wants == POWER) == (name != "served_fluid"):
                parts = self.served[demand.name]
                terms += parts[True] + (parts[False] if name != "clean_power" else [])
        return times(terms, -1.0), 0.0
