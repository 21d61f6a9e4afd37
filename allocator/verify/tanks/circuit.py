"""What is simulated, as names and numbers: clocks, tanks, burners and the links between them.

A *clock* is a rate that repeats: a source's on and off, a demand's profile. A *tank* is a store
or one part of a battery: clocks fill and empty it. A *burner* turns what a tank would spill into
power. All rates that the clocks set are linear in their values, so between two events every
level is a straight line.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from allocator.verify.cycle import Cycle

Array = NDArray[np.float64]
Terms = tuple[tuple[str, float], ...]
"""Clock and weight: what a rate gets for each unit of the clock's value."""


@dataclass(frozen=True, slots=True, eq=False)
class SourceClock:
    """Value ``values[i]`` from ``times[i]`` (s, rising from 0) to the next, again each ``period``.

    ``kind``: ``source``, ``shape`` (a demand's profile, mean 1) or ``outage`` (1 while out).
    ``follows``: the clock whose phase this one shares, or its own name.
    """

    name: str
    kind: str
    period: float
    times: Array
    values: Array
    follows: str


def clock_of(name: str, kind: str, cycle: Cycle, sign: float = 1.0) -> SourceClock:
    """A clock from a cycle (``sign`` -1 turns a demand's cycle the right way up again)."""
    return SourceClock(name, kind, cycle.period, cycle.times, sign * cycle.rates, name)


@dataclass(frozen=True, slots=True)
class Rate:
    """``steady`` plus the weighted values of clocks."""

    steady: float = 0.0
    terms: Terms = ()

    def at(self, values: Mapping[str, float]) -> float:
        """The rate for given values of the clocks."""
        return self.steady + sum(weight * values[name] for name, weight in self.terms)


def added(*rates: Rate) -> Rate:
    """Rates added up, term by term."""
    return Rate(
        math.fsum(rate.steady for rate in rates),
        tuple(term for rate in rates for term in rate.terms),
    )


def turned(rate: Rate) -> Rate:
    """A rate with its sign turned."""
    return Rate(-rate.steady, tuple((name, -weight) for name, weight in rate.terms))


@dataclass(frozen=True, slots=True)
class Tank:
    """A store of fluid (kg) or one part of a battery (J).

    ``net``: what comes in less what is drawn, a second, before loss. ``arrivals``: what comes in
    from clocks and steadily, ``draws`` what it promises (so ``net`` is their difference).
    ``loss``: lost a second whatever the level (an upper bound). ``reserve``: what is above it may
    be burnt beyond the promise. ``first``: level at the start. ``bought``: the part of the
    arrivals that is bought, and is not taken when it does not fit. ``worth``: W of promised
    power a unit a second of its draw carries. ``bus`` and ``clean`` say which power that is.
    ``kind``: ``store``, ``burst`` or ``level`` (the parts of a battery), ``chamber`` at a source.
    """

    name: str
    unit: str
    size: float
    net: Rate
    arrivals: Rate
    draws: Rate
    loss: float = 0.0
    reserve: float | None = None
    first: float | None = None
    bought: Rate = field(default_factory=Rate)
    worth: float = 0.0
    bus: int = 0
    clean: bool = True
    kind: str = "store"


@dataclass(frozen=True, slots=True)
class Burner:
    """Machine capacity that idles: ``capacity`` in units at full load.

    ``power``: W a unit; ``take``: kg/s (or W for a battery's own spill) a unit.
    ``run``: s, where its units start and stop together, and then stay on for so long at least,
    and off for ``rest`` s; ``least``: share of the full-load takings below which they cannot
    turn, and ``idle``: at no load. With ``run`` 0 it follows what comes. ``turns``: the group whose
    promised units it is, turning below full load; -1 for others.
    """

    name: str
    bus: int
    clean: bool
    group: int
    capacity: Rate
    power: float
    take: float
    run: float = 0.0
    rest: float = 0.0
    least: float = 0.0
    idle: float = 0.0
    turns: int = -1

    @property
    def gain(self) -> float:
        """W for each unit of full-load takings, above the takings at no load."""
        return self.power / (1.0 - self.idle) if self.idle < 1.0 else 0.0

    @property
    def least_power(self) -> float:
        """W a unit at its least load."""
        return self.power if self.idle >= 1.0 else (self.least - self.idle) * self.gain


@dataclass(frozen=True, slots=True)
class CircuitArc:
    """A way for what tank ``tank`` would spill to burner ``burner``: at most ``most`` a second."""

    tank: int
    burner: int
    most: float


@dataclass(frozen=True, slots=True)
class Throttle:
    """Promised emitting power of a group that clean surplus may stand in for.

    ``power``: W that may be throttled back; ``fuel``: kg/s left in ``tank`` a W (tank -1: none).
    """

    group: int
    bus: int
    tank: int
    fuel: float
    power: Rate


@dataclass(frozen=True, slots=True)
class GroupLoad:
    """A machine group: promised ``power`` W, ``needed`` units behind it, ``spare`` units.

    ``failed``: units out of order, from outage clocks.
    """

    name: str
    bus: int
    clean: bool
    power: Rate
    needed: float
    spare: float
    failed: Rate

    def share_lost(self, failed: float) -> float:
        """Share of the promised units that are out with so many units out of order."""
        short = failed - self.spare
        return min(1.0, short / self.needed) if short > 0 and self.needed > 0 else 0.0

    @property
    def mean_power(self) -> float:
        """Promised power at the mean of its shapes, W."""
        return self.power.steady + sum(weight for _, weight in self.power.terms)


@dataclass(frozen=True, slots=True)
class Load:
    """Promised power of a demand, W; loads stand in the order in which they are shed."""

    name: str
    power: Rate


@dataclass(frozen=True)
class Circuit:
    """Everything that moves. ``wants``: W that each bus could use beyond what is promised.

    ``own``: W that the plant itself takes at each bus less what it has for that; empty for none.
    """

    clocks: tuple[SourceClock, ...]
    tanks: tuple[Tank, ...]
    buses: tuple[str, ...] = ("",)
    wants: tuple[Rate, ...] = (Rate(),)
    burners: tuple[Burner, ...] = ()
    arcs: tuple[CircuitArc, ...] = ()
    throttles: tuple[Throttle, ...] = ()
    groups: tuple[GroupLoad, ...] = ()
    loads: tuple[Load, ...] = ()
    own: tuple[Rate, ...] = ()

    @property
    def kept(self) -> tuple[Tank, ...]:
        """Tanks for which a crew sets a reserve: all but chambers."""
        return tuple(tank for tank in self.tanks if tank.kind != "chamber")
