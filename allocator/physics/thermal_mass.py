"""Thermal mass beside a source: how warm it gets while heat comes at one rate, exactly.

A lumped body, ``C dT/dt = Q + G (T_hot - T) - UA (T - T_around) - draws``, where each draw takes
heat while the body is warmer than its threshold: recovery, a cooler, or boiling, which takes all
that comes. While nothing switches the answer is an exponential; what a step does to the
temperature at its start is then an affine map, piece by piece.

Sources: the lumped body is the textbook's (Incropera et al., *Fundamentals of Heat and Mass
Transfer*, ch. 5); a body held on a threshold takes what keeps it there (Filippov's solution of
an equation whose right side jumps down).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from allocator.physics.faults import PhysicsError

ROUNDING = 1e-12
"""Share of a temperature by which a closed form may miss the boiling point."""


@dataclass(frozen=True, slots=True)
class HeatDraw:
    """Heat taken while the body is warmer than ``above`` K: at most ``most`` W; infinite boils."""

    above: float
    most: float


@dataclass(frozen=True, slots=True)
class ThermalMass:
    """``capacity``: J/K. ``loss``: W/K to ``around`` K. ``draws``: in any order.

    Where several draws have one threshold, the earlier in the list takes first.
    Raises :class:`PhysicsError` for a body that cannot be.
    """

    capacity: float
    loss: float
    around: float
    draws: tuple[HeatDraw, ...] = ()

    def __post_init__(self) -> None:
        if not (0 < self.capacity < math.inf and 0 <= self.loss < math.inf):
            raise PhysicsError("needs a heat capacity above 0 and a loss from 0 on", "check both")
        if any(not draw.most >= 0 for draw in self.draws):
            raise PhysicsError("has a draw of heat below 0", "give how much it takes")

    @property
    def ceiling(self) -> float:
        """K that it never passes: where it boils; infinite when it does not."""
        return min((draw.above for draw in self.draws if math.isinf(draw.most)), default=math.inf)


class Inflow(NamedTuple):
    """Heat that comes for ``duration`` s: ``heat`` W, and by ``contact`` W/K from ``hot`` K.

    Gas that is led through the body brings ``contact`` = contact share * flow * specific heat.
    """

    duration: float
    heat: float = 0.0
    contact: float = 0.0
    hot: float = 0.0

    @property
    def on(self) -> bool:
        """Whether any heat comes."""
        return self.heat > 0 or self.contact > 0


class Piece(NamedTuple):
    """What a stretch of time does to a body that starts it between ``lo`` and ``hi`` K.

    There the temperature at the end is affine in that at the start: ``slope`` (0 to 1), and
    ``end`` K from the start asked for. ``moved``: K in between, which is known better than the
    difference of the two where it is small. ``low``, ``high``: K reached from that start;
    ``high_on``: K reached while heat comes; ``rise``: most K gained in one go. ``even``: within
    the piece heat taken and lost are affine too.
    """

    end: float
    moved: float
    slope: float
    lo: float
    hi: float
    low: float
    high: float
    high_on: float
    rise: float
    even: bool


class Totals(NamedTuple):
    """Heat over a stretch of time, J: ``came``, ``lost``, and taken by each draw."""

    came: float
    lost: float
    drawn: tuple[float, ...]

    def plus(self, other: Totals, times: float = 1.0) -> Totals:
        """The sum with ``times`` the other."""
        return Totals(
            self.came + times * other.came,
            self.lost + times * other.lost,
            tuple(a + times * b for a, b in zip(self.drawn, other.drawn, strict=True)),
        )


class Leg(NamedTuple):
    """A stretch in which nothing switches: ``net`` W at its start, ``taken`` W by each draw.

    ``moved``: K from start to end. ``held``: the body stays on a threshold. ``turn``: rate after
    its end over rate before.
    """

    start: float
    end: float
    moved: float
    span: float
    net: float
    taken: tuple[float, ...]
    held: bool
    turn: float


class HeatSinkStep:
    """One inflow into one body: the smallest block of a cycle."""

    def __init__(self, body: ThermalMass, inflow: Inflow) -> None:
        if not inflow.duration > 0 or inflow.heat < 0 or inflow.contact < 0:
            raise PhysicsError("has an inflow that cannot be", "check durations and heat")
        self.body, self.inflow, self.span = body, inflow, inflow.duration
        self._marks = sorted({draw.above for draw in body.draws if math.isfinite(draw.above)})
        self._pull = inflow.contact + body.loss  # W lost for each K that the body is warmer
        self._push = inflow.heat + inflow.contact * inflow.hot + body.loss * body.around

    def piece(self, start: float) -> Piece:
        """What the step does to a body that starts at ``start`` K."""
        body = self.body
        slope, end, legs = 1.0, start, 0
        held, moved = False, 0.0
        below, over = -math.inf, math.inf  # marks around the first leg and around the last
        for leg in self._legs(start):
            end, held, moved = leg.end, leg.held, moved + leg.moved
            if held:
                slope = 0.0
            else:
                slope *= math.exp(-self._pull * leg.span / body.capacity) * leg.turn
            if legs == 0:
                below, over = self._around(start, leg.net)
            legs += 1
        if held:
            lo, hi = (min(start, end), max(start, end)) if legs > 1 else (start, start)
        else:
            low_end, high_end = self._around(end, moved)
            lo, hi = below, over
            if slope > 0:
                lo = max(lo, start + (low_end - end) / slope)
                hi = min(hi, start + (high_end - end) / slope)
        high = max(start, end)
        on = self.inflow.on
        return Piece(
            end,
            moved,
            slope,
            min(lo, start),
            max(hi, start),
            min(start, end),
            high,
            high if on else -math.inf,
            max(0.0, moved) if on else 0.0,
            legs == 1,
        )

    def totals(self, start: float) -> Totals:
        """Heat over the step from ``start`` K."""
        came = lost = 0.0
        drawn = [0.0] * len(self.body.draws)
        for leg in self._legs(start):
            above = self._excess(leg)
            came += (
                self.inflow.heat + self.inflow.contact * (self.inflow.hot - leg.start)
            ) * leg.span - self.inflow.contact * above
            lost += self.body.loss * ((leg.start - self.body.around) * leg.span + above)
            for number, taken in enumerate(leg.taken):
                drawn[number] += taken * leg.span
        return Totals(came, lost, tuple(drawn))

    def reach(self, start: float, mark: float) -> float | None:
        """s until ``mark`` K is first reached from ``start`` K; None if not in this step."""
        if start >= mark:
            return 0.0
        passed = 0.0
        for leg in self._legs(start):
            if leg.end >= mark:
                return passed + min(leg.span, self._until(leg.start, mark, leg.net))
            passed += leg.span
        return None

    def _legs(self, start: float) -> Iterator[Leg]:
        left, now = self.span, start
        if now > self.body.ceiling:
            if now > self.body.ceiling * (1 + ROUNDING):
                raise PhysicsError("is warmer than it boils", "start it colder")
            now = self.body.ceiling
        while left > 0:
            net, taken, held = self._rate(now)
            mark = None if held else self._next(now, net)
            span = left
            if mark is not None:
                span = min(left, self._until(now, mark, net))
            if held:
                moved, end = 0.0, now
            elif mark is not None and span < left:
                moved, end = mark - now, mark
            else:
                moved = self._moved(net, span)
                end = now + moved
                if mark is not None:  # rounding must not carry it past a threshold unseen
                    end = min(end, mark) if net > 0 else max(end, mark)
            left -= span
            turn = 1.0
            if end == mark and left > 0:
                after, _, stays = self._rate(end)
                before = net - self._pull * moved
                turn = 0.0 if stays or before == 0 else max(0.0, min(1.0, after / before))
            yield Leg(now, end, moved, span, net, taken, held, turn)
            now = end

    def _rate(self, now: float) -> tuple[float, tuple[float, ...], bool]:
        """Net W at ``now`` K, W taken by each draw, and whether a threshold holds the body."""
        net = self._push - self._pull * now
        taken = [draw.most if draw.above < now else 0.0 for draw in self.body.draws]
        net -= math.fsum(taken)
        here = [i for i, draw in enumerate(self.body.draws) if draw.above == now]
        if not here or net < 0:
            return net, tuple(taken), False
        for i in here:
            taken[i] = min(net, self.body.draws[i].most)
            net -= taken[i]
        return (net, tuple(taken), net <= 0)

    def _next(self, now: float, net: float) -> float | None:
        """The threshold towards which the body moves."""
        if net > 0:
            return next((mark for mark in self._marks if mark > now), None)
        if net < 0:
            return next((mark for mark in reversed(self._marks) if mark < now), None)
        return None

    def _around(self, now: float, move: float) -> tuple[float, float]:
        """The thresholds around a temperature; the one that it stands on is behind it."""
        below = [m for m in self._marks if m < now or (m == now and move >= 0)]
        over = [m for m in self._marks if m > now or (m == now and move < 0)]
        return (below[-1] if below else -math.inf, over[0] if over else math.inf)

    def _moved(self, net: float, span: float) -> float:
        pull, capacity = self._pull, self.body.capacity
        if pull == 0:
            return net * span / capacity
        return -net / pull * math.expm1(-span * pull / capacity)

    def _until(self, now: float, mark: float, net: float) -> float:
        pull, capacity = self._pull, self.body.capacity
        if pull == 0:
            return (mark - now) * capacity / net
        short = (mark - now) * pull / net  # share of the way to rest
        return -capacity / pull * math.log1p(-short) if short < 1 else math.inf

    def _excess(self, leg: Leg) -> float:
        """K s above the start, over the leg."""
        if leg.held:
            return 0.0
        pull, capacity = self._pull, self.body.capacity
        power = pull * leg.span / capacity
        if power < 1e-5:  # the series, where the difference below would be all rounding
            return leg.net / capacity * leg.span**2 * (0.5 - power / 6 + power**2 / 24)
        return leg.net / pull * (leg.span + capacity / pull * math.expm1(-power))
