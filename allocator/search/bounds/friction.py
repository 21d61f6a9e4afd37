"""The multicommodity formulation under pressure: what friction takes from each origin's flow.

Of one fluid and one origin o, potentials counted above the least of the fluid, over the pipes that
are laid one way (or as a spur, one way of it), with ``x_o`` what a pipe carries of it, Q all that
it carries and phi its loss:

    sum over pipes (x_o phi(Q) + head x_o)  <=  sum over takers e (p_o - need_e) taken_(o,e).

``p_o``: the highest potential at which o gives; ``need_e``: the least at which e takes. What is
taken at the node of o uses no pipe, and counts nothing.

*Proof.* The flow of o is that of ways from o to takers (:mod:`.disaggregated`). Along a way no
header's potential rises, a pipe takes phi of all that it carries, and the way begins at no more
than p_o and ends at no less than need_e. Summed with the flow of each way, the row follows. A way
that leaves a node and comes back to it is a circle, and is left out. Origins that feed both layers
have no such row: where they flow both ways along a spur, the proof of the formulation changes ends.

*Boosters.* What o sends before the first booster of a way, and behind one at each node B, are
apart, all in balance at each node. The row is for what is before: into a booster it loses no more
than ``p_o - inlet``. Behind boosters friction is left out, as gains are large. A booster at the
inlet of a store gives its gain to what it takes (``helped``, at most M where it runs). What was
boosted at B does not come to B again: what comes to a node comes into its high header, what leaves
it or is taken there is at or below that, so the circle can be left out. But supply that came back
along a spur to the low header there could fill a store at B when it comes again: what of it fills
stores at B (``filled``) needs nothing.

*The product.* ``l_o`` stands for ``x_o phi(Q)``, of each build with its ``y`` (1 where laid), whose
most is B; ``M = min(B, most that o sends)``. phi is convex, rises, and is 0 at 0, so for any q

    sum_o l_o  >=  E'(q) Q - q^2 phi'(q) y,      E(q) = q phi(q): the tangent of a convex function;
    l_o        >=  E'(q) x_o - q^2 phi'(q) y,    as Q >= x_o;
    l_o        >=  (phi(q) - q phi'(q)) x_o + phi'(q) (M Q + B x_o - M B y),

the last as ``phi(Q) >= phi(q) + phi'(q) (Q - q)`` and ``(M - x_o) (B - Q) >= 0`` where y = 1. It is
exact at Q = q where o sends M. All are added where a point breaks them. They hold for what origins
carry in this formulation, which is no more than the peak for which the pipe loses its potential.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from allocator.model.drops import Drop, LaidBuild, drops_in
from allocator.model.expressions import scaled
from allocator.model.index_sets import IndexSets, PipeArc
from allocator.model.model import Key, Model, Terms
from allocator.model.pressure_reach import gives, takes
from allocator.model.pressures import Pressures, boost
from allocator.network.pressure_curves import losses_at
from allocator.network.pressure_records import BoosterOption, FluidPressures
from allocator.search.bounds.disaggregated import DisaggregatedModel, flow_key
from allocator.search.bounds.friction_cuts import CarriedFlow, CarryingBuild, tangent
from allocator.search.bounds.multicommodity import Origin, origins_of

SHARES = tuple(0.72**power for power in range(6))
"""Flows, as shares of the most that a build carries, of tangents that stand from the start."""


def state_friction(stated: DisaggregatedModel, sets: IndexSets) -> tuple[CarryingBuild, ...]:
    """Add what friction takes to a multicommodity formulation; tangents are added as needed."""
    pressures = sets.pressures
    if pressures is None or sets.lossless:
        return ()
    found: list[CarryingBuild] = []
    for one in pressures.fluids.values():
        fluid = _Fluid(stated, sets, pressures, one)
        fluid.state()
        found += fluid.found
    return tuple(found)


def carried_count(sets: IndexSets) -> int:
    """How many flows by origin and build there would be at the most, but for spurs."""
    losses = {} if sets.pressures is None else sets.pressures.losses
    builds: dict[str, int] = {}
    for arc, by_build in losses.items():
        builds[arc.fluid] = builds.get(arc.fluid, 0) + len(by_build)
    return sum(builds.get(origin.fluid, 0) for origin in origins_of(sets))


@dataclass(frozen=True, slots=True)
class _Delivery:
    """What is taken of an origin: its node, the least potential there, and its column.

    ``filling``: what fills stores there out of the supply layer, where boosters may stand.
    ``boosters``: that may stand at the inlet of the store that takes it.
    """

    node: str
    need: float
    key: Key
    filling: Terms
    boosters: tuple[BoosterOption, ...]


class _Fluid:
    """What friction takes of one fluid. ``found``: the builds that carry it."""

    def __init__(
        self,
        stated: DisaggregatedModel,
        sets: IndexSets,
        pressures: Pressures,
        one: FluidPressures,
    ) -> None:
        self.model: Model = stated.model
        self._sets, self._one = sets, one
        self._origins = [origin for origin in stated.origins if origin.fluid == one.fluid]
        self._arcs = {origin.name: frozenset(stated.arcs[origin.name]) for origin in self._origins}
        self._drops = [drop for drop in drops_in(pressures) if drop.arc.fluid == one.fluid]
        boosted = [one.node(drop.arc.start) for drop in self._drops if drop.boosters]
        self.boosted: tuple[str, ...] = tuple(dict.fromkeys(boosted))
        """Nodes where boosters may stand."""
        self.tops = {end.name: end.potential for end in gives(sets, one)}
        self._needs = {end.name: end.potential for end in takes(sets, one)}
        at_stores = [name for name in sets.fluid_stores if name in pressures.boosters_at]
        self._at_stores = {
            f"store:{name}": pressures.boosters_at[name]
            for name in at_stores
            if sets.fluid_stores[name].type.holds == one.fluid
        }
        """Boosters that may stand at the inlet of a store."""
        self._relieved = {*boosted, *(one.node(sets.fluid_stores[n].place) for n in at_stores)}
        """Nodes at which what fills stores out of the supply layer may need nothing."""
        self._least: dict[str, float] = {}
        for end in takes(sets, one):
            if end.name not in self._at_stores:
                self._least[end.node] = min(end.potential, self._least.get(end.node, math.inf))
        self.least = one.least
        self.step = 2.0 ** round(math.log2(one.most - one.least))
        self.found: list[CarryingBuild] = []

    def state(self) -> None:
        """State all of it."""
        taken = _Taken()
        by_drop: dict[str, dict[str, list[CarriedFlow]]] = {}
        for origin in self._origins:
            _OfOrigin(self, origin).state(by_drop, taken)
        for drop in self._drops:
            self._of_drop(drop, by_drop.get(drop.name, {}), taken)
        for one in self.found:
            asked = [share * one.build.most for share in SHARES]
            losses, slopes = losses_at([one.build.loss] * len(asked), asked)
            for flow, loss, slope in zip(asked, losses, slopes, strict=True):
                terms = tangent(one, one.carried, flow, loss, slope)
                self.model.row(f"friction[{one.build.flow},{flow!r}]", terms, low=0.0)

    def _of_drop(self, drop: Drop, builds: dict[str, list[CarriedFlow]], taken: _Taken) -> None:
        """``sum_o carried <= peak`` of a build, with what is boosted of all together, and what a

        booster takes of all is no more than its most."""
        all_flows: Terms = []
        for build in drop.builds:
            carried = tuple(builds.get(build.name, ()))
            flows: Terms = [(1.0, one.flow) for one in carried]
            peak: Terms = [(-1.0, build.flow)]
            self.model.row(f"carried[{drop.name},{build.name}]", [*flows, *peak], high=0.0)
            all_flows += [*flows, *peak]
            if build.loss.checked and carried:
                self.found.append(CarryingBuild(build, drop.width, carried))
        boosted = taken.through.get(drop.name, [])
        if boosted:
            self.model.row(f"carried[{drop.name}]", [*all_flows, *boosted], high=0.0)
        for option in drop.boosters:
            most = min(option.max_flow, max(build.most for build in drop.builds))
            first = taken.by_option.get((drop.name, option.booster), [])
            name = f"boosters_take[{drop.name},{option.booster}]"
            self.model.row(name, [*first, (-most, boost(option))], high=0.0)

    def node(self, place: str) -> str:
        """The node whose potentials a place has."""
        return self._one.node(place)

    def drops(self, origin: Origin) -> list[Drop]:
        """The ways in which pipes may carry what an origin sends: out along spurs to be collected,

        back along them out of what is supplied."""
        kinds = {"peak"} | ({"filling"} if origin.ends else set())
        kinds |= {"release"} if origin.supplies else set()
        arcs = self._arcs[origin.name]
        return [
            drop
            for drop in self._drops
            if drop.arc in arcs and drop.builds and _kind(drop.builds[0]) in kinds
        ]

    def deliveries(self, origin: Origin) -> list[_Delivery]:
        """Where what an origin sends is taken."""
        found = []
        for terms in origin.ends.values():
            for _, key in terms:
                assert isinstance(key, tuple)
                to = self._sets.destinations[key[2]]
                end = key[2] if to.group is None else f"group:{to.group.name}"
                node, options = self.node(to.place), self._at_stores.get(end, ())
                need = self._needs.get(end, 0.0)
                if to.store is not None and options:
                    fill = self._one.stores[to.store.type.name].fill
                    need = max(0.0, fill - self._one.least)
                found.append(_Delivery(node, need, key, [], options))
        for node_place in self._sets.places if origin.supplies else ():
            key = ("sunk", origin.name, origin.fluid, node_place)
            if self.model.has(key):
                node = self.node(node_place)
                filling = self._filling(node)
                found.append(_Delivery(node, self._least.get(node, 0.0), key, filling, ()))
        return found

    def _filling(self, node: str) -> Terms:
        """What fills stores at a node out of the supply layer; nothing where no booster stands."""
        stores = self._sets.fluid_stores.items()
        return [
            (1.0, ("inflow", name))
            for name, store in stores
            if store.type.holds == self._one.fluid
            and node in self._relieved
            and self.node(store.place) == node
        ]


def _kind(build: LaidBuild) -> str:
    assert isinstance(build.flow, tuple)
    return str(build.flow[0])


@dataclass(frozen=True)
class _Taken:
    """What boosters take for the first time, by drop and booster, and what is boosted, by drop."""

    by_option: dict[tuple[str, str], Terms] = field(default_factory=dict)
    through: dict[str, Terms] = field(default_factory=dict)


def _moves(balance: dict[str, Terms], start: str, end: str, flow: Terms) -> None:
    """Enter a flow between two nodes into their balances."""
    balance.setdefault(start, []).extend(scaled(flow, -1.0))
    balance.setdefault(end, []).extend(flow)


class _OfOrigin:
    """The columns and rows of one origin."""

    def __init__(self, fluid: _Fluid, origin: Origin) -> None:
        self._fluid, self._origin, self._model = fluid, origin, fluid.model
        self._own = fluid.node(origin.place)
        self._lost: Terms = []
        """What is lost before boosters, less what is left of the potential at their inlets."""
        self._before: dict[str, Terms] = {}
        """By node: what comes less what goes on, before boosters."""
        self._behind: dict[str, dict[str, Terms]] = {node: {} for node in fluid.boosted}
        """The same of what was boosted at each node."""

    def state(self, by_drop: dict[str, dict[str, list[CarriedFlow]]], by_booster: _Taken) -> None:
        """State them. ``by_drop``: what builds carry of origins; ``by_booster``: what boosters

        take of them."""
        along: dict[PipeArc, Terms] = {}
        for drop in self._fluid.drops(self._origin):
            start, end = self._fluid.node(drop.arc.start), self._fluid.node(drop.arc.end)
            builds = by_drop.setdefault(drop.name, {})
            before = [
                (1.0, self._carried(drop, build, builds.setdefault(build.name, [])))
                for build in drop.builds
            ]
            _moves(self._before, start, end, before)
            boosted = self._boosted(drop, start, end)
            for option in drop.boosters:
                self._booster(drop, option, start, by_booster)
            along.setdefault(drop.arc, []).extend(scaled([*before, *boosted], -1.0))
            name, most = f"[{self._origin.name},{drop.name}]", self._origin.most
            laid: Terms = [(-min(most, build.most), build.laid) for build in drop.builds]
            if boosted:
                self._model.row(f"carried_with_boosted{name}", [*before, *boosted, *laid], high=0.0)
                by_booster.through.setdefault(drop.name, []).extend(boosted)
            if drop.boosters:
                most = min(most, max(build.most for build in drop.builds))
                runs: Terms = [(most, boost(option)) for option in drop.boosters]
                all_laid: Terms = [(-most, build.laid) for build in drop.builds]
                self._model.row(f"unboosted{name}", [*before, *all_laid, *runs], high=0.0)
        for arc, terms in along.items():
            key = flow_key(self._origin, arc)
            self._model.row(f"split[{key}]", [(1.0, key), *terms], low=0.0, high=0.0)
        if not (self._origin.ends and self._origin.supplies):
            self._ends()

    def _carried(self, drop: Drop, build: LaidBuild, carried: list[CarriedFlow]) -> Key:
        """``carried <= M y``, with a column for what it loses."""
        model, at = self._model, (self._origin.name, drop.name, build.name)
        most = min(self._origin.most, build.most)
        unit = model.columns[model.index(build.flow)].unit
        key = model.variable(("carried", *at), unit=unit, high=most)
        model.row(f"carried_at_most[{key}]", [(1.0, key), (-most, build.laid)], high=0.0)
        self._lost.append((build.loss.head, key))
        lost: Key = ("lost by", *at)
        if build.loss.checked:
            model.variable(lost, unit=unit * self._fluid.step)
            self._lost.append((1.0, lost))
        carried.append(CarriedFlow(most, key, lost))
        return key

    def _boosted(self, drop: Drop, start: str, end: str) -> Terms:
        """What was boosted at each node but the one to which the pipe leads."""
        model, found = self._model, list[tuple[float, Key]]()
        unit = model.columns[model.index(drop.builds[0].flow)].unit
        for node, balance in self._behind.items():
            if node != end:
                key = model.variable(("boosted at", node, self._origin.name, drop.name), unit=unit)
                found.append((1.0, key))
                _moves(balance, start, end, [(1.0, key)])
        return found

    def _booster(self, drop: Drop, option: BoosterOption, start: str, taken: _Taken) -> None:
        """What a booster takes of what came to none before: ``first <= M booster``."""
        model, at = self._model, (self._origin.name, drop.name, option.booster)
        unit = model.columns[model.index(drop.builds[0].flow)].unit
        most = min(self._origin.most, max(build.most for build in drop.builds))
        first = model.variable(("first boosted", *at), unit=unit)
        model.row(f"booster_takes[{first}]", [(1.0, first), (-most, boost(option))], high=0.0)
        through = ("boosted at", start, self._origin.name, drop.name)
        model.row(f"first_boosted[{first}]", [(1.0, first), (-1.0, through)], high=0.0)
        self._behind[start].setdefault(start, []).append((1.0, first))
        self._before.setdefault(start, []).append((-1.0, first))
        if start != self._own:
            inlet = max(0.0, option.inlet - self._fluid.least)
            self._lost.append((inlet - self._top(), first))
        taken.by_option.setdefault((drop.name, option.booster), []).append((1.0, first))

    def _top(self) -> float:
        return self._fluid.tops[self._origin.name]

    def _ends(self) -> None:
        """The rows of the ways."""
        model, name, lost = self._model, self._origin.name, self._lost
        self._before.setdefault(self._own, []).extend(self._origin.out)
        for to in self._fluid.deliveries(self._origin):
            worth = 0.0 if to.node == self._own else self._top() - to.need
            lost.append((-worth, to.key))
            before = self._before.setdefault(to.node, [])
            before.append((-1.0, to.key))
            unit = model.columns[model.index(to.key)].unit
            ended: Terms = []
            for node, balance in self._behind.items():
                if node != to.node:
                    key = model.variable(("boosted to", node, name, to.key), unit=unit)
                    ended.append((1.0, key))
                    balance.setdefault(to.node, []).append((-1.0, key))
            before.extend(ended)
            lost.extend(scaled(ended, worth))
            eased: Terms = []
            for option in to.boosters:
                if to.node != self._own:
                    eased.append((min(option.gain, to.need), self._helped(to, option, unit)))
            if to.filling and to.node != self._own:
                eased.append((to.need, self._filled(to, unit)))
            lost.extend(scaled(eased, -1.0))
            parts: Terms = [*ended, *((1.0, key) for _, key in eased)]
            model.row(f"taken_as[{name},{to.key}]", [*parts, (-1.0, to.key)], high=0.0)
        for balance in (self._before, *self._behind.values()) if self._behind else ():
            for node, terms in balance.items():
                model.row(f"way_goes_on[{name},{node}]", terms, low=0.0)
        model.row(f"way_loses[{name}]", lost, high=0.0)

    def _helped(self, to: _Delivery, option: BoosterOption, unit: float) -> Key:
        """What of a delivery a booster at the inlet of its store takes: ``helped <= M booster``."""
        model = self._model
        key = model.variable(("helped", self._origin.name, to.key, option.booster), unit=unit)
        most = min(self._origin.most, option.max_flow)
        if math.isfinite(most):
            model.row(f"helped_by[{key}]", [(1.0, key), (-most, boost(option))], high=0.0)
        return key

    def _filled(self, to: _Delivery, unit: float) -> Key:
        """What of a delivery fills stores there."""
        model = self._model
        key = model.variable(("filled", self._origin.name, to.key), unit=unit)
        filling = scaled(to.filling, -1.0)
        model.row(f"filled_there[{key}]", [(1.0, key), *filling], high=0.0)
        return key
