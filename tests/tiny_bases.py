"""What both bases of a tiny site share, and the mean basis (see ``tiny_program``)."""

from __future__ import annotations

from collections.abc import Hashable

from tiny_program import (
    FLAT,
    Linear,
    Terms,
    Whole,
    clean,
    groups,
    material,
    on_hours,
    powers,
    shape_name,
)

from allocator.site.records import MachineType, Site


def times(terms: Terms, factor: float) -> Terms:
    return [(value * factor, key) for value, key in terms]


def arcs(site: Site, whole: Whole) -> list[tuple[str, str, str]]:
    """(route, start, end) of every direction in which a laid pipe may carry."""
    found = []
    for name, build in whole.lay.items():
        if build is not None:
            route = site.routes[name]
            found.append((name, route.start, route.end))
            if not route.one_way:
                found.append((name, route.end, route.start))
    return found


class Basis:
    """What both bases share: pipes, materials, served shares and goals."""

    def __init__(self, site: Site, whole: Whole) -> None:
        self.site, self.whole = site, whole
        self.program = Linear()
        self.on_pipe: dict[str, Terms] = {name: [] for name in site.routes}
        self.sizes: dict[str, Terms] = {name: [] for name in site.materials}
        self.own: Terms = []
        self.generated: dict[tuple[bool, str], Terms] = {}
        self.turned: list[tuple[MachineType, Terms]] = []
        self.clean_served: Terms = []
        self.all_served: Terms = []
        self.state()
        self._finish()

    def state(self) -> None:
        """State the variables and rules of the basis."""
        raise NotImplementedError

    def moved(self, key: Hashable, peak: float = 1.0) -> dict[str, Terms]:
        """New flow of a commodity on every arc; what arrives less what leaves, by place."""
        balance: dict[str, Terms] = {place: [] for place in self.site.places}
        for arc in arcs(self.site, self.whole):
            route, start, end = arc
            flow = ("move", key, route, start)
            self.program.variable(flow)
            balance[start].append((-1.0, flow))
            balance[end].append((1.0, flow))
            self.on_pipe[route].append((peak, flow))
        return balance

    def _finish(self) -> None:
        for route, terms in self.on_pipe.items():
            build = self.whole.lay.get(route)
            if terms and build is not None:
                self.program.most(terms, self.site.pipes[build].capacity)
        for name, kind in self.site.materials.items():
            if kind.stock is not None and self.sizes[name]:
                left = kind.stock - material(self.site, self.whole, name)
                self.program.most(self.sizes[name], left)
        if self.site.limits.emission is not None:
            released = []
            for machine, terms in self.turned:
                rate = sum(
                    kg * self.site.fluids[fluid].emission_weight
                    for fluid, kg in machine.outputs.items()
                    if self.site.fluids[fluid].emission == "counted"
                )
                released += times(terms, rate)
            if released:
                self.program.most(released, self.site.limits.emission)

    def shared_out(self, used: dict[tuple[bool, str], Terms]) -> None:
        """Every pool covers its use; the flat pools together carry the plant's own load."""
        both: Terms = []
        for is_clean in (True, False):
            for shape in self.shapes():
                pool = (is_clean, shape)
                terms = self.generated.get(pool, []) + times(used.get(pool, []), -1.0)
                if terms:
                    self.program.least(terms, 0.0)
                if shape == FLAT:
                    both += terms
        if self.own:
            self.program.least(both + times(self.own, -1.0), 0.0)

    def shapes(self) -> list[str]:
        """Flat, and the shape of a demand for power where there is one."""
        return list(dict.fromkeys([FLAT, *(shape_name(d) for d in powers(self.site))]))

    def goals(self) -> list[Terms]:
        """Clean power, served power, scarce material, all to be made least."""
        scarce: Terms = []
        for name, kind in self.site.materials.items():
            scarce += times(self.sizes[name], kind.scarcity)
        return [times(self.clean_served, -1.0), times(self.all_served, -1.0), scarce]

    def scarce_fixed(self) -> float:
        """The third goal's part that is in whole numbers."""
        return sum(
            kind.scarcity * material(self.site, self.whole, name)
            for name, kind in self.site.materials.items()
        )


class MeanBasis(Basis):
    """Every source steady at flow times duty; profiles flat; stores of no account."""

    def state(self) -> None:
        site, program = self.site, self.program
        balances = {fluid: self.moved(fluid) for fluid in site.fluids if self._moves(fluid)}
        for name, source in site.sources.items():
            rate = source.flow
            if source.pump is not None and source.pump.rate is not None:
                rate = min(rate, source.pump.rate)
            mean = rate * on_hours(source).mean() * self.whole.tap[name]
            program.variable(("take", name), mean)
            balances[source.fluid][source.place].append((1.0, ("take", name)))
            if source.pump is not None:
                self.own.append((source.pump.energy, ("take", name)))
        for machine, place in groups(site):
            load = ("load", machine.name, place)
            program.variable(load, float(self.whole.count[machine.name, place]))
            self.turned.append((machine, [(1.0, load)]))
            for fluid in balances:
                net = machine.outputs.get(fluid, 0.0) - machine.inputs.get(fluid, 0.0)
                balances[fluid][place].append((net, load))
            pool = (clean(site, machine), FLAT)
            self.generated.setdefault(pool, []).append((machine.power_out, load))
        for balance in balances.values():
            for terms in balance.values():
                if terms:
                    program.least(terms, 0.0)
        used: dict[tuple[bool, str], Terms] = {}
        for demand in powers(site):
            keys = [("served", demand.name, True), ("served", demand.name, False)]
            for key in keys:
                program.variable(key)
                used.setdefault((key[2], FLAT), []).append((1.0, key))
            program.most([(1.0, key) for key in keys], demand.mean)
            self.clean_served.append((1.0, keys[0]))
            self.all_served += [(1.0, key) for key in keys]
        self.shared_out(used)

    def _moves(self, fluid: str) -> bool:
        return any(source.fluid == fluid for source in self.site.sources.values())

    def shapes(self) -> list[str]:
        return [FLAT]
