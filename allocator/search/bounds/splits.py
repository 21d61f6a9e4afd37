"""What to split a case by: a pipe laid or not, a smaller or a larger build of it, a whole number.

Each split names columns and two ranges of them. Every plan is in one of the two: a pipe has one
build or none, and a whole number is at most n or at least n + 1. So the worse of both bounds is a
bound of the case (branch and bound, Land and Doig 1960).

Some steps of the dual simplex method with each of both ranges say how much a split may gain, and
are a guess: the cases that follow are solved by themselves. What was guessed serves all later
cases, so that few splits are looked at in each (pseudo-costs: Applegate, Bixby, Chvatal & Cook
1995).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from allocator.model.model import Key
from allocator.search.bounds.friction import laid_key
from allocator.search.bounds.relaxation import Optimum, Ranges, Relaxation
from allocator.search.strategy.budgets import BOUND
from allocator.solver.bases import Basis, begin_from, value_after

PART = 1e-3
"""How far from whole a number is that is not whole."""
LEAST_GAIN = 1e-6
"""Share of a bound that a split counts as gaining at the least."""
LOPSIDED = 10.0
"""Times what the worse part gains that the better part counts for at most."""
KINDS = ("boost", "running", "holds", "takes", "tap")
"""Whole numbers that are looked at beside pipes; others where none of these is in part."""


@dataclass(frozen=True, slots=True)
class Split:
    """A split, by the key of what is split. ``stake``: what is looked at first, among its kind."""

    key: Key
    parts: tuple[Ranges, Ranges]
    stake: float


@dataclass
class Splits:
    """The splits of all cases of a site. ``scores``: what each may gain, by key."""

    scores: dict[Key, float] = field(default_factory=dict)

    def best(
        self, relaxation: Relaxation, optimum: Optimum, held: Ranges, basis: Basis
    ) -> tuple[Ranges, Ranges] | None:
        """Both parts of a case, with what is held there; None where all is whole."""
        choice: Split | None = None
        offered = self._chosen(possible(relaxation, optimum))
        for split in offered if len(offered) > 1 else []:
            self.scores[split.key] = self._score(relaxation, optimum, held, basis, split)
        for split in offered:
            if choice is None or self.scores[split.key] > self.scores[choice.key]:
                choice = split
        if choice is None:
            return None
        first, second = choice.parts
        return {**held, **first}, {**held, **second}

    def _chosen(self, found: list[Split]) -> list[Split]:
        """The splits to look at: those that gained most before, and new ones."""
        known = [split for split in found if split.key in self.scores]
        known.sort(key=lambda split: -self.scores[split.key])
        new = [split for split in found if split.key not in self.scores]
        return known[: BOUND.case_known] + new[: BOUND.case_new if known else BOUND.case_choices]

    def _score(
        self, relaxation: Relaxation, optimum: Optimum, held: Ranges, basis: Basis, split: Split
    ) -> float:
        solver_model = relaxation.solver_model
        solver, now = solver_model.solver, solver_model.scaled(optimum.bound)
        scale, gains = max(abs(now), LEAST_GAIN), list[float]()
        solver.relax(True)
        try:
            for part in split.parts:
                begin_from(solver, basis)
                free = relaxation.held({**held, **part})
                try:
                    gain = (value_after(solver, BOUND.case_steps) - now) / scale
                finally:
                    free()
                gains.append(min(max(gain, LEAST_GAIN), 1.0))
        finally:
            solver.relax(False)
        lower, higher = sorted(gains)
        return lower * min(higher, LOPSIDED * lower)


def possible(relaxation: Relaxation, optimum: Optimum) -> list[Split]:
    """All splits at a point: two pipes, then a whole number, and so on."""
    pipes = sorted(_pipes(relaxation, optimum), key=_first_most)
    numbers, others = list[Split](), list[Split]()
    model = relaxation.model
    for column, share in zip(model.columns, optimum.point.tolist(), strict=True):
        low = math.floor(share)
        if not column.integer or min(share - low, low + 1 - share) <= PART:
            continue
        parts: tuple[Ranges, Ranges] = (
            {column.key: (column.low, float(low))},
            {column.key: (low + 1.0, column.high)},
        )
        split = Split(column.key, parts, min(share - low, low + 1 - share))
        assert isinstance(column.key, tuple)
        (numbers if column.key[0] in KINDS else others).append(split)
    numbers.sort(key=_first_most)
    found = list[Split]()
    while pipes or numbers:
        found += [*pipes[:2], *numbers[:1]]
        pipes, numbers = pipes[2:], numbers[1:]
    return found or others


def _first_most(split: Split) -> tuple[float, str]:
    return -split.stake, str(split.key)


def _pipes(relaxation: Relaxation, optimum: Optimum) -> list[Split]:
    """The splits of pipes; at stake is the flow for which too little of a pipe is laid."""
    model, found = relaxation.model, list[Split]()
    for link in relaxation.disaggregated.links:
        if not model.has(laid := laid_key(link.pipe)):
            continue
        keys = [key for _, key in link.builds]
        shares = [float(optimum.point[model.index(key)]) for key in keys]
        flow = sum(
            float(optimum.point[model.index(key)]) for _, some, _ in link.flows for key in some
        )
        total = math.fsum(shares)
        if PART < total < 1.0 - PART:
            stake = flow * (1.0 - total)
            found.append(Split(laid, ({laid: (0.0, 0.0)}, {laid: (1.0, 1.0)}), stake))
        elif total >= 1.0 - PART:
            below = [math.fsum(shares[:n]) for n in range(1, len(shares))]
            least = [min(share, total - share) for share in below]
            if not least or max(least) <= PART:
                continue
            at = least.index(max(least)) + 1
            smaller = dict.fromkeys(keys[at:], (0.0, 0.0))
            larger = dict.fromkeys(keys[:at], (0.0, 0.0))
            parts = smaller, {**larger, laid: (1.0, 1.0)}
            found.append(Split((laid, at), parts, flow * max(least)))
    return found
