"""The order of a build: against brute force over all orders of steps, and by hand."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import allocator as al
from allocator.cli.entry import main
from allocator.network.deriving import network_of
from allocator.report.handover.build_order import build_order
from allocator.simulation.filling import StoreFilling, fillings_of
from allocator.studies.ordering import BuildPart, best_order, firm_energy
from allocator.verify.cycle import cycle_of

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
FIRST = NETWORKS / "first.yaml"
UNTIL = 200.0
Told = pytest.CaptureFixture[str]


def _spelled(late: float, every: float, begun: float) -> float:
    """Filled at the first of some spells that begins once it is begun."""
    return late + every * max(0, math.ceil((begun - late) / every))


@st.composite
def builds(draw: st.DrawFn, most: int = 6) -> tuple[list[float], list[set[int]], list[BuildPart]]:
    """Times of steps, what each part needs of them, and the parts."""
    times = draw(st.lists(st.integers(1, 20).map(float), min_size=2, max_size=most))
    steps = st.sets(st.integers(0, len(times) - 1), min_size=1)
    needs = draw(st.lists(steps, min_size=1, max_size=4))
    parts = []
    for _ in needs:
        late, every = draw(st.integers(0, 30)), draw(st.integers(1, 40))
        power = float(draw(st.integers(0, 9)))
        parts.append(BuildPart(power, lambda t, late=late, every=every: _spelled(late, every, t)))
    return times, needs, parts


def brute(times: list[float], needs: list[set[int]], parts: list[BuildPart]) -> float:
    """The least J that any order of the steps misses, each order walked step by step."""
    best = math.inf

    def walk(done: frozenset[int], now: float, missed: float) -> None:
        nonlocal best
        if len(done) == len(times):
            best = min(best, missed)
            return
        for step in set(range(len(times))) - done:
            more, then = done | {step}, now + times[step]
            new = [
                p for p, need in zip(parts, needs, strict=True) if need <= more and not need <= done
            ]
            walk(more, then, missed + sum(p.power * min(p.firm(then), UNTIL) for p in new))

    walk(frozenset(), 0.0, 0.0)
    return best


def found(times: list[float], needs: list[set[int]], parts: list[BuildPart], work: int) -> float:
    """What the order that is found misses."""

    def required(members: Iterable[int]) -> float:
        return sum(times[step] for step in set().union(*(needs[n] for n in members)))

    result = best_order(parts, required, UNTIL, range(len(parts)), work)
    assert sorted(result.order) == list(range(len(parts)))
    told = [
        (parts[n].firm(required(result.order[: k + 1])), parts[n].power)
        for k, n in enumerate(result.order)
    ]
    whole = UNTIL * sum(part.power for part in parts)
    assert firm_energy(told, UNTIL) == pytest.approx(whole - result.missed)
    return result.missed


@settings(max_examples=60, deadline=None)
@given(builds())
def test_no_order_of_the_steps_is_better(
    build: tuple[list[float], list[set[int]], list[BuildPart]],
) -> None:
    least = brute(*build)
    assert found(*build, work=60_000) == pytest.approx(least)
    assert found(*build, work=0) >= least - 1e-9  # moves of one part: never below what is possible


@pytest.mark.slow
def test_nine_steps() -> None:
    rng = np.random.default_rng(9)
    times = [float(t) for t in rng.integers(1, 9, 9)]
    needs = [set(map(int, rng.choice(9, size, replace=False))) for size in (2, 3, 4, 5)]
    parts = [BuildPart(p, lambda t, p=p: _spelled(3.0 * p, 7.0, t)) for p in (4.0, 1.0, 6.0, 3.0)]
    assert found(times, needs, parts, work=60_000) == pytest.approx(brute(times, needs, parts))


def test_the_part_with_most_power_for_its_work_comes_first() -> None:
    """Smith's rule (1956), which is best where parts share nothing: 9 W / 3 s, 4 / 2, 5 / 5."""
    times, powers = (5.0, 2.0, 3.0), (5.0, 4.0, 9.0)
    parts = [BuildPart(power, lambda t: t) for power in powers]
    result = best_order(parts, lambda members: sum(times[n] for n in members), 100.0, (0, 1, 2))
    assert result.order == (2, 1, 0)
    assert result.missed == 9 * 3 + 4 * 5 + 5 * 10


def test_a_store_fills_by_the_timetable_of_its_source() -> None:
    """On for 10 s of every 40, next at 5 s, 2 kg/s: 50 kg take two spells and half a third."""
    cycle = cycle_of(40.0, np.array([0.0, 10.0]), np.array([1.0, 0.0]))
    known = StoreFilling("holder", 50.0, 0.0, ((replace(cycle, start=5.0), 2.0),))
    assert known.filled(0.0) == pytest.approx(90.0)
    assert known.filled(7.0) == pytest.approx(92.0)  # 8 s of the first spell are left
    free = StoreFilling("holder", 50.0, 0.0, ((cycle, 2.0),))
    assert free.filled(7.0) == pytest.approx(7.0 + 30.0 + 40.0 + 40.0 + 5.0)
    assert StoreFilling("holder", 50.0, -1.0, ((cycle, 2.0),)).filled(0.0) == math.inf


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("schedule") / "plan"
    al.plan(FIRST, node_limit=300, prove=0).save(folder)
    return folder


