"""Draws and figures of sweeps, against SciPy's distributions and statistics."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from allocator.site.records import Spread
from allocator.studies.draws import at_level, drawn
from allocator.studies.sweep_cases import Swept
from allocator.studies.sweep_figures import effects, likely_share, rank_correlation, summaries
from allocator.studies.sweep_result import effect_table

LEVELS = (0.0, 0.001, 0.1, 0.37, 0.5, 0.83, 0.999, 1.0)


@pytest.mark.parametrize("level", LEVELS)
def test_levels_are_those_of_scipy(level: float) -> None:
    """Uniform, triangular and truncated normal distributions."""
    even = Spread(2.0, 3.0, 4.0)
    assert at_level(even, level) == pytest.approx(stats.uniform(2.0, 2.0).ppf(level))
    peaked = Spread(2.0, 3.5, 4.0, peaked=True)
    assert at_level(peaked, level) == pytest.approx(stats.triang(0.75, 2.0, 2.0).ppf(level))
    normal = Spread(2.4, 3.0, 3.6, sd=0.2)
    assert at_level(normal, level) == pytest.approx(stats.truncnorm(-3, 3, 3.0, 0.2).ppf(level))


@pytest.mark.parametrize("end", ["low", "high"])
def test_likeliest_at_an_end(end: str) -> None:
    spread = Spread(2.0, 2.0 if end == "low" else 4.0, 4.0, peaked=True)
    shape = stats.triang(0.0 if end == "low" else 1.0, 2.0, 2.0)
    for level in LEVELS:
        assert at_level(spread, level) == pytest.approx(shape.ppf(level))


def test_one_more_value_leaves_the_others_as_they_were() -> None:
    spreads = {"a": Spread(0, 1, 2), "b": Spread(5, 6, 7)}
    for number in range(4):
        both, one = drawn(spreads, 3, number), drawn({"b": spreads["b"]}, 3, number)
        assert both["b"] == one["b"]
    assert drawn(spreads, 3, 1) != drawn(spreads, 4, 1)
    assert drawn(spreads, 3, 0) == {"a": 1, "b": 6}


def test_draws_are_spread_as_asked() -> None:
    """Kolmogorov and Smirnov's test finds nothing odd in 2000 draws of each shape."""
    spreads = {
        "even": Spread(2.0, 3.0, 4.0),
        "peaked": Spread(2.0, 3.5, 4.0, peaked=True),
        "normal": Spread(2.4, 3.0, 3.6, sd=0.2),
    }
    draws = [drawn(spreads, 0, number) for number in range(1, 2001)]
    shapes = {
        "even": stats.uniform(2.0, 2.0),
        "peaked": stats.triang(0.75, 2.0, 2.0),
        "normal": stats.truncnorm(-3, 3, 3.0, 0.2),
    }
    for name, shape in shapes.items():
        assert stats.kstest([draw[name] for draw in draws], shape.cdf).pvalue > 0.01
    together = [rank_correlation(_column(draws, a), _column(draws, b)) for a, b in _pairs(shapes)]
    assert max(map(abs, together)) < 0.06


def _column(draws: list[dict[str, float]], name: str) -> np.ndarray:
    return np.array([draw[name] for draw in draws])


def _pairs(names: object) -> list[tuple[str, str]]:
    a, b, c = names  # type: ignore[misc]
    return [(a, b), (b, c), (a, c)]


def test_rank_correlation_is_that_of_scipy() -> None:
    random = np.random.default_rng(5)
    for _ in range(20):
        first = random.integers(0, 6, 30).astype(float)  # many equal values
        second = first + random.normal(0, 3, 30).round()
        expected = stats.spearmanr(first, second).statistic
        assert rank_correlation(first, second) == pytest.approx(expected)
    assert rank_correlation(np.ones(4), np.arange(4.0)) == 0.0


@pytest.mark.parametrize(("kept", "count"), [(0, 10), (3, 10), (93, 100), (100, 100)])
def test_likely_share_is_that_of_scipy(kept: int, count: int) -> None:
    expected = stats.binomtest(kept, count).proportion_ci(0.95, method="wilson")
    assert likely_share(kept, count) == pytest.approx((expected.low, expected.high), abs=1e-12)


def _row(draw: int, values: dict[str, float], power: float | None) -> Swept:
    kept = None if power is None else power >= 5
    return Swept(draw, {}, values, firm_clean=power, kept=kept, hours_short=0.0)


def test_what_decides_comes_first_and_failed_cases_do_not_count() -> None:
    rows = [_row(0, {"a": 0.0, "b": 0.0, "c": 1.0}, 7.0)]
    rows += [_row(n, {"a": n % 3, "b": float(n), "c": 1.0}, 2.0 * n) for n in range(1, 11)]
    rows.append(_row(11, {"a": 0.0, "b": 0.0, "c": 1.0}, None))
    found = effects(rows, "firm_clean")
    assert [effect.address for effect in found] == ["b", "a"]  # 'c' never varies
    assert (found[0].rank, found[0].low, found[0].high) == (1.0, 4.0, 18.0)
    (summary,) = summaries(rows, "firm_clean")
    assert (summary.planned, summary.draws, summary.kept, summary.untouched) == (7.0, 10, 8, 10)
    assert summary.quantiles[3] == 11.0  # the median of 2, 4, ..., 20


def test_noise_of_the_solver_is_no_effect() -> None:
    rows = [_row(n, {"a": float(n)}, 13_000.0 + 1e-3 * n) for n in range(1, 9)]
    assert effects(rows, "firm_clean")[0].rank == 0.0


@pytest.mark.parametrize(("cases", "chance"), [(3, None), (4, None), (5, 0.98), (30, 0.364)])
def test_few_cases_have_no_test_of_significance(cases: int, chance: float | None) -> None:
    """Of 4! = 24 orders two have a correlation of 1 or -1: more than one of twenty."""
    rows = [_row(n, {"a": float(n)}, 2.0 * n) for n in range(1, cases + 1)]
    (effect,) = effects(rows, "firm_clean")
    assert (effect.rank, effect.cases) == (1.0, cases)
    assert effect.chance == (None if chance is None else pytest.approx(chance, abs=1e-3))
    table = effect_table([effect], "firm_clean")
    if chance is None:
        assert f"Too few cases for a significance test (n = {cases})." in table.note
        assert table.column("significant") == (None,)
    else:
        assert f"Correlations below {chance:.2f} are not significant" in table.note
        assert table.column("significant") == (True,)


def test_cases_of_one_value_count_alike() -> None:
    """200 kg: 67.3 and 92.8, on average 80.05; 300 kg: 75.5 and 100, on average 87.75."""
    powers = {(200.0, 1.0): 67.3, (200.0, 2.0): 92.8, (300.0, 1.0): 75.5, (300.0, 2.0): 100.0}
    rows = [
        Swept(0, {}, {"size": size, "flow": flow}, firm_clean=power)
        for (size, flow), power in powers.items()
    ]
    found = {effect.address: effect for effect in effects(rows, "firm_clean")}
    assert (found["size"].low, found["size"].high) == pytest.approx((80.05, 87.75))
    assert (found["flow"].low, found["flow"].high) == pytest.approx((71.4, 96.4))
    # of five cases that are all different the lowest and the highest alone
    rows = [Swept(1, {}, {"size": float(n)}, firm_clean=float(n)) for n in range(5)]
    (effect,) = effects(rows, "firm_clean")
    assert (effect.low, effect.high) == (0.0, 4.0)
