"""Plans of one mix as starts of others: what fits, what is better, and what becomes of it."""

from __future__ import annotations

import itertools
import random
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest

from allocator.network.reading import read_site
from allocator.plans.file import plan_to_json
from allocator.plans.records import Plan
from allocator.search import Settings
from allocator.site.records import Mix, Site
from allocator.studies import comparison
from allocator.studies.comparison import Compared, compared_mixes, plan_mix
from allocator.studies.mixes import Variant, mixes_of
from allocator.studies.results import Result
from allocator.studies.running import StudyCase, Workers
from allocator.studies.starts import best_start, better, fits, merits
from allocator.verify import audit

NETWORKS = Path(__file__).parents[2] / "networks"
QUICK = Settings(node_limit=200)


OIL = (
    ("fluids:\n", "fluids:\n  oil: {phase: liquid, heating_value: 42.8 MJ/kg}\n"),
    ("bio_co2: {phase: gas, emission: biogenic}\n", "bio_co2: {phase: gas, emission: biogenic}\n"
     "  co2: {phase: gas, emission: counted}\n"),
    ("sources:\n", "sources:\n  pit: {place: mill, fluid: oil, flow: 2 g/s, price: 1 /kg}\n"),
    ("machines:\n", "machines:\n  oil_set:\n    inputs: {oil: 1 g/s}\n"
     "    outputs: {power: 5 kW, co2: 3.17 g/s}\n    price: 4000\n    places: {mill: 2}\n"),
)  # fmt: skip
"""What makes the first site one with emitting supply behind clean supply."""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    text = (NETWORKS / "first.yaml").read_text(encoding="utf-8")
    for old, new in OIL:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path_factory.mktemp("starts") / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return read_site(path)


@pytest.fixture(scope="module")
def rows(site: Site) -> dict[str, Compared]:
    return {row.name: row for row in compared_mixes(site, QUICK)}


@pytest.fixture(scope="module")
def mixes(site: Site) -> dict[str, Variant]:
    return {mix.name: mix for mix in mixes_of(site)}


def plan_of(rows: dict[str, Compared], name: str) -> Plan:
    plan = rows[name].plan
    assert plan is not None
    return plan


def test_what_fits(site: Site, rows: dict[str, Compared], mixes: dict[str, Variant]) -> None:
    clean, first = plan_of(rows, "clean only"), plan_of(rows, "clean first")
    assert fits(site, mixes["clean first"], clean)
    assert fits(site, mixes["clean only"], first)  # what is clean of it needs no oil
    assert not fits(site, mixes["oil_set only"], clean)  # it runs on engines that are dropped
    cap = Mix("cap", emission=0.5 * first.emissions.counted)
    capped = mixes_of(replace(site, mixes={"cap": cap}))[-1]
    assert not fits(site, capped, first)
    assert fits(site, capped, clean)
    poor = mixes_of(replace(site, mixes={"poor": Mix("poor", money=0.5 * clean.money)}))[-1]
    assert not fits(site, poor, clean)


def test_what_is_better(site: Site, rows: dict[str, Compared], mixes: dict[str, Variant]) -> None:
    clean, first = plan_of(rows, "clean only"), plan_of(rows, "clean first")
    mix = mixes["clean only"]
    assert merits(mix, first)[:2] == (first.power.firm_clean, first.power.firm_clean)
    assert merits(mixes["clean first"], first)[1] == first.power.firm_total
    mix = mixes["clean first"]
    assert better(mix, first, clean)
    assert not better(mix, clean, first)
    assert not better(mix, clean, clean)
    # the clean parts of these differ by more than nothing, but by less than the site gives away
    bit = replace(clean, power=replace(clean.power, firm_clean=1.002 * clean.power.firm_clean))
    assert better(mix, bit, first)
    lax = replace(mix, site=replace(mix.site, goal_slack=0.005))
    assert better(lax, first, bit)
    less = replace(clean, power=replace(clean.power, firm_clean=1.0, firm_total=1.0))
    assert best_start(site, mixes["clean first"], [less, first, clean]) is first
    assert best_start(site, mixes["oil_set only"], [clean]) is None


