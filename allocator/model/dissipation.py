"""Rows that every plan fulfils, for bounds: what friction takes is no more than what is given up.

Of one fluid, over the pipes that its gas uses *plainly*, with flow F and loss phi(F) + head:

    sum F (phi(F) + head)  <=  sum_s p_s g_s + sum_n top_n h_n - sum_c need_c (taken_c - u_c),

with potentials counted above the least of the fluid, and of gas that rises the least head that it
may have. ``p_s``: the highest at which source, store or machine s gives; ``need_c``: the least at
which c takes. ``g_s``: what s gives that leaves its node by plain pipes; ``u_c``: what c takes that
came to its node by no plain pipe; ``h_n``: what came to node n by pipes that are not plain and
leaves it by plain ones.

*Plain.* ``top_n`` is the highest potential that gas has at node n which passed no booster
(:mod:`allocator.model.pressure_reach`). A pipe is plain where no booster runs at its inlet and the
header that it leaves has no more than the top of its start; else it is *boosted*. What enters a
boosted pipe without a booster came by boosted pipes: its header is above the top, while all that
is given at its node, and all that comes there by plain pipes, is at or below it. So at each node

    h_n <= boosted that comes - boosted that leaves + what boosters take in there.

*Proof.* Take the flow of plain pipes apart into ways (flow decomposition; peaks of all shapes and
all collect flow are in balance, what is vented takes nothing). Along a way a header's potential
never rises: pipes lose, regulators go from the high header to the low one. A way begins where gas
is given, at no more than p_s, or where it comes out of a boosted pipe and leaves at no more than
top_n; it ends where gas is taken, at no less than need_c, or enters a booster or is vented, at no
less than 0. So it loses at most the difference, and what its pipes lose is phi at their whole
flow. Summed with the flow of each way, the row follows; what is given and taken at one node uses
no pipe and is in neither sum: ``g_s`` and ``h_n`` at n are together no more than what leaves by
plain pipes, and ``u_c`` there no more than what is given and comes boosted without leaving so.

*Convex.* ``F (phi(F) + head)`` is: phi is (:mod:`allocator.physics.pressure_loss`), rises, and is 0
at 0. Of a build laid as y the rows are tangents of its perspective ``y E(Q / y)``, at shares of the
most that it carries plainly. That most is by the tops and needs of its ends too. The columns here
are continuous: in a plan the boosted part of a pipe is all of it or nothing.

*Image.* A plan may have peaks above what flows, and may vent what came along pipes or goes in a
circle. Without these it is worth the same and needs no more pressure; that image fulfils the rows.
So they are for bounds alone, and not for a model whose limits are changed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from allocator.model.drops import Drop, LaidBuild, drops_in
from allocator.model.expressions import scaled
from allocator.model.index_sets import IndexSets
from allocator.model.model import INFINITY, Key, Model, Terms
from allocator.model.pressure_reach import Reach, gives, most_between, reach_of, takes
from allocator.model.pressures import Pressures, boost
from allocator.network.pressure_curves import losses_at
from allocator.network.pressure_records import FluidPressures

SHARES = tuple(0.72**power for power in range(6))
"""Flows, as shares of the most that a build carries plainly, at which tangents are stated.

