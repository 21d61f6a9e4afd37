"""The path search against proven optima, and what it must keep: stocks, seeds, any executor."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from families import site_of

from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.plans.file import plan_to_json
from allocator.search import Settings, make_plan
from allocator.search.paths.network import Candidate, path_network_of
from allocator.search.paths.starts import PathSearch
from allocator.site.records import Site
from allocator.verify import audit


def searched(site: Site, basis: str, executor: ThreadPoolExecutor | None = None) -> PathSearch:
    _, sets = state(network_of(site), basis)
    made = path_network_of(sets, "clean_power")
    assert made is not None
    search = PathSearch(*made, seed=3, effort="quick", executor=executor)
    search.run(None, 60, lambda: False, lambda find, note: None)
    return search


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return site_of(tmp_path_factory.mktemp("small"), 8, 10, 2)


def test_finds_the_proven_optimum_of_a_small_site(small: Site) -> None:
    outcome = make_plan(small, Settings(basis="mean", node_limit=20000, gap=1e-6))
    assert outcome.plan is not None
    assert outcome.plan.status == "optimal"
    best = searched(small, "mean").elite[0]
    assert best.value == pytest.approx(outcome.plan.power.firm_clean, rel=1e-5)


def test_stores_are_judged_as_the_program_judges_them(small: Site) -> None:
    """What a find promises through stores is what the program makes of its pipes, or less."""
    outcome = make_plan(small, Settings(node_limit=3000, gap=1e-6))
    assert outcome.plan is not None
    best = searched(small, "firm").elite[0]
    assert best.stores
    bound = outcome.plan.goals[0].bound
    assert bound is not None
    # windows are sampled, so that a find may promise a little more than holds
    assert 0.97 * outcome.plan.power.firm_clean <= best.value <= 1.01 * bound


def test_no_stock_is_passed_and_every_load_is_carried(small: Site) -> None:
    search = searched(small, "mean")
    arrays, names = search.arrays, search.names
    lengths = {r.name: r.length for r in small.routes.values()}
    for find in search.elite:
        steel = sum(
            lengths[route] * sum(layer.mass for layer in small.pipes[build].layers)
            for (route, _), build in find.pipes.items()
        )
        steel += 200.0 * sum(find.counts.values())
        stock = small.materials["steel"].stock
        assert stock is not None
        assert steel <= stock
        assert find.value <= 320e3 * sum(find.counts.values()) * (1 + 1e-9)
    assert len(names.sources) == len(arrays.most) == 8


def test_an_executor_changes_nothing(small: Site) -> None:
    alone = searched(small, "firm")
    with ThreadPoolExecutor(2) as pool:
        together = searched(small, "firm", pool)
    assert alone.elite == together.elite


def test_finds_differ(tmp_path: Path) -> None:
    elite: list[Candidate] = searched(site_of(tmp_path, 20, 30, 4), "mean").elite
    kinds = {(tuple(sorted(f.pipes.items())), f.taps) for f in elite}
    assert len(kinds) == len(elite) > 1
    values = np.array([f.value for f in elite])
    assert np.all(np.diff(values) <= 0)


@pytest.mark.slow
def test_a_searched_plan_is_audited_and_repeats(tmp_path: Path) -> None:
    site = site_of(tmp_path, 12, 6, 2)
    settings = Settings(node_limit=2, seed=5, gap=0.5, effort="quick")
    first, second = (make_plan(site, settings).plan for _ in range(2))
    assert first is not None
    assert second is not None
    assert audit(site, first).accepted
    assert plan_to_json(first) == plan_to_json(second)
    plain = searched(site, "firm").elite[0]
    assert first.power.firm_clean >= 0.95 * plain.value


@pytest.mark.slow
def test_begins_from_a_known_plan_even_of_an_older_site(small: Site) -> None:
    known = make_plan(small, Settings(node_limit=3000, gap=1e-6)).plan
    assert known is not None
    hasty = Settings(time_limit=1.5, start=known)
    again = make_plan(small, hasty).plan
    assert again is not None
    assert again.power.firm_clean >= known.power.firm_clean * (1 - 1e-5)
    # a corridor of the plan is gone: the rest of the plan is still a place to begin
    lost = known.runs[0].route
    changed = replace(small, routes={n: r for n, r in small.routes.items() if n != lost})
    fewer = make_plan(changed, hasty).plan
    assert fewer is not None
    assert audit(changed, fewer).accepted
    assert all(run.route != lost for run in fewer.runs)


def test_the_best_find_of_every_set_of_machines_is_kept(tmp_path: Path) -> None:
    search = searched(site_of(tmp_path, 20, 30, 4), "mean")
    assert len(search.kinds) > 1
    for machines, find in search.kinds.items():
        assert frozenset(find.counts.items()) == machines
    best = search.elite[0]
    assert search.kinds[frozenset(best.counts.items())].value == best.value
    for find in search.elite:
        assert search.kinds[frozenset(find.counts.items())].value >= find.value


def test_another_run_goes_on_with_new_starts(tmp_path: Path) -> None:
    site = site_of(tmp_path, 20, 30, 4)

    def twice() -> tuple[list[Candidate], list[Candidate]]:
        search = searched(site, "mean")
        first = list(search.elite)
        search.run(None, 60, lambda: False, lambda find, note: None)
        return first, search.elite

    first, second = twice()
    assert second[0].value >= first[0].value
    assert any(find not in first for find in second)
    assert twice() == (first, second)


def test_a_short_time_is_for_one_long_start(small: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("allocator.search.paths.starts.LEAST_ROUNDS", 10**9)
    _, sets = state(network_of(small), "firm")
    made = path_network_of(sets, "clean_power")
    assert made is not None
    search = PathSearch(*made, seed=3, effort="normal")
    heard: list[float] = []
    notes: set[str] = set()

    def hear(find: Candidate, note: str) -> None:
        heard.append(find.value)
        notes.add(note)

    for _ in range(2):  # the second run goes on with the start of the first
        search.run(0.3, None, lambda: False, hear)
        assert not search.exhausted
    assert heard == sorted(heard)
    assert notes == {"first candidate", "candidate"}  # and none linked again
    best = searched(small, "firm").elite[0].value
    assert search.elite[0].value >= 0.9 * best


def test_long_starts_follow_rounds_that_improve_nothing(
    small: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("allocator.search.paths.starts.LEAST_ROUNDS", 0)
    monkeypatch.setattr("allocator.search.paths.starts.ROUNDS_A_SOURCE", 0.0)
    monkeypatch.setattr("allocator.search.paths.starts.MOVES_A_SOURCE", 4)
    for most, followed in ((4, True), (60, False)):
        monkeypatch.setattr("allocator.search.paths.starts.MANY_SOURCES", most)
        _, sets = state(network_of(small), "mean")
        made = path_network_of(sets, "clean_power")
        assert made is not None
        search = PathSearch(*made, seed=3, effort="quick")
        search.run(2.0, None, lambda: False, lambda find, note: None)
        assert search.exhausted
        assert bool(search._long) == followed


def test_many_sources_have_one_long_start_sooner(small: Site) -> None:
    _, sets = state(network_of(small), "mean")
    made = path_network_of(sets, "clean_power")
    assert made is not None
    few = PathSearch(*made, seed=3, effort="normal")
    many = PathSearch(*made, seed=3, effort="normal")
    many.arrays = few.arrays._replace(most=np.ones(1000))
    for search in (few, many):
        search._each = 1e-4
    seconds = 50 * 100 * 8 * 4 * 1e-4  # fifty rounds of 100 moves
    assert not few._too_short(seconds, 100)
    assert many._too_short(seconds, 100)


def _begun_more_than(search: PathSearch, many: int) -> bool:
    return search._long_begun > many


def test_long_starts_follow_each_other_where_there_is_time(
    small: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("allocator.search.paths.starts.LEAST_ROUNDS", 10**9)
    _, sets = state(network_of(small), "mean")
    made = path_network_of(sets, "clean_power")
    assert made is not None
    for moves, several in ((5, True), (10**9, False)):
        monkeypatch.setattr("allocator.search.paths.starts.LONG_MOVES", moves)
        search = PathSearch(*made, seed=3, effort="normal")
        begun = partial(_begun_more_than, search, 2)
        search.run(20.0 if several else 0.5, None, begun, lambda find, note: None)
        assert (search._long_begun > 1) == several
        assert [start.seed for start in search._long] == [3 * 1009 + search._long_begun]
