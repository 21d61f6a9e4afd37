"""The program of a tiny site for fixed whole numbers, stated a second time and independently.

Everything is written out anew from the design of the firm and the mean basis, on a grid of whole
hours that repeats every day: on-times and profiles are marched hour by hour, so the windows of
1 to 24 hours and the long run are all the store cuts that exist. ``scipy.optimize.linprog``
(HiGHS) solves what is left. Nothing of the package but its records is used here.
"""

from __future__ import annotations

import itertools
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import brentq, linprog

from allocator.site.records import POWER, Demand, MachineType, Profile, Site, Source

HOUR = 3600.0
DAY = 24
FLAT = "flat"
Terms = list[tuple[float, Hashable]]
ATTEMPTS = (
    ("highs", True, 1e-9),
    ("highs", False, 1e-9),
    ("highs-ipm", True, 1e-9),
    ("highs-ds", True, 1e-7),
    ("highs-ipm", True, 1e-7),
)
"""Method, presolve and tolerance: now and then HiGHS does not know what it has found."""


@dataclass(frozen=True)
class Whole:
    """The whole numbers of a plan: what is tapped, laid, stood and run.

    ``lay``: route -> build or None. ``count``, ``running``, ``cycling``: by (type, place).
    ``units``: whole units of a store by (type, place), for stores that come in units.
    ``batch_draw``: 1 where a machine that cannot burn a burst in part of a unit may run on and
    off for it.
    """

    tap: Mapping[str, int]
    lay: Mapping[str, str | None]
    count: Mapping[tuple[str, str], int]
    running: Mapping[tuple[str, str], int]
    cycling: Mapping[tuple[str, str], int]
    units: Mapping[tuple[str, str], int]
    batch_draw: Mapping[tuple[str, str], int] = field(default_factory=dict)


class UnsolvedError(Exception):
    """No attempt at a linear program came to an end."""


@dataclass
class Linear:
    """A linear program by keys; variables are from 0 up to a bound."""

    names: dict[Hashable, int] = field(default_factory=dict)
    highs: list[float | None] = field(default_factory=list)
    rows: list[tuple[Terms, float]] = field(default_factory=list)
    equal: list[tuple[Terms, float]] = field(default_factory=list)

    def variable(self, key: Hashable, high: float | None = None) -> None:
        self.names[key] = len(self.highs)
        self.highs.append(high)

    def most(self, terms: Terms, high: float) -> None:
        """``terms <= high``."""
        self.rows.append((terms, high))

    def least(self, terms: Terms, low: float) -> None:
        """``terms >= low``."""
        self.most([(-value, key) for value, key in terms], -low)

    def exactly(self, terms: Terms, value: float) -> None:
        """``terms == value``."""
        self.equal.append((terms, value))

    def best(self, terms: Terms) -> float | None:
        """The least value of an expression, or None when nothing is feasible."""
        cost = self._matrix([terms])[0]
        matrix = self._matrix([row for row, _ in (*self.rows, *self.equal)])
        right = np.array([right for _, right in (*self.rows, *self.equal)])
        high = np.array([np.inf if most is None else most for most in self.highs])
        # Joules stand beside grams a second: bring the numbers near 1 before solving.
        across, down = _near_one(matrix)
        matrix, right = matrix * across[:, None] * down, right * across
        money = np.abs(cost * down).max() or 1.0
        rows = len(self.rows)
        for method, presolve, tolerance in ATTEMPTS:
            solved = linprog(
                cost * down / money,
                A_ub=matrix[:rows],
                b_ub=right[:rows],
                A_eq=matrix[rows:],
                b_eq=right[rows:],
                bounds=[(0.0, most) for most in high / down],
                method=method,
                options={
                    "presolve": presolve,
                    "primal_feasibility_tolerance": tolerance,
                    "dual_feasibility_tolerance": tolerance,
                },
            )
            if solved.status in (0, 2):
                break
        if solved.status == 2:
            return None
        if solved.status != 0:
            raise UnsolvedError(solved.message)
        return float(solved.fun) * money

    def _matrix(self, rows: Sequence[Terms]) -> np.ndarray:
        matrix = np.zeros((len(rows), len(self.highs)))
        for number, terms in enumerate(rows):
            for value, key in terms:
                matrix[number, self.names[key]] += value
        return matrix