Between two they are 7 % too low where loss rises with the square of the flow."""

PEAKS = "peak_flow["
"""Rows of peak flows that are at least what flows; here they are just that."""

SPURS, BOTH = "spur_", " both"
"""Rows that ask for a little flow both ways of a spur, which may be vented: left out here."""


def tightened(sets: IndexSets) -> IndexSets:
    """The same with pipes that carry no more than what their ends can have and need drives."""
    if sets.pressures is None or sets.lossless:
        return sets
    most = dict(sets.pressures.most)
    for one in sets.pressures.fluids.values():
        most |= most_between(sets, one, reach_of(sets, sets.pressures, one), boosted=True)
    return replace(sets, pressures=replace(sets.pressures, most=most))


def state_dissipation(model: Model, sets: IndexSets) -> None:
    """Add the rows to a model of all that may be decided, on the firm basis."""
    pressures = sets.pressures
    if pressures is None or sets.lossless:
        return
    for one in pressures.fluids.values():
        _Fluid(model, sets, pressures, one).state()
    model.rows = [
        replace(row, low=row.high) if row.name.startswith(PEAKS) else row
        for row in model.rows
        if not (row.name.startswith(SPURS) and row.name.endswith(BOTH))
    ]


@dataclass(frozen=True, slots=True)
class _Pipe:
    """A build that may be laid one way: what flows plainly and boosted, and how much of it is."""

    build: LaidBuild
    most: float
    plain: Terms
    plainly: Terms
    boosted: Key | None


class _Fluid:
    """The rows of one fluid."""

    def __init__(
        self, model: Model, sets: IndexSets, pressures: Pressures, one: FluidPressures
    ) -> None:
        self._model, self._one = model, one
        self._reach: Reach = reach_of(sets, pressures, one)
        self._most = most_between(sets, one, self._reach, boosted=False)
        self._gives, self._takes = list(gives(sets, one)), list(takes(sets, one))
        self._cooled = {
            one.node(arc.end)
            for arc in pressures.losses
            if (stream := sets.site.routes[arc.route].stream) is not None and stream.kind != "pipe"
        }
        """Nodes to which gas may come for its heat alone, to be vented there."""
        self._drops = [drop for drop in drops_in(pressures) if drop.arc.fluid == one.fluid]
        self._boosters = any(drop.boosters for drop in self._drops)
        self._step = 2.0 ** round(math.log2(one.most - one.least))
        """Of potentials."""
        self._lost: Terms = []
        """What friction takes, above what is given up."""
        self._leaves: dict[str, Terms] = {}
        """By node, what leaves it by plain pipes."""
        self._onward: dict[str, Terms] = {}
        """By node, what leaves it by plain pipes, is taken there or enters boosters, less what

        comes there by plain pipes or is given and leaves by them."""
        self._comes: dict[str, Terms] = {}
        """By node, boosted that comes less boosted that leaves, what boosters take in added."""

    def state(self) -> None:
        """State all of them."""
        for drop in self._drops:
            self._of_drop(drop)
        self._ends()
        self._model.row(f"dissipation[{self._one.fluid}]", self._lost, high=0.0)

    def _variable(self, *key: str, unit: float, low: float = 0.0, high: float = INFINITY) -> Key:
        return self._model.variable(key, low, high, unit)

    def _of_drop(self, drop: Drop) -> None:
        """The pipes that may be laid along a way, with what they lose and boost."""
        start, end = self._one.node(drop.arc.start), self._one.node(drop.arc.end)
        boosted: Terms = []
        for build in drop.builds:
            pipe = self._pipe(drop, build)
            self._loses(drop, pipe)
            self._leaves.setdefault(start, []).extend(pipe.plain)
            self._onward.setdefault(start, []).extend(pipe.plain)
            self._onward.setdefault(end, []).extend(scaled(pipe.plain, -1.0))
            if pipe.boosted is not None:
                boosted.append((1.0, pipe.boosted))
        if not self._boosters:
            return
        self._comes.setdefault(end, []).extend(boosted)
        into = self._comes.setdefault(start, [])
        into.extend(scaled(boosted, -1.0))
        for option in drop.boosters:
            most = min(option.max_flow, max(build.most for build in drop.builds))
            unit = self._unit([(1.0, drop.builds[0].flow)])
            taken = self._variable("taken in", str(boost(option)), unit=unit)
            terms: Terms = [(1.0, taken), (-most, boost(option))]
            self._model.row(f"taken_in[{taken}]", terms, high=0.0)
            through = scaled(boosted, -1.0)
            self._model.row(f"taken_in_there[{taken}]", [(1.0, taken), *through], high=0.0)
            into.append((1.0, taken))
            self._onward.setdefault(start, []).append((1.0, taken))

    def _pipe(self, drop: Drop, build: LaidBuild) -> _Pipe:
        """``boosted <= most * boosted part`` and ``flow - boosted <= most plainly * the rest``."""
        model, most = self._model, min(self._most[drop.arc, build.name], build.most)
        plain: Terms = [(1.0, build.flow)]
        plainly: Terms = [(1.0, build.laid)]
        if not self._boosters:
            terms = [*plain, *scaled(plainly, -most)]
            model.row(f"plain[{drop.name},{build.name}]", terms, high=0.0)
            return _Pipe(build, most, plain, plainly, None)
        unit = self._unit([(1.0, build.flow)])
        flow = self._variable("boosted", drop.name, build.name, unit=unit, high=build.most)
        part = self._variable("boosted part", drop.name, build.name, unit=1.0, high=1.0)
        plain.append((-1.0, flow))
        plainly.append((-1.0, part))
        name = f"{drop.name},{build.name}"
        model.row(f"boosted_flow[{name}]", [(1.0, flow), (-build.most, part)], high=0.0)
        model.row(f"plain[{name}]", [*plain, *scaled(plainly, -most)], high=0.0)
        model.row(f"plainly[{name}]", plainly, low=0.0)
        model.row(f"plain_flow[{name}]", plain, low=0.0)
        return _Pipe(build, most, plain, plainly, flow)

    def _loses(self, drop: Drop, pipe: _Pipe) -> None:
        """``lost >= E'(q) Q + (E(q) - E'(q) q) y`` with ``E(q) = q (phi(q) + head)``."""
        build = pipe.build
        if pipe.most <= 0.0:
            return
        unit = self._step * self._unit([(1.0, build.flow)])
        low = min(0.0, build.loss.head) * pipe.most
        lost = self._variable("lost", drop.name, build.name, unit=unit, low=low)
        flows = [share * pipe.most for share in SHARES] if build.loss.checked else [0.0]
        values, slopes = losses_at([build.loss] * len(flows), flows)
        for flow, value, slope in zip(flows, values, slopes, strict=True):
            steep = value + flow * slope + build.loss.head
            terms: Terms = [(1.0, lost), *scaled(pipe.plain, -steep)]
            terms += scaled(pipe.plainly, flow**2 * slope)
            self._model.row(f"lost[{drop.name},{build.name},{flow!r}]", terms, low=0.0)
        self._lost.append((1.0, lost))

    def _ends(self) -> None:
        """What is given up at the ends of the ways through plain pipes."""
        used: dict[str, Terms] = {}
        given: dict[str, Terms] = {}
        fluid = self._one.fluid
        for give in self._gives:
            if not give.flow:
                continue
            flow = self._variable("given", fluid, give.name, unit=self._unit(give.flow))
            rest: Terms = [*give.flow, (-1.0, flow)]
            self._model.row(f"given[{fluid},{give.name}]", rest, low=0.0)
            used.setdefault(give.node, []).append((1.0, flow))
            given.setdefault(give.node, []).extend(rest)
            self._lost.append((-give.potential, flow))
        for node, comes in self._comes.items():
            unit = self._unit(comes)
            flow = self._variable("handed on", fluid, node, unit=unit)
            rest = [*comes, (-1.0, flow)]
            self._model.row(f"handed_on[{fluid},{node}]", rest, low=0.0)
            used.setdefault(node, []).append((1.0, flow))
            given.setdefault(node, []).extend(rest)
            self._lost.append((-max(0.0, self._reach.plain.get(node, 0.0)), flow))
        for node, flows in used.items():
            self._onward.setdefault(node, []).extend(scaled(flows, -1.0))
            leaves = scaled(self._leaves.get(node, []), -1.0)
            self._model.row(f"leaves_plainly[{fluid},{node}]", [*flows, *leaves], high=0.0)
        there: dict[str, Terms] = {}
        for take in self._takes:
            onward = self._onward.setdefault(take.node, [])
            if take.potential <= 0.0 or not take.flow:
                onward.extend(take.flow)
                continue
            flow = self._variable("taken there", fluid, take.name, unit=self._unit(take.flow))
            rest = [*take.flow, (-1.0, flow)]
            self._model.row(f"taken_there[{fluid},{take.name}]", rest, low=0.0)
            there.setdefault(take.node, []).append((-1.0, flow))
            self._lost.extend(scaled(rest, take.potential))
            onward.extend(rest)
        for node, flows in there.items():
            terms = [*given.get(node, []), *flows]
            self._model.row(f"taken_of[{fluid},{node}]", terms, low=0.0)
        for node, terms in self._onward.items():
            if node not in self._cooled:
                self._model.row(f"goes_on[{fluid},{node}]", terms, low=0.0)

    def _unit(self, terms: Terms) -> float:
        columns = self._model.columns
        return max((columns[self._model.index(key)].unit for _, key in terms), default=1.0)
