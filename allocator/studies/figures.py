"""A plan in the figures that a comparison needs: power by supply, by-products, fuel, heat."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from allocator.cycles import curve_of
from allocator.plans.records import MachineUse, Plan
from allocator.report.loads import burst_load
from allocator.report.words import emissions_of
from allocator.site.emissions import counts
from allocator.site.records import Site


@dataclass(frozen=True, slots=True)
class Product:
    """A fluid that machines give, mean kg/s: ``given``, and ``used`` of it by machines, stores'

    promises and demands here; the rest is vented or discharged."""

    given: float
    used: float


@dataclass(frozen=True, slots=True)
class Figures:
    """Figures of one plan, SI. Rates are means.

    ``power``: machine type -> W that its units make of what is promised. ``machines``: type ->
    units, new and standing. ``stores``: name -> kg, or J of power. ``bought``: source with a
    price or delivered -> kg/s. ``gap``: of the first goal. ``emission``: what the counted emission
    is made of, by weight, kg/s; the parts add up to ``counted``.
    """

    status: str
    verified: bool
    gap: float | None
    firm_clean: float
    firm_total: float
    mean_clean: float
    mean_total: float
    demand_mean: float
    counted: float
    biogenic: float
    money: float
    heat: float
    power: Mapping[str, float] = field(default_factory=dict)
    machines: Mapping[str, int] = field(default_factory=dict)
    stores: Mapping[str, float] = field(default_factory=dict)
    materials: Mapping[str, float] = field(default_factory=dict)
    products: Mapping[str, Product] = field(default_factory=dict)
    bought: Mapping[str, float] = field(default_factory=dict)
    emission: Mapping[str, float] = field(default_factory=dict)

    @property
    def served_share(self) -> float:
        """Share of the power demanded that is served at all times."""
        return self.firm_total / self.demand_mean if self.demand_mean > 0 else 0.0


def figures_of(site: Site, plan: Plan) -> Figures:
    """The figures of a plan of a site."""
    machines: dict[str, int] = {}
    power: dict[str, float] = {}
    turned = {use.name: turnover(site, plan, use) for use in plan.machines}
    loads = {use.name: _load(site, plan, use) for use in plan.machines}
    for use in plan.machines:
        kind = site.machines[use.type]
        machines[use.type] = machines.get(use.type, 0) + use.count
        if kind.power_out > 0:
            made = kind.power_out * loads[use.name]
            power[use.type] = power.get(use.type, 0.0) + made
    return Figures(
        status=plan.status,
        verified=plan.verified,
        gap=plan.goals[0].gap if plan.goals else None,
        firm_clean=plan.power.firm_clean,
        firm_total=plan.power.firm_total,
        mean_clean=plan.power.mean_clean,
        mean_total=plan.power.mean_total,
        demand_mean=plan.power.demand_mean,
        counted=plan.emissions.counted,
        biogenic=plan.emissions.biogenic,
        money=plan.money,
        heat=math.fsum(site.machines[u.type].heat_out * loads[u.name] for u in plan.machines),
        power=power,
        machines=machines,
        stores={
            **{store.name: store.size for store in plan.stores if store.size > 0},
            **{battery.name: battery.size for battery in plan.batteries if battery.size > 0},
        },
        materials={use.name: use.used for use in plan.materials},
        products=_products(site, plan, turned, loads),
        bought=_bought(site, plan),
        emission=_emission(site, plan),
    )


def _emission(site: Site, plan: Plan) -> dict[str, float]:
    """What makes the counted emission: what machines release, and what is vented unburnt."""
    found = emissions_of(plan)
    parts = {
        name: rate * site.fluids[name].emission_weight
        for name, rate in found.by_fluid.items()
        if counts(site, name)
    }
    parts |= {
        f"{name}, vented unburnt": rate * site.fluids[name].vented_weight
        for name, rate in found.vented.items()
    }
    return {name: rate for name, rate in parts.items() if rate > 0}


def turnover(site: Site, plan: Plan, use: MachineUse) -> float:
    """Mean share of full-load takings of a machine group, in units: fuel is affine in load."""
    idle = 0.0 if plan.basis == "mean" else site.machines[use.type].no_load
    steady = use.flat_load + math.fsum(use.following.values())
    return idle * use.running + (1.0 - idle) * steady + use.cycled + burst_load(site, plan, use)


def _load(site: Site, plan: Plan, use: MachineUse) -> float:
    """Mean load of a machine group, in units at full load."""
    steady = use.flat_load + math.fsum(use.following.values())
    return steady + use.cycled + burst_load(site, plan, use)


def _duty(site: Site, source: str) -> float:
    return curve_of(site.sources[source].stages).duty


def _products(
    site: Site, plan: Plan, turned: Mapping[str, float], loads: Mapping[str, float]
) -> dict[str, Product]:
    """What machines give: exhaust by their takings (``turned``), all else by their ``loads``."""
    given: dict[str, float] = {}
    taken: dict[str, float] = {}
    for use in plan.machines:
        kind = site.machines[use.type]
        for fluid, rate in kind.inputs.items():
            taken[fluid] = taken.get(fluid, 0.0) + rate * turned[use.name]
        for fluid, rate in kind.outputs.items():
            units = turned if site.fluids[fluid].exhaust else loads
            given[fluid] = given.get(fluid, 0.0) + rate * units[use.name]
    for demand in plan.demands:
        served = demand.mean * (demand.clean_share + demand.emitting_share)
        taken[demand.wants] = taken.get(demand.wants, 0.0) + served
    for source in plan.sources:  # what sources bring is used before what machines give
        fluid = site.sources[source.name].fluid
        if fluid in given:
            taken[fluid] = taken.get(fluid, 0.0) - _drawn(site, plan, source.name)
    return {
        fluid: Product(rate, min(rate, max(0.0, taken.get(fluid, 0.0))))
        for fluid, rate in given.items()
        if rate > 0
    }


def _drawn(site: Site, plan: Plan, name: str) -> float:
    """Mean rate drawn from a source, kg/s; on the mean basis every rate is a mean."""
    use = next(use for use in plan.sources if use.name == name)
    duty = 1.0 if plan.basis == "mean" else _duty(site, name)
    return duty * math.fsum(use.collect.values()) + math.fsum(use.direct.values())


def _bought(site: Site, plan: Plan) -> dict[str, float]:
    return {
        use.name: drawn
        for use in plan.sources
        if (site.sources[use.name].price > 0 or site.sources[use.name].delivered)
        and (drawn := _drawn(site, plan, use.name)) > 0
    }