def test_a_starved_mix_is_planned_again_from_what_another_found(
    site: Site, rows: dict[str, Compared], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A search that found nothing for clean supply alone, as when it ran out of time."""
    starts: dict[str, list[Plan | None]] = {}

    def starved(given: Site, mix: Variant, settings: Settings, days: float) -> dict[str, Any]:
        starts.setdefault(mix.name, []).append(settings.start)
        if mix.name == "clean only" and settings.start is None:
            return {"plan": None, "reason": "no plan was found in the time", "proven": False}
        row = rows[mix.name]
        if mix.name != "clean only" and row.plan is not None and row.figures is not None:
            known = {"plan": plan_to_json(row.plan), "figures": asdict(row.figures)}
            return {**known, "hours_short": None}
        return plan_mix(given, mix, settings, days)

    monkeypatch.setattr(comparison, "plan_mix", starved)
    told: list[str] = []
    found = {row.name: row for row in compared_mixes(site, QUICK, tell=told.append)}
    assert [len(of) for of in starts.values()] == [2, 1, 1, 1, 1]
    again = starts["clean only"][1]
    assert again is not None
    assert again.power.firm_clean > 0
    figures = found["clean only"].figures
    assert figures is not None
    assert figures.verified
    assert figures.firm_clean >= again.power.firm_clean * (1 - 1e-3)
    assert figures.counted == 0.0
    assert any("again" in words for words in told)
    assert starts["cheapest at full service"][0] is not None  # from a plan of the waves before


def test_a_plan_that_no_search_betters_is_taken_as_it_is(
    site: Site, rows: dict[str, Compared], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Clean first, when its search finds clean power and none beside it: others show there is."""

    def poor(_: Site, mix: Variant, settings: Settings, days: float) -> dict[str, Any]:
        row = rows["clean only" if mix.name == "clean first" else mix.name]
        assert row.plan is not None
        assert row.figures is not None
        return {
            "plan": plan_to_json(row.plan),
            "figures": asdict(row.figures),
            "hours_short": None if mix.name == "clean first" else 2.5,
        }

    monkeypatch.setattr(comparison, "plan_mix", poor)
    found = {row.name: row for row in compared_mixes(site, QUICK)}
    first, other = found["clean first"], found["least emissions"]
    assert first.figures is not None
    assert other.figures is not None
    assert first.figures.firm_total == other.figures.firm_total
    assert first.figures.firm_total > plan_of(rows, "clean only").power.firm_total * 1.2
    assert first.hours_short == 2.5
    plan = plan_of(found, "clean first")
    assert plan.limits[0].startswith("mix: this plan is of the supply mix 'clean first'")
    assert plan.goals[0].name == "clean_power"
    assert plan.goals[0].bound == plan_of(rows, "clean only").goals[0].bound
    assert audit(site, plan).accepted
    assert found["clean only"] == replace(rows["clean only"], hours_short=2.5)  # none is better


def test_time_is_shared_and_one_mix_is_planned_however_late_it_is(
    site: Site, monkeypatch: pytest.MonkeyPatch, rows: dict[str, Compared]
) -> None:
    given: dict[str, float] = {}
    plan = plan_to_json(plan_of(rows, "clean only"))
    seconds = [0.0]

    def quick(_: Site, mix: Variant, settings: Settings, days: float) -> dict[str, Any]:
        given[mix.name] = settings.time_limit
        seconds[0] += 30.0 if mix.name == "clean first" else 1.0
        reason = "no plan exists" if mix.name != "clean only" else ""
        return {"plan": None, "reason": reason or plan[:0], "proven": True}

    monkeypatch.setattr(comparison, "plan_mix", quick)
    monkeypatch.setattr("allocator.base.clock.Clock.seconds", lambda self: seconds[0])
    compared_mixes(site, Settings(time_limit=50.0), Workers())
    # 40 s for six shares of five mixes; what the first ones leave goes on, what is taken is gone
    assert list(given.values()) == pytest.approx([40 / 6, 39 / 5, 2 * 38 / 4, 8 / 2, 7.0])
    given.clear()
    seconds[0] = 100.0
    late = compared_mixes(site, Settings(time_limit=50.0), Workers())
    assert list(given.values()) == [1.0]
    assert [row.reason for row in late if row.name not in given] == 4 * [
        "no time was left for it: allow more"
    ]


MIXES = {
    "little oil": Mix("little oil", emission=1e-3, goals=("served_power",)),
    "engines": Mix("engines", machines=("small_engine",), goals=("served_power",)),
}


@pytest.fixture(scope="module")
def poor(site: Site) -> dict[str, Compared]:
    """What the mixes come to with one engine and one oil set at most: plans of the site as well."""
    few = {name: replace(machine, max_units=1) for name, machine in site.machines.items()}
    rows = compared_mixes(replace(site, machines=few, mixes=MIXES), QUICK)
    mixed = replace(site, mixes=MIXES)
    assert all(row.plan is None or audit(mixed, row.plan).accepted for row in rows)
    return {row.name: row for row in rows}


@pytest.fixture(scope="module")
def good(site: Site) -> dict[str, Compared]:
    return {row.name: row for row in compared_mixes(replace(site, mixes=MIXES), QUICK)}


@pytest.mark.parametrize("workers", [1, 2, 5])
@pytest.mark.parametrize("seed", range(6))
def test_a_mix_that_allows_more_is_never_worse_in_its_first_goal(
    site: Site,
    poor: dict[str, Compared],
    good: dict[str, Compared],
    monkeypatch: pytest.MonkeyPatch,
    workers: int,
    seed: int,
) -> None:
    """Searches with more luck or less, whatever they start from, and other luck the next time."""
    chance = random.Random(seed)

    def searched(_: object, cases: list[StudyCase], *__: object) -> dict[str, Result]:
        return {case.key: Result(_found(chance, case.key, poor, good), "", 0.0) for case in cases}

    monkeypatch.setattr(comparison, "run_cases", searched)
    mixed = replace(site, mixes=MIXES)
    found = {row.name: row for row in compared_mixes(mixed, QUICK, Workers(workers))}
    for less, more in itertools.permutations(mixes_of(mixed), 2):
        inner, outer = found[less.name].plan, found[more.name].plan
        if _allows_all_of(more, less) and inner is not None:
            assert outer is not None, (less.name, more.name)
            best = merits(more, inner)[0]
            assert merits(more, outer)[0] >= best * (1 - 1e-4), (less.name, more.name)
            assert audit(mixed, outer).accepted


def _found(chance: random.Random, name: str, *luck: dict[str, Compared]) -> dict[str, Any]:
    row = chance.choice([None, *(rows[name] for rows in luck)])
    if row is None or row.plan is None or row.figures is None:
        return {"plan": None, "reason": "no plan was found in the time", "proven": False}
    known = {"plan": plan_to_json(row.plan), "figures": asdict(row.figures)}
    return {**known, "hours_short": None}


def _allows_all_of(more: Variant, less: Variant) -> bool:
    def cap(value: float | None) -> float:
        return float("inf") if value is None else value

    a, b = more.site.limits, less.site.limits
    looser = cap(a.emission) >= cap(b.emission) and cap(a.money) >= cap(b.money)
    return looser and set(more.dropped) <= set(less.dropped)
