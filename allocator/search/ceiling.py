"""The ceiling: what no plan under any control can pass.

It is the mean basis (every source at its mean flow, pipes, machines and stocks as they are) with
the stores that can be built, and one pooled cut in energy for every window length L: what all
batteries and stores hold at the start, and what all sources bring in the worst window, must
cover what is served:

    sum batteries + sum_f e_f (sum stores_f + sum_s r_s tau_s(L))  >=  sum_d served_d beta_d(L)

with e_f the most power any machine makes of a kg of fluid f. Energy that was not there cannot be
served, whatever the control, so this is a relaxation of every plan.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.cycles import (
    Curve,
    DemandCurve,
    KnownCurve,
    attained_curve,
    curve_of,
    demand_curve_of,
    worst_span,
)
from allocator.cycles.balance import balance_of
from allocator.cycles.windows import reach_of, worst_up_to
from allocator.model.expressions import collected, direct_mean
from allocator.model.goals import Goal, goals_of
from allocator.model.index_sets import IndexSets, index_sets_of
from allocator.model.mean_basis import mean_site, with_all_heat
from allocator.model.model import Key, Model, Row, Terms
from allocator.model.rules import state_rules
from allocator.model.rules.power import served
from allocator.model.variables import declare
from allocator.network.records import Network
from allocator.plans.records import Ceiling
from allocator.site.chambers import held
from allocator.site.clocks import timings_of
from allocator.site.records import Source
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel


def recovered_of_fluids(site: Network) -> dict[str, float]:
    """Most power out of the heat of a kg of each fluid, J/kg: once through each kind of cooler."""
    most: dict[tuple[str, str], float] = {}
    for route in site.routes.values():
        if route.recovery is not None and route.stream is not None:
            key = (route.stream.fluid, route.stream.corridor)
            most[key] = max(most.get(key, 0.0), route.recovery.most)
    return {
        fluid: sum(power for (mine, _), power in most.items() if mine == fluid)
        for fluid in site.fluids
    }


def energy_of_fluids(site: Network, *, clean: bool, sets: IndexSets) -> dict[str, float]:
    """Most electric energy that machines make of a kg of each fluid, J/kg.

    By-products that are fuels again count with what they give in turn; the chain is finite
    because no machine gives more energy than it takes. Heat that coolers may recover counts.
    """
    recovered = recovered_of_fluids(site)
    energy = dict(recovered)
    groups = [g for g in sets.groups.values() if not clean or g.clean]
    for _ in range(len(site.fluids) + 1):
        for group in groups:
            gained = group.type.power_out + sum(
                rate * energy[fluid] for fluid, rate in group.type.outputs.items()
            )
            for fluid, rate in group.type.inputs.items():
                energy[fluid] = max(energy[fluid], recovered[fluid] + gained / rate)
    return energy


@dataclass(frozen=True)
class Pool:
    """One pooled cut: ``sizes`` and ``inflows`` weighted in J, ``uses`` in W by demand curve."""

    name: str
    sizes: Terms
    existing: float
    inflows: tuple[tuple[Curve, float, Key], ...]
    uses: tuple[tuple[DemandCurve, Terms], ...]

    def worst(self, model: Model, values: Mapping[Key, float], tolerance: float) -> Row | None:
        """The cut that a point breaks by more than a share of what is held, if any."""
        held = self.existing + model.value(self.sizes, values)
        # A hair less than what is served: the mean basis holds to the solver's tolerance only.
        following = [
            (curve, amount * (1.0 - 1e-6))
            for curve, terms in self.uses
            if (amount := model.value(terms, values)) > 0
        ]
        asked = sum(amount for _, amount in following)
        if asked <= 0:
            return None
        inflows = [
            (curve, weight * values[key])
            for curve, weight, key in self.inflows
            if weight * values[key] > 0
        ]
        if not inflows:
            return None  # the mean basis itself speaks of a site without sources
        if any(isinstance(curve, KnownCurve) for curve, _ in inflows):
            # Some timetables are known, and demands may lie against them as they please.
            least = [(least_demand(curve), amount) for curve, amount in following]
            span = worst_span(inflows, 0.0, least, above=held, tail=False)
            if span.shortfall <= held + tolerance * max(held, asked * span.length):
                return None
            return None if span.begin is None else self.row(model, span.length, span.begin)
        balance = balance_of(inflows, 0.0, following, 0.0)
        if not balance.lines:
            return None  # all steady: no window is worse than the long run
        # No tail row here: it is stricter than the truth, and a ceiling must not be.
        worst = worst_up_to(balance, reach_of(balance)[0], held)
        if worst.shortfall <= held + tolerance * max(held, asked * worst.length):
            return None
        return self.row(model, worst.length)

    def row(self, model: Model, length: float, begin: float | None = None) -> Row | None:
        """The cut at a window length, from ``begin`` s on where phases are known."""
        at = np.array([length])
        terms: Terms = list(self.sizes)
        for curve, weight, key in self.inflows:
            if begin is not None and isinstance(curve, KnownCurve):
                on = curve.between(np.array([begin]), at)
            else:
                on = curve.guaranteed(at)
            terms.append((weight * float(on[0]), key))
        for demand, use in self.uses:
            asked = demand if begin is None else least_demand(demand)
            largest = float(asked.largest(at)[0])
            terms += [(-largest * coefficient, key) for coefficient, key in use]
        place = "" if begin is None else f",from {begin!r}"
        return model.scaled_row(f"pool[{self.name},{length!r}{place}]", terms, low=-self.existing)


def least_demand(curve: DemandCurve) -> DemandCurve:
    """The least that a demand may take in any window, as a curve of its own."""
    if not len(curve.line.kinks):
        return curve
    return replace(curve, sigma=0.0, line=curve.line.mirrored())


def _pools(site: Network, sets: IndexSets) -> list[Pool]:
    pools, timings = [], timings_of(site)
    for name, kinds in (("clean", ("clean",)), ("total", ("clean", "emitting"))):
        energy = energy_of_fluids(site, clean=name == "clean", sets=sets)
        sizes: Terms = [(1.0, ("size", b)) for b in sets.batteries]
        existing = sum(b.existing for b in sets.batteries.values())
        for k, store in sets.fluid_stores.items():
            sizes.append((energy[store.type.holds], ("size", k)))
            existing += energy[store.type.holds] * store.existing
        inflows = []
        for s in sets.sources:
            # A chamber is full at the start, like a store, and takes in all of the flow, however
            # little of it the pump moves on the mean: w >= 1 / duty, so that w times the greatest
            # mean rate, ``most`` kg/s, is the whole flow.
            source = site.sources[s]
            existing += energy[source.fluid] * held(site, source)
            curve, most = attained_curve(timings[s]), drawn_most(sets.site.sources[s])
            duty = curve_of(source.stages).duty
            weight = energy[source.fluid] * (source.flow / most if most > 0 else 1.0 / duty)
            for _, key in collected(sets, s) + direct_mean(sets, s):
                inflows.append((curve, weight, key))
        uses = tuple(
            (demand_curve_of(site.demands[d.name].profile), served(sets, d.name, kinds))
            for d in sets.power_demands()
        )
        pools.append(Pool(name, sizes, existing, tuple(inflows), uses))
    return pools


def drawn_most(source: Source) -> float:
    """Most that a source with its pump gives, kg/s."""
    if source.pump is None or source.pump.rate is None:
        return source.flow
    return min(source.flow, source.pump.rate)


def ceiling_of(site: Network, settings: Settings, clock: Clock, limit: float | None) -> Ceiling:
    """The ceiling on clean and on total power, W, each the best bound found in the time.

    The linear relaxation with its cuts always gives a bound; the rest of the time goes into
    the integer model.
    """
    steady = replace(
        with_all_heat(mean_site(site)), storage=site.storage, built=site.built, goals=_WANTED
    )
    sets = index_sets_of(steady, lossless=True)
    if not sets.power_demands():
        return Ceiling(None, None)
    model = Model(clock.check)
    declare(model, sets)
    state_rules(model, sets)
    pools = _pools(site, sets)

    def separate(values: dict[Key, float], tolerance: float) -> list[Row]:
        rows = [pool.worst(model, values, max(tolerance, 1e-6)) for pool in pools]
        return [row for row in rows if row is not None]

    solver_model = SolverModel(model, separate, settings, clock)
    found: dict[str, tuple[float | None, str | None]] = {}
    goals = {g.name: g for g in goals_of(model, sets) if g.name in _WANTED}
    alike = all(group.clean for group in sets.groups.values())
    for name in _WANTED:
        goal = goals.get(name)
        if alike and name in found and name == _WANTED[1]:
            continue
        part = None if limit is None else limit / 2
        found[name] = (None, None) if goal is None else _bound(solver_model, goal, part)
    (clean, clean_kind), (total, total_kind) = found["clean_power"], found["served_power"]
    return Ceiling(clean, total, clean_kind, total_kind)


_WANTED = ("clean_power", "served_power")


def _bound(
    solver_model: SolverModel, goal: Goal, limit: float | None
) -> tuple[float | None, str | None]:
    """The bound and its kind."""
    solver_model.aim(goal)
    if not solver_model.model.summed(goal.terms):
        return 0.0, "certified"
    began = solver_model.clock.seconds()

    def left() -> float | None:
        return None if limit is None else limit - (solver_model.clock.seconds() - began)

    solved = solver_model.relaxed(limit)
    bound = solver_model.unscaled(solved.bound)
    if bound is None:
        return None, None
    kind = "certified" if solved.certified else "solver"
    if solver_model.clock.interrupted or solved.status != Status.OPTIMAL:
        return -bound, kind
    for _ in range(20):
        seconds = left()
        if solver_model.clock.interrupted or (seconds is not None and seconds <= 0.0):
            break
        mixed = solver_model.run(
            time_limit=seconds,
            node_limit=solver_model.settings.node_limit,
            gap=max(solver_model.settings.gap, 1e-3),
        )
        better = solver_model.unscaled(mixed.bound)
        if better is not None and better > bound + 1e-9 * abs(bound):
            bound, kind = better, "solver"
        if mixed.status != Status.OPTIMAL or mixed.point is None:
            break
        rows = solver_model.broken(mixed.point)
        if not rows:
            break
        solver_model.add(rows)
    return -bound, kind
