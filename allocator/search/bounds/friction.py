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

*Boosters.* What o sends before the first booster of a way is apart, in balance at each node, and
so is the rest (``flow - before``). The row is for what is before: into a booster it loses no more
than ``p_o - inlet``. A booster at the inlet of a store gives its gain to what it takes (``helped``,
at most M where it runs). Where boosters stand at several nodes friction behind them is left out.

*All at one node B.* What was boosted at B does not come to B again: what comes to a node comes into
its high header, what leaves it or is taken there is at or below that, so the circle can be left
out. But supply that came back along a spur to the low header there could fill a store at B when it
comes again: what of it fills stores at B (``filled``) needs nothing. So a way passes one booster,
at B, and its boosted part z, added up over origins, obeys over the pipes behind

    sum (z phi(Q) + head z)  <=  sum over o (p_o + gain) first_o - sum over e need_e boosted_e,

``first_o`` being what boosters take of o: such a way comes to B at no more than p_o. With the rows
of all origins the same holds of whole ways, where the inlet of the booster drops out.

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
from allocator.model.model import INFINITY, Key, Model, Terms
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
    """Add what friction takes to a multicommodity formulation; tangents are added as needed.

    With a column for each pipe, by which plans with it and plans without it are told apart:
    ``laid = sum_b lay_b``, at most 1 as a pipe has one build.
    """
    pressures = sets.pressures
    if pressures is None or sets.lossless:
        return ()
    for link in stated.links:
        laid = stated.model.variable(laid_key(link.pipe), high=1.0)
        terms: Terms = [(-1.0, key) for _, key in link.builds]
        stated.model.row(f"laid[{link.name}]", [(1.0, laid), *terms], low=0.0, high=0.0)
    found: list[CarryingBuild] = []
    for one in pressures.fluids.values():
        fluid = _Fluid(stated, sets, pressures, one)
        fluid.state()
        found += fluid.found
    return tuple(found)


