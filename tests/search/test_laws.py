"""Laws that every plan keeps, on whole random sites.

Searches are limited by nodes, never by seconds, so that the outcome is the same everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from strategies import sites

from allocator.base.clock import Clock
from allocator.network.deriving import network_of
from allocator.plans.file import plan_to_json
from allocator.plans.records import GoalResult, Plan
from allocator.search import Settings, make_plan
from allocator.search.ceiling import ceiling_of
from allocator.site.records import POWER, Built, Limits, Site
from allocator.verify import audit

GAP = 1e-6
PROVEN = ("optimal", "within_gap")
NODES = 5000

quick = settings(
    max_examples=15,
    derandomize=True,  # the same sites on every machine
    deadline=None,
    # A drawn site is small already; hundreds of plans to make it smaller would take minutes.
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def plan_of(site: Site, basis: str = "firm", nodes: int = NODES, seed: int = 0) -> Plan:
    """A plan; a random site always has one, for nothing must be served."""
    outcome = make_plan(site, Settings(basis=basis, gap=GAP, node_limit=nodes, seed=seed))
    assert outcome.plan is not None, outcome.reason
    return outcome.plan


def power_alone(site: Site) -> Site:
    """The site without what comes after its first goal, where a law speaks of that alone."""
    return replace(site, goals=site.goals[: site.goals.index("clean_power") + 1])


def first(plan: Plan) -> GoalResult | None:
    """The first goal, where the site can serve anything at all."""
    return next((goal for goal in plan.goals if goal.name.startswith("clean_power")), None)


def close(scale: float) -> float:
    """What two searches for the same optimum may differ by: twice the gap and the margins."""
    return 4.0 * GAP * abs(scale) + 1e-9


@pytest.mark.parametrize("basis", ["firm", "mean"])
def test_the_audit_accepts_every_plan(basis: str) -> None:
    @quick
    @given(site=sites())
    def law(site: Site) -> None:
        report = audit(site, plan_of(site, basis))
        assert report.accepted, "\n".join(map(str, report.breaches))

    law()


@pytest.mark.slow
@quick
@given(site=sites())
def test_more_stock_never_hurts(site: Site) -> None:
    ample = {n: replace(m, stock=m.stock and 2.0 * m.stock) for n, m in site.materials.items()}
    site = power_alone(site)
    tight, loose = plan_of(site), plan_of(replace(site, materials=ample))
    before, after = first(tight), first(loose)
    if before is None or after is None or after.status not in PROVEN:
        return
    assert after.value >= before.value - close(before.value)


@pytest.mark.slow
@quick
@given(site=sites())
def test_no_plan_passes_the_bound_of_a_short_search(site: Site) -> None:
    site = power_alone(site)
    short, long = first(plan_of(site, nodes=1)), first(plan_of(site, seed=1))
    if short is None or long is None or short.bound is None:
        return
    assert short.value <= short.bound
    assert long.value <= short.bound + close(short.bound)


@quick
@given(site=sites())
def test_firm_is_below_the_mean_basis_and_the_ceiling(site: Site) -> None:
    site = power_alone(site)
    firm, mean = first(plan_of(site)), first(plan_of(site, "mean"))
    if firm is None:
        return
    assert mean is not None
    if mean.status in PROVEN:
        assert firm.value <= mean.value + close(mean.value)
    ceiling = ceiling_of(
        network_of(site), Settings(gap=GAP, node_limit=NODES), Clock(None), None
    ).clean
    assert ceiling is not None
    assert firm.value <= ceiling + close(ceiling)


@pytest.mark.slow
@quick
@given(site=sites())
def test_the_same_seed_gives_the_same_bytes(site: Site) -> None:
    assert plan_to_json(plan_of(site)) == plan_to_json(plan_of(site))


@pytest.mark.slow
@quick
@given(site=sites())
def test_names_and_order_do_not_matter(site: Site) -> None:
    _same_goals(plan_of(site), plan_of(renamed(site)), {})


@pytest.mark.slow
@quick
@given(site=sites())
def test_scale_does_not_matter(site: Site) -> None:
    factor = 40.0
    flows = ("clean_power", "served_power", "served_fluid", "emissions")
    _same_goals(plan_of(site), plan_of(scaled(site, factor)), dict.fromkeys(flows, factor))


def _same_goals(one: Plan, other: Plan, factors: Mapping[str, float]) -> None:
    """The same goals, up to the last that both searches proved."""
    assert [goal.name.split()[0] for goal in one.goals] == [
        goal.name.split()[0] for goal in other.goals
    ]
    for number, (mine, theirs) in enumerate(zip(one.goals, other.goals, strict=True)):
        if mine.status not in PROVEN or theirs.status not in PROVEN:
            return
        expected = mine.value * factors.get(mine.name.split()[0], 1.0)
        # Later goals may use what the gap of earlier ones leaves open.
        tolerance = close(expected) if number == 0 else 1e-4 * abs(expected) + 1e-9
        assert theirs.value == pytest.approx(expected, rel=0.0, abs=tolerance), mine.name


def renamed(site: Site) -> Site:
    """The same site with other names, everything in the opposite order."""

    def name(old: str) -> str:
        return old if old == POWER else f"{'zyxwv'[len(old) % 5]}_{old[::-1]}"

    def names(found: Mapping[str, Any]) -> dict[str, Any]:
        return {name(key): value for key, value in reversed(found.items())}

    def each(found: Mapping[str, Any], *references: str) -> dict[str, Any]:
        made = {}
        for key, record in reversed(found.items()):
            changes: dict[str, Any] = {"name": name(key)}
            for reference in references:
                value = getattr(record, reference)
                if isinstance(value, str):
                    value = name(value)
                elif isinstance(value, tuple):
                    value = tuple(name(part) for part in reversed(value))
                elif value is not None:
                    value = names(value)
                changes[reference] = value
            made[name(key)] = replace(record, **changes)
        return made

    builds = {
        key: replace(
            build, layers=tuple(replace(x, material=name(x.material)) for x in build.layers)
        )
        for key, build in each(site.pipes, "fluids").items()
    }
    built = site.built
    return replace(
        site,
        fluids=each(site.fluids),
        materials=each(site.materials),
        places=each(site.places),
        sources=each(site.sources, "place", "fluid", "connection_materials"),
        storage=each(site.storage, "holds", "places", "materials", "base_materials"),
        pipes=builds,
        routes=each(site.routes, "start", "end", "pipes"),
        machines=each(site.machines, "inputs", "outputs", "places", "materials"),
        demands=each(site.demands, "wants", "place"),
        power_lines=each(site.power_lines, "start", "end", "materials"),
        built=Built(
            sources=tuple(map(name, built.sources)),
            pipes=tuple(
                replace(r, route=name(r.route), pipe=name(r.pipe), fluid=name(r.fluid))
                for r in built.pipes
            ),
            storage={(name(k), name(p)): size for (k, p), size in built.storage.items()},
            machines={(name(k), name(p)): count for (k, p), count in built.machines.items()},
        ),
    )


def scaled(site: Site, factor: float) -> Site:
    """The same site with every flow, size and power times a factor, and prices to match."""

    def times(found: Mapping[str, float], by: float = factor) -> dict[str, float]:
        return {key: value * by for key, value in found.items()}

    def rate(value: float | None) -> float | None:
        return None if value is None else value * factor

    sources = {
        key: replace(
            s,
            flow=s.flow * factor,
            price=s.price / factor,
            pump=s.pump and replace(s.pump, rate=rate(s.pump.rate)),
        )
        for key, s in site.sources.items()
    }
    stores = {
        key: replace(
            s,
            max_size=s.max_size * factor,
            min_size=s.min_size * factor,
            unit=rate(s.unit),
            materials=times(s.materials, 1.0 / factor),
            price=s.price / factor,
            fill_rate=rate(s.fill_rate),
            release_rate=rate(s.release_rate),
        )
        for key, s in site.storage.items()
    }
    machines = {
        key: replace(
            m,
            inputs=times(m.inputs),
            outputs=times(m.outputs),
            power_out=m.power_out * factor,
            power_in=m.power_in * factor,
            heat_out=m.heat_out * factor,
        )
        for key, m in site.machines.items()
    }
    builds = {key: replace(b, capacity=b.capacity * factor) for key, b in site.pipes.items()}
    routes = {key: replace(r, cost=r.cost / factor) for key, r in site.routes.items()}
    lines = {key: replace(x, capacity=x.capacity * factor) for key, x in site.power_lines.items()}
    demands = {key: replace(d, mean=d.mean * factor) for key, d in site.demands.items()}
    existing = {key: size * factor for key, size in site.built.storage.items()}
    return replace(
        site,
        sources=sources,
        storage=stores,
        machines=machines,
        pipes=builds,
        routes=routes,
        power_lines=lines,
        demands=demands,
        built=replace(site.built, storage=existing),
        limits=Limits(emission=rate(site.limits.emission)),
    )
