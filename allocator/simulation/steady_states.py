"""How long units are out in the long run, exactly, as a control for years drawn at random.

Units fail independently, so the chance of each number of units out in each group is exact: a
product of binomials (k out of n) of the availability of a unit. Give each choice of units out any
shares of time and power short. What these shares add up to over a drawn schedule differs from what
is short in the run along it, and their mean over all schedules is known. So

    short(run) - shares(schedule) + mean of the shares

has the mean of ``short(run)``, whatever the shares are, and spreads little where they are near the
truth (control variate: S. Asmussen & P. W. Glynn, *Stochastic Simulation*, 2007, chapter V.2; from
memory). The shares are measured in short runs of their own, in which one choice of units is out
throughout: no year that is drawn afterwards is used for them, so there is no bias. How much these
runs differ among each other is added to the interval, for choices that are too rare to be drawn.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from allocator.simulation.outages import YEAR, OutageSchedule, availability
from allocator.simulation.regimes import Regimes, State
from allocator.simulation.running import measures_of
from allocator.simulation.trace import DAY, Outages
from allocator.verify.tanks.phases import common_phases

Measures = tuple[float, ...]
"""s short of the promise, J not served of it, and the same two of the demand."""
Key = tuple[tuple[str, int], ...]
"""Units out, by group, without groups that have none."""

MOST_CHOICES = 4000
"""Choices of units whose chance is reckoned; the others belong to the rest."""
RARE = 1e-9
"""Choices less probable than this do too: a thirtieth of a second a year."""
MOST_STATES = 120
"""States in which runs are made."""
RUNS = 4
RUN = 10 * DAY
"""Runs of a state, and their length, s."""
REST: State = (-1, ())
"""All states without runs of their own, as one: its shares lie between those that are known."""
OTHER = 1_000_003
"""Added to the seed, for phases that no year drawn has."""


@dataclass(frozen=True, slots=True)
class KnownState:
    """The chance of a state, and shares of time short and mean W short in runs of it.

    ``squared_error``: of the shares, by what the runs differ among each other.
    """

    chance: float
    shares: Measures
    squared_error: Measures


@dataclass(frozen=True)
class SteadyStates:
    """The states of a plan that are the most probable; ``keys``: states of choices seen so far."""

    regimes: Regimes
    known: Mapping[State, KnownState]
    keys: dict[Key, State] = field(default_factory=dict)

    def spent(self, schedule: OutageSchedule, seconds: float) -> dict[State, float]:
        """s of a schedule in each known state."""
        found: dict[State, float] = {}
        ends = [*schedule.times[1:], seconds]
        for begin, end, out in zip(schedule.times, ends, schedule.out, strict=True):
            key = tuple(sorted(out.items()))
            if key not in self.keys:
                self.keys[key] = self.regimes.state_of(out)
            state = self.keys[key] if self.keys[key] in self.known else REST
            found[state] = found.get(state, 0.0) + min(end, seconds) - begin
        return found

    def known_part(self, at: int, spent: Mapping[State, float]) -> float:
        """What the shares of a measure add up to, less their mean over all years."""
        return math.fsum(
            known.shares[at] * (spent.get(state, 0.0) - YEAR * known.chance)
            for state, known in self.known.items()
        )

    def error(self, at: int, spent: Mapping[State, float]) -> float:
        """Standard error that errors of the shares leave; ``spent``: mean s a year that was drawn.

        A share counts for as much as its state was drawn more or less often than its chance.
        """
        return math.sqrt(
            math.fsum(
                known.squared_error[at] * (spent.get(state, 0.0) - YEAR * known.chance) ** 2
                for state, known in self.known.items()
            )
        )


def steady_states(regimes: Regimes, asked: Outages | None, seed: int) -> SteadyStates:
    """The steady states of a plan, with shares measured in runs from random phases."""
    chances: dict[State, float] = {}
    example: dict[State, Key] = {}
    for chance, out in probable_choices(chances_of_groups(regimes, asked)):
        state = regimes.state_of(dict(out))
        chances[state] = chances.get(state, 0.0) + chance
        example.setdefault(state, out)
    known = {}
    for state in heapq.nlargest(MOST_STATES, chances, key=lambda state: chances[state]):
        runs = [_shares(regimes, example[state], seed, run) for run in range(RUNS)]
        columns = list(zip(*runs, strict=True))
        means = tuple(math.fsum(column) / RUNS for column in columns)
        errors = tuple(
            math.fsum((value - mean) ** 2 for value in column) / (RUNS * (RUNS - 1))
            for column, mean in zip(columns, means, strict=True)
        )
        known[state] = KnownState(chances[state], means, errors)
    return SteadyStates(regimes, {**known, REST: _rest(known)})


def _rest(known: Mapping[State, KnownState]) -> KnownState:
    """The rest of the time, as short as the worst state that is known, or as the best."""
    columns = list(zip(*(state.shares for state in known.values()), strict=True))
    chance = max(0.0, 1.0 - math.fsum(state.chance for state in known.values()))
    spread = tuple((max(column) - min(column)) ** 2 for column in columns)
    return KnownState(chance, tuple(max(column) for column in columns), spread)


def _shares(regimes: Regimes, out: Key, seed: int, number: int) -> Measures:
    """Shares of time and mean W short in a run with the same units out throughout."""
    circuit = regimes.circuit
    phases = common_phases(regimes.assembly.case, circuit, seed + OTHER, number)
    run = regimes.run(phases, RUN, OutageSchedule((0.0,), (dict(out),)))
    return tuple(value / RUN for value in measures_of(run))


def chances_of_groups(regimes: Regimes, asked: Outages | None) -> dict[str, list[float]]:
    """Chance of 0, 1, 2, ... units of each group being out: binomial."""
    case = regimes.assembly.case
    found = {}
    for machine in case.plan.machines:
        up = availability(case.machine_type(machine), asked)
        if machine.count and up < 1.0:
            found[machine.name] = [
                math.comb(machine.count, out) * (1.0 - up) ** out * up ** (machine.count - out)
                for out in range(machine.count + 1)
            ]
    return found


def probable_choices(groups: Mapping[str, Sequence[float]]) -> list[tuple[float, Key]]:
    """The choices of units out that are the most probable, each with its chance."""
    found: list[tuple[float, Key]] = [(1.0, ())]
    for name, chances in sorted(groups.items()):
        joined = [
            (chance * share, (*out, (name, units)) if units else out)
            for chance, out in found
            for units, share in enumerate(chances)
            if chance * share > RARE
        ]
        found = heapq.nlargest(MOST_CHOICES, joined)
    return found