def laid_key(pipe: tuple[str, str]) -> Key:
    """1 where a pipe (route and fluid) has some build."""
    return ("laid", *pipe)


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
        self.boosted = bool(boosted)
        """Whether boosters may stand at pipes."""
        self.tops = {end.name: end.potential for end in gives(sets, one)}
        self._needs = {end.name: end.potential for end in takes(sets, one)}
        at_stores = [
            name
            for name, store in sets.fluid_stores.items()
            if name in pressures.boosters_at and store.type.holds == one.fluid
        ]
        self._at_stores = {f"store:{name}": pressures.boosters_at[name] for name in at_stores}
        """Boosters that may stand at the inlet of a store."""
        self._relieved = {*boosted, *(one.node(sets.fluid_stores[n].place) for n in at_stores)}
        """Nodes at which what fills stores out of the supply layer may need nothing."""
        self.alone = boosted[0] if boosted and len(self._relieved) == 1 else None
        """The node at which all boosters stand, if it is one."""
        self._least: dict[str, float] = {}
        for end in takes(sets, one):
            if end.name not in self._at_stores:
                self._least[end.node] = min(end.potential, self._least.get(end.node, math.inf))
        self.least = one.least
        self.step = 2.0 ** round(math.log2(one.most - one.least))
        self.found: list[CarryingBuild] = []

    def state(self) -> None:
        """State all of it."""
        found = _Found()
        for origin in self._origins:
            _OfOrigin(self, origin, found).state()
        for drop in self._drops:
            self._of_drop(drop, found)
        if self.boosted:
            for arc, terms in found.rest.items():
                self.model.row(f"boosted_along[{arc}]", terms, low=0.0, high=0.0)
            for node, terms in found.behind.items():
                self.model.row(f"boosted_goes_on[{self._one.fluid},{node}]", terms, low=0.0)
        if self.alone is not None:
            self.model.row(f"boosted_loses[{self._one.fluid}]", found.lost, high=0.0)
            self.model.row(f"all_lose[{self._one.fluid}]", [*found.lost, *found.ways], high=0.0)
        for one in self.found:
            asked = [share * one.build.most for share in SHARES]
            losses, slopes = losses_at([one.build.loss] * len(asked), asked)
            for flow, loss, slope in zip(asked, losses, slopes, strict=True):
                terms = tangent(one, one.carried, flow, loss, slope)
                self.model.row(f"friction[{one.build.flow},{flow!r}]", terms, low=0.0)

    def _of_drop(self, drop: Drop, found: _Found) -> None:
        """``sum_o carried + boosted <= peak`` of a build, and what a booster takes of all is no

        more than its most."""
        start, end = self.node(drop.arc.start), self.node(drop.arc.end)
        first = [found.first.get((drop.name, option.booster), []) for option in drop.boosters]
        through: Terms = []
        for build in drop.builds:
            carried = tuple(found.carried.get((drop.name, build.name), ()))
            flows: Terms = [(1.0, one.flow) for one in carried]
            if self.boosted and end != self.alone and (start != self.alone or drop.boosters):
                behind = self._boosted(drop, build, found)
                flows.append((1.0, behind.flow))
                through.append((1.0, behind.flow))
                if self.alone is not None and build.loss.checked:
                    self.found.append(CarryingBuild(build, drop.width, (behind,)))
            peak: Terms = [(-1.0, build.flow)]
            self.model.row(f"carried[{drop.name},{build.name}]", [*flows, *peak], high=0.0)
            if build.loss.checked and carried:
                self.found.append(CarryingBuild(build, drop.width, carried))
        if through:
            found.rest.setdefault(drop.arc, []).extend(scaled(through, -1.0))
            _moves(found.behind, start, end, through)
        for option, terms in zip(drop.boosters, first, strict=True):
            most = min(option.max_flow, max(build.most for build in drop.builds))
            name = f"boosters_take[{drop.name},{option.booster}]"
            self.model.row(name, [*terms, (-most, boost(option))], high=0.0)
        if drop.boosters and through:
            every = [term for terms in first for term in terms]
            low = -INFINITY if self.alone is None else 0.0
            terms = [*every, *scaled(through, -1.0)]
            self.model.row(f"boosted_there[{drop.name}]", terms, low=low, high=0.0)

    def _boosted(self, drop: Drop, build: LaidBuild, found: _Found) -> CarriedFlow:
        """``boosted <= B y``, with a column for what it loses where all boosters are at a node."""
        model = self.model
        unit = model.columns[model.index(build.flow)].unit
        key = model.variable(("boosted", drop.name, build.name), unit=unit, high=build.most)
        model.row(f"boosted_at_most[{key}]", [(1.0, key), (-build.most, build.laid)], high=0.0)
        lost: Key = ("boosted loses", drop.name, build.name)
        found.lost.append((build.loss.head, key))
        if build.loss.checked and self.alone is not None:
            model.variable(lost, unit=unit * self.step)
            found.lost.append((1.0, lost))
        return CarriedFlow(build.most, key, lost)

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
class _Found:
    """Terms that are gathered over all origins.

    ``carried``: by drop and build; ``first``: what boosters take, by drop and booster; ``rest``: by
    arc, what flows there and passed a booster; ``behind``: by node, what of that comes less what
    goes on; ``lost``: what it loses, less what is given up; ``ways``: what is lost before boosters,
    less what is given up there.
    """

    carried: dict[tuple[str, str], list[CarriedFlow]] = field(default_factory=dict)
    first: dict[tuple[str, str], Terms] = field(default_factory=dict)
    rest: dict[PipeArc, Terms] = field(default_factory=dict)
    behind: dict[str, Terms] = field(default_factory=dict)
    lost: Terms = field(default_factory=list)
    ways: Terms = field(default_factory=list)


def _moves(balance: dict[str, Terms], start: str, end: str, flow: Terms) -> None:
    """Enter a flow between two nodes into their balances."""
    balance.setdefault(start, []).extend(scaled(flow, -1.0))
    balance.setdefault(end, []).extend(flow)


