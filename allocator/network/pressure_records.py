"""What pressures a network has: losses of pipes, limits at ends, boosters; in potentials.

A potential is p^2 of a gas (Pa^2) and p of a liquid (Pa). Each node has two, ``high >= low``: what
arrives at it and goes into stores comes at ``high``, what leaves it along pipes leaves at ``low``.

* A pipe in use from i to j with peak flow Q: ``low_i - high_j >= phi(Q) + head(low_i)``, and of a
  gas ``low_j >= end Q^2``, so that it is slow enough at its end. The head counts the potential that
  enters the pipe, behind a booster there. As gas gains speed it loses more: ``accelerating``.
* A spur is a pipe used both ways, between J and a node S at or beyond which there is a store:
  collect flow goes from J to S alone, supply flow from S to J alone. ``high_J - high_S >=
  phi(collect) + head`` and ``low_S - low_J >= phi(supply) + head back``; ``end`` as above. A node
  is two headers with a regulator from high to low, so spurs may follow one another and other
  pipes may leave S. What fills stores at a node out of the supply layer is at most the flat flow
  that arrives there in the high header: along pipes that are no spurs, of sources and machines.
* ``high`` is at most the mouth of each source connected there, and the outlet of each machine that
  gives the fluid there; ``low`` is at least the inlet of each machine and demand in use there.
* A store in use: ``high >= fill`` and ``low <= release`` at its node.
* A booster at the inlet of a pipe (``booster``, 0 or 1): ``low_i + gain booster - high_j >= phi +
  head``, ``low_i >= inlet`` and ``Q <= max_flow`` where it is 1. At the inlet of a store:
  ``high + gain booster >= fill``, ``high >= inlet``, what fills the store at most ``max_flow``.
* Shut in, a node has the pressure of what feeds it, with what a column at rest adds
  (:class:`AtRest`), along pipes used, and ``ratio^2`` or ``+ head`` of a booster there; it is at
  most each rating of what is there. The whole line counts at its coldest, and again at its hottest;
  so what goes round a circle, or forth and back along a spur, gains nothing.

The pressure of a gas counts from that of the air outside at the same height: p stands for ``p -
p_air(height) + p_ambient``, so that at any height ``p_ambient`` is that of the air.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from allocator.physics.pressure_loss import GRAVITY, STEPS

SWIFTEST = 0.3
"""Share of the potential at its end that ``a`` of a flow may be where its acceleration is told."""

IN_SERIES = 3
"""Boosters in series behind which the pressure shut in is looked at."""

PipeKey = tuple[str, str, str]
"""Route, the node at which the flow enters, and pipe type."""


class Rise(NamedTuple):
    """What a column of gas takes of its potential U by rising: ``growth U - air sqrt(U)``.

    ``growth``: of the gas; ``air``: Pa, of the air outside. It is convex in U. ``more``: potential
    that gas lighter than air may gain on its way up, so that U there is at most so much higher.
    """

    growth: float
    air: float
    more: float

    def at(self, potential: float) -> tuple[float, float]:
        """The most that is lost of a potential at the foot, and the slope of that."""
        squared = max(0.0, potential) + self.more
        root = math.sqrt(squared)
        slope = self.growth - self.air / (2.0 * root) if root else -math.inf
        return self.growth * squared - self.air * root, slope

    def below(self, potential: float) -> float:
        """The potential at the foot of which so much is left at the top."""
        left, squared = 1.0 - self.growth, max(0.0, potential + self.more)
        if left <= 0.0:
            return math.inf
        root = (math.sqrt(self.air**2 + 4.0 * left * squared) - self.air) / (2.0 * left)
        return root**2 - self.more


@dataclass(frozen=True, slots=True)
class PipeLoss:
    """One pipe type along one route, one way, for one fluid: ``phi(Q) = factor f(Re) Q^2``.

    ``factor``: potential per (kg/s)^2; 0 where the pipe has no bore, so that its pressure is not
    checked. ``reynolds``: Reynolds number of 1 kg/s. ``roughness``: relative. ``head``: potential
    lost by rising, below 0 where it falls; of gas that rises the least, at the ambient pressure:
    ``rise`` says what more is lost of more. ``end``: potential per (kg/s)^2 that gas needs at its
    end, not to be too fast. ``capacity``: kg/s, greatest flow at the widest difference of
    potentials that the network has, and no more than the pipe type's own. ``fall``: m that it
    leads down, below 0 where it rises. ``slow``: key of the pipe type that sets the velocity of
    ``end``, empty where none does. ``swift``: a of
    :mod:`allocator.physics.pressure_loss` per (kg/s)^2; ``room``: share by which that velocity may
    rise until something else limits it. ``fastest``: kg/s of a liquid at its highest velocity.
    """

    factor: float
    reynolds: float
    roughness: float
    head: float
    end: float
    capacity: float
    fall: float = 0.0
    slow: str = ""
    swift: float = 0.0
    room: float = math.inf
    fastest: float = math.inf
    rise: Rise | None = None

    def head_at(self, potential: float) -> tuple[float, float]:
        """Potential lost by rising of that at the start, and its slope: convex in it."""
        if self.rise is not None and (found := self.rise.at(potential))[0] > self.head:
            return found
        return self.head, 0.0

    def accelerating(
        self, flow: float, lost: float, slope: float, end: float
    ) -> tuple[float, float, float]:
        """Potential lost besides as gas gains speed, and its slopes by the flow and by the ``end``.

        ``lost`` and ``slope``: of friction. ``end``: above ``a`` of the flow.
        """
        swift = self.swift * flow**2
        if swift <= 0.0:
            return 0.0, 0.0, 0.0
        head, share = self._on_the_way
        start = self._start(end, lost + head + share * swift, swift)
        log, left = math.log(start / end) + share, 1.0 - swift / start
        by_flow = (slope + 2.0 * self.swift * flow * log) / left - slope
        return swift * log, by_flow, (1.0 - swift / end) / left - 1.0

    def after(self, potential: float, lost: float, flow: float = 0.0) -> float:
        """What is left at the end of a potential at the start, with so much ``lost`` to friction.

        -inf where gas would be faster than sound on its way.
        """
        (head, share), swift = self._on_the_way, self.swift * flow**2
        start = potential + head - self.head_at(potential)[0]
        lost += head + share * swift
        if swift <= 0.0:
            return start - lost
        if start <= swift or start - swift - swift * math.log(start / swift) <= lost:
            return -math.inf
        end = start  # Newton's method, from above
        for _ in range(STEPS):
            step = (start - end - swift * math.log(start / end) - lost) / (1.0 - swift / end)
            end += step
            if step > -1e-15 * start:
                break
        return end

    def before(self, potential: float, lost: float, flow: float = 0.0) -> float:
        """The least at the start of which a potential is left at the end."""
        swift = self.swift * flow**2
        if swift >= potential > 0.0:
            return math.inf
        head, share = self._on_the_way
        lost += head + share * swift
        needed = self._start(potential, lost, swift) if swift else potential + lost
        risen = -math.inf if self.rise is None else self.rise.below(needed)
        return max(needed + self.head - head, risen)

    @property
    def _on_the_way(self) -> tuple[float, float]:
        """A head that is lost together with friction; for one of the start, a share of ``a``.

        With less of the potential before it gains speed, gas gains more: ``a ln(U / (U - head))``,
        which is no more than ``a growth / (1 - growth)``.
        """
        if self.rise is None:
            return max(0.0, self.head), 0.0
        left = 1.0 - self.rise.growth
        return 0.0, self.rise.growth / left if left > 0.0 else math.inf

    @staticmethod
    def _start(end: float, lost: float, swift: float) -> float:
        """The potential before friction and acceleration of which so much is left."""
        start = end + lost / (1.0 - swift / end)  # Newton's method, from above
        for _ in range(STEPS):
            step = (end + lost + swift * math.log(start / end) - start) / (1.0 - swift / start)
            start += step
            if step > -1e-15 * start:
                break
        return start

    @property
    def checked(self) -> bool:
        """Whether its loss is known."""
        return self.factor > 0


@dataclass(frozen=True, slots=True)
class AtRest:
    """How a potential U changes with height while nothing flows: ``dU = (growth U + weight) dh``,

    down. ``growth``: per m, 0 of a liquid. ``weight``: potential per m. Of a gas that is a bound
    for what its ``law`` (``Rs T``, J/kg) and the density of the ``air`` (kg/m3) give.
    """

    growth: float = 0.0
    weight: float = 0.0
    law: float = 0.0
    air: float = 0.0

    def below(self, fall: float) -> tuple[float, float]:
        """By what a potential is multiplied, and what is added, a fall (m) below; < 0: above."""
        if not (power := self.growth * fall):
            return 1.0, self.weight * fall
        return math.exp(power), self.weight * math.expm1(power) / self.growth

    def after(self, potential: float, fall: float) -> float:
        """A potential a fall (m) below, at the most."""
        factor, more = self.below(fall)
        return factor * potential + more

    def exactly(self, potential: float, fall: float) -> float:
        """The same of a gas without the bound: ``dp = g (p / law - air) dh``, solved."""
        if not self.law:
            return self.after(potential, fall)
        floating = self.air * self.law  # Pa at which it is as heavy as the air
        column = math.exp(GRAVITY * fall / self.law)
        return (floating + (math.sqrt(potential) - floating) * column) ** 2


class StorePotentials(NamedTuple):
    """Potential at or above which a store fills, and at or below which it gives; inf for no limit.

    ``fill`` of a store without pressures is 0.
    """

    fill: float
    release: float


@dataclass(frozen=True, slots=True)
class BoosterOption:
    """A booster that may stand at one inlet: of a pipe, or of a store.

    ``route``, ``start``: the pipe along a route, away from that node. ``store``: ``type@place`` of
    a store at the node ``start``, where ``route`` is empty. ``gain``: potential that it adds.
    ``inlet``: the least that it needs at its inlet. ``boost``: pressure at its outlet, shut in, per
    pressure at its inlet (gas); ``rise``: Pa more (liquid). ``energy``: J/kg. ``max_flow``: kg/s,
    inf for no limit. ``existing``: it stands.
    """

    booster: str
    fluid: str
    place: str
    route: str
    start: str
    store: str
    gain: float
    inlet: float
    boost: float
    rise: float
    energy: float
    max_flow: float
    existing: bool = False


@dataclass(frozen=True, slots=True)
class FluidPressures:
    """Pressures of one fluid on a network.

    ``least`` and ``most``: potentials that every node is between. ``shares``: node -> the node
    whose potentials it has, being joined to it by passages both ways. ``losses``: of every pipe
    type on every route and way. ``links``: (route, start) without loss, one way, such as coolers:
    ``low_start >= high_end`` where they are used. ``mouths``: source -> the most that ``high`` is
    at its place. ``inlets`` and ``outlets``: machine type -> the least that ``low`` is where it
    takes the fluid, the most that ``high`` is where it gives it. ``demands``: demand -> the least
    that ``low`` is. ``stores``: store type -> potentials. Ends without a pressure are left out.
    ``ratings``: ("pipe", "storage" or "machine", name) -> the highest potential, shut in, that it
    bears. ``shut_in``: ("source", "storage" or "machine", name) -> the highest that it gives.
    ``at_rest``: how potentials change with height shut in, coldest and hottest. ``heights``: m
    between the lowest and the highest place.
    """

    fluid: str
    gas: bool
    least: float
    most: float
    shares: Mapping[str, str] = field(default_factory=dict)
    losses: Mapping[PipeKey, PipeLoss] = field(default_factory=dict)
    links: tuple[tuple[str, str], ...] = ()
    mouths: Mapping[str, float] = field(default_factory=dict)
    inlets: Mapping[str, float] = field(default_factory=dict)
    outlets: Mapping[str, float] = field(default_factory=dict)
    demands: Mapping[str, float] = field(default_factory=dict)
    stores: Mapping[str, StorePotentials] = field(default_factory=dict)
    boosters: tuple[BoosterOption, ...] = ()
    ratings: Mapping[tuple[str, str], float] = field(default_factory=dict)
    shut_in: Mapping[tuple[str, str], float] = field(default_factory=dict)
    at_rest: tuple[AtRest, ...] = (AtRest(),)
    heights: float = 0.0

    def potential(self, pressure: float) -> float:
        """Of a pressure, Pa."""
        return pressure**2 if self.gas else pressure

    def pressure(self, potential: float) -> float:
        """Pa of a potential."""
        return potential**0.5 if self.gas else potential

    def filling(self, store: str, boosters: Collection[str]) -> float:
        """The potential that fills a store (``type@place``), before boosters at its inlet."""
        at = self.stores.get(store.partition("@")[0])
        potential = 0.0 if at is None else at.fill
        for one in self.boosters:
            if one.store == store and one.booster in boosters:
                potential = max(potential - one.gain, one.inlet)
        return potential

    def node(self, name: str) -> str:
        """The node whose potentials a node has."""
        return self.shares.get(name, name)