def _near_one(matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Factors by row and column that bring the entries near 1: geometric middles, in turns."""
    across, down = np.ones(matrix.shape[0]), np.ones(matrix.shape[1])
    sizes = np.where(matrix != 0.0, np.abs(matrix), np.nan)
    for _ in range(4):
        for axis, factors in ((1, across), (0, down)):
            scaled = np.log2(sizes * across[:, None] * down)
            found = np.isfinite(scaled)
            count = np.maximum(found.sum(axis=axis), 1)
            middle = np.where(found, scaled, 0.0).sum(axis=axis) / count
            factors *= 2.0 ** -np.round(middle)
    return across, down


# Marches, hour by hour.


def on_hours(source: Source) -> np.ndarray:
    """1 where a source is on, hour by hour over a day."""
    hours = np.arange(DAY)
    on = np.ones(DAY)
    for stage in reversed(source.stages):  # outermost first: an inner stage restarts within it
        hours = hours % round(stage.every / HOUR)
        on = on * (hours < round(stage.on / HOUR))
    return on


def level_hours(profile: Profile) -> np.ndarray:
    """The level of a profile, hour by hour over a day."""
    hours = np.arange(DAY) * HOUR % profile.period
    return np.array(
        [profile.levels[np.searchsorted(profile.starts, t, "right") - 1] for t in hours]
    )


def sums(hours: np.ndarray, length: int) -> np.ndarray:
    """Sum over every window of a length, in hours, one for each start within the day."""
    twice = np.concatenate([[0.0], np.cumsum(np.tile(hours, 2))])
    return twice[length : length + DAY] - twice[:DAY]


@dataclass(frozen=True)
class Level:
    """A battery that levels flat generation to a profile, for a mean of 1 W."""

    generation: float
    size: float


@dataclass(frozen=True)
class Levelled:
    """What levelling takes: generation, W; a part of the battery, J; ``more``: beyond the least."""

    generation: Terms
    part: Terms
    more: Hashable


def level(profile: Profile, efficiency: float) -> Level:
    """March the battery: flat generation that just suffices, and the deepest fall."""
    hours = level_hours(profile)

    def gained(generation: float) -> np.ndarray:
        over = generation - hours
        return np.where(over > 0, efficiency * over, over)

    generation = brentq(lambda g: gained(g).sum(), 0.5, hours.max() + 1.0, xtol=1e-14, rtol=1e-14)
    rises = np.tile(gained(generation), 2)
    fall = deepest = 0.0
    for rise in rises:
        fall = max(0.0, fall - rise)
        deepest = max(deepest, fall)
    return Level(generation, deepest * HOUR)


def levels_more(program: Linear, key: Hashable, profile: Profile, efficiency: float) -> Levelled:
    """Rows of a battery that levels generation of which there is more than suffices.

    The battery is marched from full, twice round, by steps of the same level: with mean power m
    served and generation G it falls by max(x, e x) an hour where x = s m - G is lacking, and never
    rises above full. With G = ``level(..).generation * m`` or more it is full again each day.
    """
    hours = level_hours(profile)
    ends = [0, *(n for n in range(1, DAY) if hours[n] != hours[n - 1]), DAY]
    more, part = ("more", key), ("part", key)
    for column in (more, part):
        program.variable(column)
    least = level(profile, efficiency).generation
    fallen: Hashable | None = None
    steps = [(b - a, float(hours[a])) for a, b in itertools.pairwise(ends)]
    for turn, (length, share) in enumerate(steps * 2):
        here = ("fallen", key, turn)
        program.variable(here)
        before: Terms = [] if fallen is None else [(1.0, fallen)]
        for factor in (1.0, efficiency):
            # here >= before + factor * length * (share * m - least * m - more)
            lacking = factor * length
            falls: Terms = [(lacking * (share - least), key), (-lacking, more)]
            program.most([*before, *falls, (-1.0, here)], 0.0)
        program.most([(1.0, here), (-1.0 / HOUR, part)], 0.0)
        fallen = here
    return Levelled([(least, key), (1.0, more)], [(1.0, part)], more)


def clean(site: Site, machine: MachineType) -> bool:
    """True when a machine releases nothing that counts."""
    return all(site.fluids[fluid].emission != "counted" for fluid in machine.outputs)


def shape_name(demand: Demand) -> str:
    """The name of a demand's shape; tiny sites have at most one profile."""
    return FLAT if demand.profile is None else "shape"


def groups(site: Site) -> list[tuple[MachineType, str]]:
    """Machine types by place."""
    return [(machine, place) for machine in site.machines.values() for place in machine.places]


def powers(site: Site) -> list[Demand]:
    """The demands for power."""
    return [demand for demand in site.demands.values() if demand.wants == POWER]


def material(site: Site, whole: Whole, name: str) -> float:
    """kg of a material in what is counted in whole numbers."""
    used = sum(
        site.sources[s].connection_materials.get(name, 0.0) * n for s, n in whole.tap.items()
    )
    for route, build in whole.lay.items():
        if build is not None:
            metre = sum(x.mass for x in site.pipes[build].layers if x.material == name)
            used += metre * site.routes[route].length
    for (kind, _), n in whole.count.items():
        used += site.machines[kind].materials.get(name, 0.0) * n
    return used