class _OfOrigin:
    """The columns and rows of one origin."""

    def __init__(self, fluid: _Fluid, origin: Origin, found: _Found) -> None:
        self._fluid, self._origin, self._found, self._model = fluid, origin, found, fluid.model
        self._own = fluid.node(origin.place)
        self._lost: Terms = []
        """What is lost before boosters, less what is left of the potential at their inlets."""
        self._before: dict[str, Terms] = {}
        """By node: what comes less what goes on, before boosters."""
        self._behind: dict[str, Terms] = {}
        """The same of what passed a booster."""
        self._ways = not (origin.ends and origin.supplies)
        """Whether it has rows of ways."""

    def state(self) -> None:
        """State them."""
        along: dict[PipeArc, Terms] = {}
        most_laid: dict[PipeArc, Terms] = {}
        for drop in self._fluid.drops(self._origin):
            start, end = self._fluid.node(drop.arc.start), self._fluid.node(drop.arc.end)
            before: Terms = [(1.0, self._carried(drop, build)) for build in drop.builds]
            _moves(self._before, start, end, before)
            along.setdefault(drop.arc, []).extend(before)
            most_laid.setdefault(drop.arc, []).extend(
                (-min(self._origin.most, build.most), build.laid) for build in drop.builds
            )
            if drop.boosters and self._ways:
                for option in drop.boosters:
                    self._booster(drop, option, start)
                most = min(self._origin.most, max(build.most for build in drop.builds))
                runs: Terms = [(most, boost(option)) for option in drop.boosters]
                laid: Terms = [(-most, build.laid) for build in drop.builds]
                name = f"unboosted[{self._origin.name},{drop.name}]"
                self._model.row(name, [*before, *laid, *runs], high=0.0)
        for arc, terms in along.items():
            key = flow_key(self._origin, arc)
            rest: Terms = [(1.0, key), *scaled(terms, -1.0)]
            boosted = self._ways and self._fluid.boosted
            high = INFINITY if boosted else 0.0
            self._model.row(f"split[{key}]", rest, low=0.0, high=high)
            if boosted:
                self._found.rest.setdefault(arc, []).extend(rest)
                laid = [(1.0, key), *most_laid[arc]]
                self._model.row(f"carried_with_boosted[{key}]", laid, high=0.0)
                start, end = self._fluid.node(arc.start), self._fluid.node(arc.end)
                _moves(self._behind, start, end, rest)
        if self._ways:
            self._ends()
            for node, terms in self._behind.items():
                name = f"boosted_goes_on[{self._origin.name},{node}]"
                self._model.row(name, terms, low=0.0)

    def _carried(self, drop: Drop, build: LaidBuild) -> Key:
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
        carried = self._found.carried.setdefault((drop.name, build.name), [])
        carried.append(CarriedFlow(most, key, lost))
        return key

    def _booster(self, drop: Drop, option: BoosterOption, start: str) -> None:
        """What a booster takes of what came to none before: ``first <= M booster``."""
        model, found, at = self._model, self._found, (self._origin.name, drop.name, option.booster)
        unit = model.columns[model.index(drop.builds[0].flow)].unit
        most = min(self._origin.most, max(build.most for build in drop.builds))
        first = model.variable(("first boosted", *at), unit=unit)
        model.row(f"booster_takes[{first}]", [(1.0, first), (-most, boost(option))], high=0.0)
        self._before.setdefault(start, []).append((-1.0, first))
        found.behind.setdefault(start, []).append((1.0, first))
        self._behind.setdefault(start, []).append((1.0, first))
        found.lost.append((-self._top() - option.gain, first))
        if start != self._own:
            inlet = max(0.0, option.inlet - self._fluid.least)
            self._lost.append((inlet - self._top(), first))
            found.ways.append((-inlet + self._top(), first))
        found.first.setdefault((drop.name, option.booster), []).append((1.0, first))

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
            if self._fluid.boosted and to.node != self._fluid.alone:
                key = model.variable(("boosted to", name, to.key), unit=unit)
                ended.append((1.0, key))
                self._found.behind.setdefault(to.node, []).append((-1.0, key))
                self._behind.setdefault(to.node, []).append((-1.0, key))
                self._found.lost.append((to.need, key))
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
        for node, terms in self._before.items() if self._fluid.boosted else ():
            model.row(f"way_goes_on[{name},{node}]", terms, low=0.0)
        model.row(f"way_loses[{name}]", lost, high=0.0)
        self._found.ways.extend(lost)

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