@pytest.fixture(scope="module")
def first(saved: Path) -> al.Plan:
    return al.read_plan(saved / "plan.json")


def test_times_of_a_small_site_by_hand(first: al.Plan) -> None:
    """kg of steel at 40 kg/h, and 2 h a step, in weeks of 42 h: a quarter of the time."""
    result = al.schedule(FIRST, first, al.Crew(40 / 3600, week=42 * 3600.0))
    steps = build_order(network_of(al.read_site(FIRST)), first)
    hours = sum(step.mass / 40 + 2 for step in steps)
    assert result.steps[-1].end == pytest.approx(4 * 3600 * hours)
    assert [one.step.number for one in result.steps] == [step.number for step in steps]
    (part,) = result.parts
    assert part.power == pytest.approx(first.power.firm_total)
    holder = fillings_of(al.read_site(FIRST), first)["gas_holder@mill"]
    assert part.firm == pytest.approx(part.begun + holder.filled(0.0))
    assert result.energy == pytest.approx(result.energy_as_listed)
    assert result.proven


def test_spells_that_are_missed(first: al.Plan, tmp_path: Path) -> None:
    """With the next spell known, those that begin before the source is ready count."""
    text = FIRST.read_text()
    site = al.read_site(FIRST)
    (name,) = [source for source, record in site.sources.items() if record.stages]
    (use,) = [use for use in first.sources if use.name == name]
    every, on = site.sources[name].stages[-1].every, site.sources[name].stages[-1].on
    path = tmp_path / "first.yaml"
    path.write_text(text.replace(f"  {name}:\n", f"  {name}:\n    next_start: 1 h\n", 1))
    known = al.plan(path, node_limit=300, prove=0).plan
    result = al.schedule(path, known, al.Crew(40 / 3600))
    (spells,) = result.spells
    ready = result.parts[0].begun
    begins = np.arange(3600.0 - 5 * every, ready + every, every)
    lost = np.clip(np.minimum(begins + on, ready) - np.maximum(begins, 0.0), 0.0, None)
    inner = math.prod(stage.on / stage.every for stage in site.sources[name].stages[:-1])
    assert spells.missed == int((lost > 0).sum())
    rate = sum(use.collect.values())
    assert spells.lost == pytest.approx(rate * lost.sum() * inner)
    assert spells.next_spell is not None
    assert ready <= spells.next_spell < ready + every


def test_done_steps_take_no_time(first: al.Plan, saved: Path, tmp_path: Path, capsys: Told) -> None:
    record = str(tmp_path / "built.csv")
    assert main(["built", str(FIRST), str(saved), "--done", "1-3", "--record", record]) == 0
    asked = ["--crew", "40 kg/h", "--record", record, "-o", str(tmp_path / "s")]
    assert main(["schedule", str(FIRST), str(saved), *asked]) == 0
    assert "3 done before" in capsys.readouterr().out
    rows = (tmp_path / "s" / "schedule_steps.csv").read_text().splitlines()
    assert len(rows) == 1 + len(build_order(network_of(al.read_site(FIRST)), first)) - 3


def test_no_time_is_a_time(saved: Path, capsys: Told) -> None:
    """``0 s`` is written as the help gives the default."""
    assert main(["schedule", str(FIRST), str(saved), "--crew", "40 kg/h"]) == 0
    usual = capsys.readouterr().out
    zero = ["--begin", "0 s", "--step", "2 h"]
    assert main(["schedule", str(FIRST), str(saved), "--crew", "40 kg/h", *zero]) == 0
    assert capsys.readouterr().out == usual


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--crew", "0 kg/h"], "above 0"),
        (["--crew", "40 kg"], "kg"),
        (["--crew", "40 kg/h", "--week", "200 h"], "at most 168 h (got 8.33 d)"),
        (["--crew", "40 kg/h", "--begin", "4 d", "--until", "3 d"], "build, 4 d (got 3 d)"),
        (["--crew", "40 kg/h", "--begin", "-1 d"], "must not be negative"),
        (["--crew", "40 kg/h", "--record", "no.csv"], "there is no such file"),
        ([], "--crew"),
    ],
)
def test_bad_input(options: list[str], told: str, saved: Path, capsys: Told) -> None:
    plan = str(saved)
    try:
        code = main(["schedule", str(FIRST), plan, *options])
    except SystemExit as stopped:  # what an option cannot be
        code = int(stopped.code or 0)
    assert code == 2
    assert told in capsys.readouterr().err
