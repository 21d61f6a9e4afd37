"""Nested cycles of inflow: blocks in a row, and a block again and again, by closed forms.

A body warms or cools monotonically from one turn of a block to the next, as what a turn does to
the temperature at its start rises with it. While the turns stay in one affine piece the
temperature after k of them is a geometric sum; extremes lie in the first or the last of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from typing import NamedTuple, Protocol

import numpy as np

from allocator.physics.faults import PhysicsError
from allocator.physics.thermal_mass import HeatSinkStep, Inflow, Piece, ThermalMass, Totals

ROUNDING = Fraction(1, 10**12)
"""Share of a spell below which a remainder is rounding, not a burst."""

_ULPS = 8.0
"""Roundings of a temperature below which two turns are the same."""


class CycleBlock(Protocol):
    """A stretch of inflow."""

    span: float

    def piece(self, start: float) -> Piece:
        """What it does to a body that starts at ``start`` K."""

    def totals(self, start: float) -> Totals:
        """Heat over it from ``start`` K."""

    def reach(self, start: float, mark: float) -> float | None:
        """s until ``mark`` K is first reached; None if not in it."""


class CycleRow:
    """Blocks one after the other."""

    def __init__(self, parts: Sequence[CycleBlock]) -> None:
        self.parts = tuple(parts)
        self.span = math.fsum(part.span for part in parts)

    def piece(self, start: float) -> Piece:
        """What the row does to a body that starts at ``start`` K."""
        chain = _Chain(start)
        for part in self.parts:
            chain.add(part.piece(chain.now))
        return chain.piece()

    def totals(self, start: float) -> Totals:
        """Heat over the row from ``start`` K."""
        now, total = start, None
        for part in self.parts:
            here = part.totals(now)
            total = here if total is None else total.plus(here)
            now = part.piece(now).end
        assert total is not None
        return total

    def reach(self, start: float, mark: float) -> float | None:
        """s until ``mark`` K is first reached; None if not in the row."""
        now, passed = start, 0.0
        for part in self.parts:
            found = part.reach(now, mark)
            if found is not None:
                return passed + found
            now, passed = part.piece(now).end, passed + part.span
        return None


class BurstTrain(NamedTuple):
    """``turns`` of a block within one affine piece, which begin at ``start``."""

    start: float
    turns: int
    first: Piece

    def moved(self, turns: int) -> float:
        """K from the start of the run to the end of some turns."""
        moved, slope = self.first.moved, self.first.slope
        if slope <= 0:
            return moved if turns else 0.0
        if slope >= 1:
            return turns * moved
        return moved * math.expm1(turns * math.log(slope)) / (slope - 1)

    def at(self, turn: int) -> float:
        """K at the start of a turn of the run, counted from 0, or at the end of the last."""
        if turn == 0 or turn == 1:
            return self.first.end if turn else self.start
        return self.start + self.moved(turn)


class Repeat:
    """A block again and again."""

    def __init__(self, block: CycleBlock, count: int) -> None:
        self.block, self.count = block, count
        self.span = block.span * count

    def piece(self, start: float) -> Piece:
        """What all turns together do to a body that starts at ``start`` K."""
        chain = _Chain(start)
        for run in self._runs(start):
            chain.add(run.first)
            if run.turns > 1:
                begin = run.at(run.turns - 1)
                last = self.block.piece(begin)
                slope = run.first.slope ** (run.turns - 1)
                chain.jump(begin, run.moved(run.turns - 1), slope, run.first)
                chain.add(last._replace(slope=run.first.slope, lo=-math.inf, hi=math.inf))
                chain.even &= run.first.even
        return chain.piece()

    def totals(self, start: float) -> Totals:
        """Heat over all turns from ``start`` K."""
        total: Totals | None = None
        for run in self._runs(start, closed=False):
            here = self.block.totals(run.start)
            if run.turns > 1:
                here = self._over(run, here)
            total = here if total is None else total.plus(here)
        assert total is not None
        return total

    def reach(self, start: float, mark: float) -> float | None:
        """s until ``mark`` K is first reached; None if in no turn."""
        passed = 0
        for run in self._runs(start):
            turn = self._turn_that_reaches(run, mark)
            if turn is not None:
                found = self.block.reach(run.at(turn), mark)
                if found is not None:
                    return (passed + turn) * self.block.span + found
            passed += run.turns
        return None

    def _turn_that_reaches(self, run: BurstTrain, mark: float) -> int | None:
        def hot(turn: int) -> bool:
            return self.block.piece(run.at(turn)).high >= mark

        if hot(0):
            return 0
        if not hot(run.turns - 1):
            return None
        cold, warm = 0, run.turns - 1  # the turns rise from cold to warm
        while warm - cold > 1:
            middle = (cold + warm) // 2
            cold, warm = (cold, middle) if hot(middle) else (middle, warm)
        return warm

    def _runs(self, start: float, closed: bool = True) -> Iterator[BurstTrain]:
        """The turns, in runs. Not ``closed``: a turn whose totals are not affine stands alone

        unless all that follow are the same."""
        left, now = self.count, start
        while left > 0:
            first = self.block.piece(now)
            turns = min(left, _turns_within(now, first))
            if turns == 1 and _same(now, now + first.moved):
                turns = left  # settled on the edge of a piece, to rounding
            if not closed and not first.even and turns > 1:
                turns = left if _same(now, now + first.moved) else 1
            run = BurstTrain(now, turns, first)
            yield run
            left, now = left - turns, run.at(turns)

    def _over(self, run: BurstTrain, first: Totals) -> Totals:
        """The sum over a run of totals that are affine in the start of a turn."""
        zero = Totals(0.0, 0.0, tuple(0.0 for _ in first.drawn))
        begin = run.at(run.turns - 1)
        if _same(run.start, begin):
            return zero.plus(first, run.turns)
        last = self.block.totals(begin)
        slope = run.first.slope
        number = np.arange(run.turns, dtype=np.float64)
        if 0 < slope < 1:
            number = np.expm1(number * math.log(slope)) / (slope - 1)
        elif slope <= 0:
            number = np.minimum(number, 1.0)
        share = float(number.sum()) / float(number[-1])
        return zero.plus(first, run.turns - share).plus(last, share)


class _Chain:
    """Pieces in a row, made into one."""

    def __init__(self, start: float) -> None:
        self.start = self.now = self.low = self.high = start
        self.moved, self.slope, self.lo, self.hi = 0.0, 1.0, -math.inf, math.inf
        self.high_on, self.rise, self.even = -math.inf, 0.0, True

    def add(self, part: Piece) -> None:
        """The next piece, which begins where the last one ended."""
        self.within(part.lo, part.hi)
        self.slope *= part.slope
        self.now, self.moved = part.end, self.moved + part.moved
        self.low, self.high = min(self.low, part.low), max(self.high, part.high)
        self.high_on, self.rise = max(self.high_on, part.high_on), max(self.rise, part.rise)
        self.even &= part.even

    def jump(self, to: float, moved: float, slope: float, piece: Piece) -> None:
        """Turns of one piece left out, all but the last: it begins at ``to``.

        ``moved`` and ``slope``: of all the turns so far; the first of them has been added."""
        self.slope *= slope / piece.slope if piece.slope > 0 else 0.0
        self.now, self.moved = to, self.moved + (moved - piece.moved)
        self.within(piece.lo, piece.hi)

    def within(self, lo: float, hi: float) -> None:
        """The temperature now must stay between two limits."""
        if self.slope > 0:
            self.lo = max(self.lo, self.start + (lo - self.now) / self.slope)
            self.hi = min(self.hi, self.start + (hi - self.now) / self.slope)

    def piece(self) -> Piece:
        """All of it."""
        return Piece(
            self.now,
            self.moved,
            self.slope,
            min(self.lo, self.start),
            max(self.hi, self.start),
            self.low,
            self.high,
            self.high_on,
            self.rise,
            self.even,
        )


def _turns_within(start: float, piece: Piece) -> int:
    """How many turns begin within the piece, the first included."""
    moved, slope = piece.moved, piece.slope
    if moved == 0:
        return 2**62
    bound = piece.hi if moved > 0 else piece.lo
    room = (bound - start) / moved  # in lengths of the first move, 0 or more
    if slope <= 0:
        return 2**62 if room >= 1 else 1
    if slope >= 1:
        return 1 + int(min(room, 2.0**61))
    # moved (1 - slope^k)/(1 - slope) <= bound - start
    share = room * (1 - slope)
    if share >= 1:
        return 2**62
    return 1 + int(min(math.log1p(-share) / math.log(slope), 2.0**61))


def _same(one: float, other: float) -> bool:
    return abs(one - other) <= _ULPS * math.ulp(max(abs(one), abs(other)))


Stages = Sequence[tuple[float, float]]
"""(on, every) s of each stage of a duty cycle, innermost first."""


def cycle_of(
    body: ThermalMass, stages: Stages, on: Callable[[float], Inflow], steady: float = 86_400.0
) -> CycleBlock:
    """One outermost period of a nested duty cycle, which begins as its spell begins.

    ``on``: the inflow while the source is on, for a duration in s; nothing comes in between. An
    inner stage begins anew when the one around it turns on and is cut short when it turns off.
    Without stages the source is always on, and ``steady`` s stand for a period.

    Raises:
        PhysicsError: a stage that is not 0 < on <= every < infinity.
    """
    if any(not 0 < a <= b < math.inf for a, b in stages):
        raise PhysicsError("has a cycle that cannot be", "give 0 < on <= every")
    if not stages:
        return HeatSinkStep(body, on(steady))
    last = stages[-1][1]
    return _spell(body, list(stages), Fraction(last), on)


def _spell(
    body: ThermalMass,
    stages: list[tuple[float, float]],
    length: Fraction,
    on: Callable[[float], Inflow],
) -> CycleBlock:
    if not stages:
        return HeatSinkStep(body, on(float(length)))
    *inner, (active, every) = stages
    turns, rest = divmod(length, Fraction(every))
    slack = length * ROUNDING
    if Fraction(every) - rest <= slack:
        turns, rest = turns + 1, Fraction(0)
    parts: list[CycleBlock] = []
    if turns:
        whole = _turn(body, inner, Fraction(active), Fraction(every), on, slack)
        parts.append(Repeat(whole, turns) if turns > 1 else whole)
    if rest > slack:
        parts.append(_turn(body, inner, min(Fraction(active), rest), rest, on, slack))
    return parts[0] if len(parts) == 1 else CycleRow(parts)


def _turn(
    body: ThermalMass,
    inner: list[tuple[float, float]],
    active: Fraction,
    whole: Fraction,
    on: Callable[[float], Inflow],
    slack: Fraction,
) -> CycleBlock:
    """A spell of a stage and the quiet after it."""
    spell = _spell(body, inner, active, on)
    if whole - active <= slack:
        return spell
    return CycleRow([spell, HeatSinkStep(body, Inflow(float(whole - active)))])
