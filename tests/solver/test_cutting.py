"""Cutting stock: a published example, brute force at tiny size, cuts of the saw, limits."""

from __future__ import annotations

import math
import random
from functools import cache

import pytest

from allocator.solver import cutting
from allocator.solver.cutting import CutPlan, fewest_lengths

# The example of a paper machine with 13 widths that textbooks and encyclopedias show for the
# cutting-stock problem, from memory: rolls of 5600 mm, at least 73 of them, waste 0.401 %.
PAPER = {
    1380: 22,
    1520: 25,
    1560: 12,
    1710: 14,
    1820: 18,
    1880: 18,
    1930: 20,
    2000: 10,
    2050: 12,
    2100: 14,
    2140: 16,
    2150: 18,
    2200: 20,
}


def check(plan: CutPlan, pieces: dict[int, int], length: int, saw_cut: int = 0) -> None:
    """Every piece is cut as often as it is wanted, and every pattern fits its length."""
    cut = dict.fromkeys(pieces, 0)
    for pattern in plan.patterns:
        taken = sum(size * n for size, n in pattern.pieces.items())
        cuts = sum(pattern.pieces.values()) - 1
        assert taken + cuts * saw_cut <= length
        for size, n in pattern.pieces.items():
            cut[size] += n * pattern.count
    assert cut == pieces
    assert plan.bound <= plan.count


def brute_force(items: tuple[int, ...], length: int, saw_cut: int) -> int:
    """The fewest lengths by trying every set of pieces for the length of the largest one left."""

    @cache
    def fewest(left: tuple[int, ...]) -> int:
        if not left:
            return 0
        first, others = left[0], left[1:]
        best = math.inf
        for chosen in range(1 << len(others)):
            mine = [p for k, p in enumerate(others) if chosen >> k & 1]
            if first + sum(mine) + len(mine) * saw_cut <= length:
                rest = tuple(p for k, p in enumerate(others) if not chosen >> k & 1)
                best = min(best, 1 + fewest(rest))
        return int(best)

    return fewest(tuple(sorted(items, reverse=True)))


def test_the_published_example_needs_73_rolls_and_wastes_as_little_as_published() -> None:
    plan = fewest_lengths(PAPER, 5600)
    check(plan, PAPER, 5600)
    assert (plan.count, plan.bound) == (73, 73)
    waste = 1 - sum(size * n for size, n in PAPER.items()) / (73 * 5600)
    assert waste == pytest.approx(0.00401, abs=5e-6)


def test_first_fit_alone_would_need_more() -> None:
    # 44 + 24 + 22 + 10 and 44 + 24 + 22 + 9; first fit puts 44 with 44
    pieces = {44: 2, 24: 2, 22: 2, 10: 1, 9: 1, 1: 0}
    assert sum(cutting._first_fit((44, 24, 22, 10, 9), (2, 2, 2, 1, 1), 100).values()) == 3
    plan = fewest_lengths(pieces, 100)
    assert plan.count == plan.bound == brute_force((44, 44, 24, 24, 22, 22, 10, 9), 100, 0)


@pytest.mark.parametrize("seed", range(60))
def test_tiny_cases_agree_with_brute_force(seed: int) -> None:
    draw = random.Random(seed)
    length, saw_cut = draw.choice([20, 37, 100]), draw.choice([0, 0, 1, 3])
    items = tuple(draw.randint(length // 8, length) for _ in range(draw.randint(1, 9)))
    pieces = {size: items.count(size) for size in items}
    plan = fewest_lengths(pieces, length, saw_cut)
    check(plan, pieces, length, saw_cut)
    assert plan.count == plan.bound == brute_force(items, length, saw_cut)


def test_a_case_whose_linear_bound_is_too_low_is_proven_by_all_patterns() -> None:
    # the linear bound is 259/132 = 1.96, and three are needed (from memory: Scheithauer and Terno,
    # "The modified integer round-up property of the one-dimensional cutting stock problem", 1995)
    pieces = {44: 2, 33: 3, 12: 6}
    plan = fewest_lengths(pieces, 132)
    check(plan, pieces, 132)
    assert (plan.count, plan.bound) == (3, 3)


def test_the_saw_takes_its_share() -> None:
    assert fewest_lengths({3000: 4}, 6000).count == 2
    assert fewest_lengths({3000: 4}, 6000, 3).count == 4
    assert fewest_lengths({2998: 4}, 6000, 3).count == 2


def test_what_is_too_large_is_cut_by_first_fit_with_an_honest_bound(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(cutting, "MOST_CELLS", 0)
    cutting._cut.cache_clear()
    plan = fewest_lengths(PAPER, 5600)
    cutting._cut.cache_clear()
    check(plan, PAPER, 5600)
    assert plan.bound == 73 < plan.count


def test_no_pieces_need_no_length_and_a_long_piece_is_refused() -> None:
    assert fewest_lengths({}, 10).count == 0
    with pytest.raises(ValueError, match="cannot be cut"):
        fewest_lengths({11: 1}, 10)
