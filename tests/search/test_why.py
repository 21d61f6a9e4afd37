"""Conflicts of limits: by hand, minimal on drawn sites, and the solver's own on linear ones."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import highspy
import pytest
from tiny_sites import tiny_site

from allocator.base.clock import Clock
from allocator.model.limits import FURTHEST, Limit, Want
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.search.conflicts import conflict_in, conflict_of
from allocator.search.elastic import ElasticRelaxation, elastic_relaxation_of
from allocator.site.records import Site
from allocator.solver.interface import Highs

NETWORKS = Path(__file__).parents[2] / "networks"
EXACT = Settings(node_limit=100_000, gap=1e-6)


def test_dry_valley_by_hand() -> None:
    """The head of the file says: 2.4 km at 2.50 kg/m is 6000 kg; two sets are 280 kg more.

    Without the pipe the night tip alone gives 0.4 g/s * 5/24 of the 20/12 * 1.25 g/s needed.
    """
    site = read_site(NETWORKS / "dry_valley.yaml")
    found = conflict_of(site, EXACT, Clock(None))
    assert (found.status, found.minimal) == ("conflict", True)
    amounts = {change.limit.kind: change.amount for change in found.changes}
    share = 0.4 * 5 / 24 / (20 / 12 * 1.25)
    assert amounts == {
        "stock": pytest.approx(2400 * 2.5 + 280 - 3500, rel=1e-5),
        "min_share": pytest.approx(1 - share, rel=1e-5),
        "flow": pytest.approx(1 / share - 1, rel=1e-5),
    }
    assert all(change.proven for change in found.changes)


def test_nothing_conflicts_where_a_plan_exists() -> None:
    site = read_site(NETWORKS / "first.yaml")
    assert conflict_of(site, EXACT, Clock(None)).status == "possible"
    # the head of the file: 13.374 kW is the most that there can be
    less = Want("firm_clean", "", 13_374.0, "")
    more = Want("firm_clean", "", 13_375.0, "")
    assert conflict_of(site, EXACT, Clock(None), (less,)).status == "possible"
    assert conflict_of(site, EXACT, Clock(None), (more,)).status == "conflict"


def test_first_site_by_hand() -> None:
    """19 kW needs 2.85 g/s, so over 18 h 184.68 kg: 54.68 kg of store more, 2 kg of steel each."""
    site = read_site(NETWORKS / "first.yaml")
    found = conflict_of(site, EXACT, Clock(None), (Want("firm_clean", "", 19_000.0, ""),))
    amounts = {change.limit.kind: change.amount for change in found.changes}
    assert amounts["stock"] == pytest.approx(109.36, rel=1e-4)
    assert amounts["want"] == pytest.approx(19_000 - 13_374.5, rel=1e-4)


def test_no_limit_is_to_blame_where_a_route_is_missing() -> None:
    site = read_site(NETWORKS / "dry_valley.yaml")
    cut = replace(site, routes={})
    assert conflict_of(cut, EXACT, Clock(None)).status in ("unlimited", "conflict")
    wanted = Want("connect", "valley_tip", 1.0, "")
    plain = replace(site, demands={n: replace(d, min_share=0.0) for n, d in site.demands.items()})
    assert conflict_of(plain, EXACT, Clock(None), (wanted,)).status == "possible"


# Minimal on drawn sites: the same site with only some of its limits, stated as a site.


def demanding(seed: int) -> Site:
    """A tiny site that must serve a share of its demand, with limits of many kinds."""
    chance = random.Random(f"demanding {seed}")
    site = tiny_site(seed, battery=False, stores=True)
    demand = site.demands["load"]
    most, times, share = chance.choice([None, 1]), chance.choice([1, 2]), chance.choice([0.6, 1])
    return replace(
        site,
        demands={"load": replace(demand, mean=demand.mean * times, min_share=share)},
        machines={n: replace(m, max_units=most) for n, m in site.machines.items()},
        goals=("served_power",),
    )


def with_only(site: Site, limits: tuple[Limit, ...]) -> Site:
    """The site with all limits lifted but these, as far as the program lifts them."""
    held = {(limit.kind, limit.name) for limit in limits}
    far = 1.0 + FURTHEST
    sources = {
        name: source
        if ("flow", source.fluid) in held
        else replace(
            source,
            flow=source.flow * far,
            pump=None if source.pump is None else replace(source.pump, rate=None),
        )
        for name, source in site.sources.items()
    }
    stores = {
        name: replace(
            store,
            max_size=store.max_size if ("size", name) in held else 1e6,
            fill_rate=store.fill_rate if ("fill_rate", name) in held else None,
            release_rate=store.release_rate if ("release_rate", name) in held else None,
        )
        for name, store in site.storage.items()
    }
    machines = {
        name: replace(
            machine,
            max_units=machine.max_units if ("most", name) in held else None,
            places={
                place: most if ("places", f"{name}@{place}") in held else None
                for place, most in machine.places.items()
            },
        )
        for name, machine in site.machines.items()
    }
    demands = {
        name: demand if ("min_share", name) in held else replace(demand, min_share=0.0)
        for name, demand in site.demands.items()
    }
    return replace(
        site,
        sources=sources,
        storage=stores,
        machines=machines,
        demands=demands,
        pipes={
            name: build
            if held & {("capacity", name), ("capacity", "")}
            else replace(build, capacity=build.capacity * far)
            for name, build in site.pipes.items()
        },
        materials={
            name: material if ("stock", name) in held else replace(material, stock=None)
            for name, material in site.materials.items()
        },
        limits=replace(
            site.limits, emission=site.limits.emission if ("emission", "") in held else None
        ),
    )


def changed(site: Site, limit: Limit, amount: float) -> Site:
    """The site with one limit changed, where that is one value of the file."""
    if limit.kind == "stock":
        material = site.materials[limit.name]
        more = {limit.name: replace(material, stock=(material.stock or 0.0) + amount)}
        return replace(site, materials={**site.materials, **more})
    if limit.kind == "min_share":
        demand = site.demands[limit.name]
        less = {limit.name: replace(demand, min_share=max(0.0, demand.min_share - amount))}
        return replace(site, demands={**site.demands, **less})
    store = site.storage[limit.name]
    return replace(
        site, storage={**site.storage, limit.name: replace(store, max_size=store.max_size + amount)}
    )


def has_plan(site: Site) -> bool:
    outcome = make_plan(site, EXACT)
    assert outcome.plan is not None or outcome.proven_impossible
    return outcome.plan is not None


@pytest.mark.slow
@pytest.mark.parametrize("batch", range(5))
def test_conflicts_of_drawn_sites_are_minimal(batch: int) -> None:
    """Twenty impossible sites a batch: the set conflicts, and without any one of it does not."""
    found, seed = 0, 1000 * batch
    while found < 20:
        seed += 1
        site = demanding(seed)
        if has_plan(site):
            continue
        found += 1
        conflict = conflict_of(site, EXACT, Clock(None))
        assert conflict.status == "conflict", site.name
        assert conflict.minimal, site.name
        assert not has_plan(with_only(site, conflict.limits)), site.name
        for one in conflict.limits:
            rest = tuple(other for other in conflict.limits if other != one)
            assert has_plan(with_only(site, rest)), (site.name, one)
        for change in conflict.changes:
            if change.amount is None or change.limit.kind not in ("stock", "min_share", "size"):
                continue
            assert change.proven
            enough, little = change.amount * 1.002, change.amount * 0.99
            assert has_plan(changed(site, change.limit, enough)), (site.name, change)
            assert not has_plan(changed(site, change.limit, little)), (site.name, change)


def linear(site: Site) -> ElasticRelaxation:
    """The program of a site with all whole numbers let go."""
    elastic = elastic_relaxation_of(network_of(site), EXACT, Clock(None))
    relaxed = elastic.solver_model.model.copy()
    relaxed.columns = [replace(column, integer=False) for column in relaxed.columns]
    solver_model = replace(elastic.solver_model, model=relaxed)
    return ElasticRelaxation(solver_model, elastic.limits, elastic.sets)


def test_the_solvers_own_conflict_on_linear_sites() -> None:
    """HiGHS's irreducible set conflicts by our reckoning too, and holds ours where that is the

    only one. (Theirs may hold more of the limits: it is irreducible over rules as well.)"""
    conflicts = same = 0
    for seed in range(5000, 5100):
        elastic = linear(demanding(seed))
        conflict = conflict_in(elastic)
        if conflict.status != "conflict":
            continue
        conflicts += 1
        limits = elastic.limits
        assert elastic.possible(limits) is False
        theirs = _named_by_highs(elastic)
        assert elastic.possible(theirs) is False, seed
        if all(
            elastic.possible([other for other in limits if other != one]) for one in conflict.limits
        ):
            same += 1
            assert theirs >= set(conflict.limits), seed
    assert conflicts >= 30
    assert same >= 2


def _named_by_highs(elastic: ElasticRelaxation) -> set[Limit]:
    """Limits whose slack's upper bound is in the irreducible infeasible set of HiGHS."""
    solver = elastic.solver_model.solver
    assert isinstance(solver, Highs)
    strategy, bound = highspy.IisStrategy, highspy.IisBoundStatus
    wanted = int(strategy.kIisStrategyFromLp) | int(strategy.kIisStrategyIrreducible)
    solver.model.setOptionValue("iis_strategy", wanted)
    _, iis = solver.model.getIis()
    upper = {int(bound.kIisBoundStatusUpper), int(bound.kIisBoundStatusBoxed)}
    columns = {c for c, b in zip(iis.col_index_, iis.col_bound_, strict=True) if int(b) in upper}
    index = elastic.solver_model.model.index
    return {one for one in elastic.limits if index(one.slack) in columns}
