"""Safe bounds against optima in exact rational arithmetic, from good duals, bad ones and none."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import highspy
import numpy as np
import pytest
from tiny_sites import tiny_site

from allocator.search import Settings, make_plan
from allocator.solver.safe_bounds import safe_bound

INF = float("inf")


def solver_model(
    costs: list[float],
    rows: list[tuple[list[float], float, float]],
    bounds: list[tuple[float, float]],
) -> Any:
    model = highspy.Highs()
    model.setOptionValue("output_flag", False)
    for cost, (low, high) in zip(costs, bounds, strict=True):
        model.addCol(cost, low, high, 0, np.array([], dtype=np.int32), np.array([]))
    for values, low, high in rows:
        model.addRow(
            low, high, len(values), np.arange(len(values), dtype=np.int32), np.array(values)
        )
    return model


def corners(
    rows: list[tuple[list[float], float, float]], bounds: list[tuple[float, float]]
) -> Iterator[list[Fraction]]:
    """Points that keep all limits, as many of them exactly as there are variables."""
    size = len(bounds)
    walls: list[tuple[list[Fraction], Fraction]] = []
    for values, *ends in rows:
        exact = [Fraction(value) for value in values]
        walls += [(exact, Fraction(end)) for end in ends if abs(end) < INF]
    for number, ends in enumerate(bounds):
        unit = [Fraction(int(number == other)) for other in range(size)]
        walls += [(unit, Fraction(end)) for end in ends if abs(end) < INF]
    for chosen in itertools.combinations(walls, size):
        point = solved([list(wall) for wall, _ in chosen], [end for _, end in chosen])
        if point is None:
            continue
        within = all(kept(x, low, high) for x, (low, high) in zip(point, bounds, strict=True))
        if within and all(
            kept(sum(Fraction(v) * x for v, x in zip(values, point, strict=True)), low, high)
            for values, low, high in rows
        ):
            yield point


def kept(value: Fraction | int, low: float, high: float) -> bool:
    return (low == -INF or value >= Fraction(low)) and (high == INF or value <= Fraction(high))


def solved(matrix: list[list[Fraction]], right: list[Fraction]) -> list[Fraction] | None:
    size = len(right)
    table = [[*row, end] for row, end in zip(matrix, right, strict=True)]
    for step in range(size):
        pivot = next((r for r in range(step, size) if table[r][step] != 0), None)
        if pivot is None:
            return None
        table[step], table[pivot] = table[pivot], table[step]
        table[step] = [value / table[step][step] for value in table[step]]
        for other in range(size):
            if other != step:
                factor = table[other][step]
                table[other] = [
                    a - factor * b for a, b in zip(table[other], table[step], strict=True)
                ]
    return [row[-1] for row in table]


@pytest.mark.parametrize("seed", range(60))
def test_no_point_is_below_it(seed: int) -> None:
    draw = random.Random(seed)
    size = draw.choice([2, 3])
    bounds = [(0.0, draw.choice([INF, 1.0, draw.uniform(0.1, 3.0)])) for _ in range(size)]
    rows = [([draw.uniform(0.1, 2.0) for _ in range(size)], -INF, draw.uniform(0.3, 3.0))]
    for _ in range(2):
        values = [draw.choice([0.1, -0.7, draw.uniform(-2, 2)]) for _ in range(size)]
        rows.append((values, draw.choice([-INF, draw.uniform(-2, 0)]), draw.uniform(0, 2)))
    costs = [draw.uniform(-3, 1) for _ in range(size)]
    model = solver_model(costs, rows, bounds)
    model.run()
    assert model.getModelStatus() == highspy.HighsModelStatus.kOptimal
    exact = min(
        sum(Fraction(c) * x for c, x in zip(costs, point, strict=True))
        for point in corners(rows, bounds)
    )
    duals = np.array(model.getSolution().row_dual)
    bound = safe_bound(model.getLp(), duals)
    assert bound is not None
    assert Fraction(bound) <= exact
    assert bound == pytest.approx(float(exact), rel=1e-9, abs=1e-9)
    for spoilt in (duals * (1 + 1e-6), duals + 0.01, -duals, 0 * duals, np.round(duals, 2)):
        other = safe_bound(model.getLp(), spoilt)
        assert other is None or Fraction(other) <= exact


def test_what_is_not_bounded_has_none() -> None:
    """x1 - x2 at the least with x1 - x2 <= 1: duals that are a little wrong bound nothing."""
    model = solver_model([-1.0, 1.0], [([1.0, -1.0], -INF, 1.0)], [(0.0, INF), (0.0, INF)])
    model.run()
    assert safe_bound(model.getLp(), np.array([-1.0 + 1e-9])) is None


def test_a_free_column_at_no_rate_costs_nothing() -> None:
    """Two of them together overflowed."""
    model = solver_model([0.0, 0.0, 1.0], [], [(-INF, INF), (-INF, INF), (2.0, 3.0)])
    bound = safe_bound(model.getLp(), np.zeros(0))
    assert bound == pytest.approx(2.0)


def test_bounds_are_derived_from_rows() -> None:
    """x <= 3 and y <= 2 x follow from the rows alone; without them wrong duals bound nothing."""
    rows = [([1.0, 0.0], -INF, 3.0), ([-2.0, 1.0], -INF, 0.0)]
    model = solver_model([-1.0, -1.0], rows, [(0.0, INF), (0.0, INF)])
    model.run()
    duals = np.array(model.getSolution().row_dual)
    for spoilt in (duals, duals * (1 - 1e-9)):
        bound = safe_bound(model.getLp(), spoilt)
        assert bound is not None
        assert -9.0 - 1e-6 < bound <= -9.0


def test_a_plan_says_whose_word_its_bounds_are() -> None:
    site = tiny_site(0, battery=True, stores=False)
    plan = make_plan(site, Settings(gap=1e-6, node_limit=1000)).plan
    assert plan is not None
    kinds = {goal.bound_kind for goal in plan.goals}
    assert kinds <= {"certified", "solver"}
    assert "certified" in kinds
    for goal in plan.goals:
        assert (goal.bound is None) == (goal.bound_kind is None)
    assert (plan.ceiling.clean is None) == (plan.ceiling.clean_kind is None)
