"""How often, and by how much, a plan is short where machines fail: hours and energy a year.

Years are drawn one by one, each with phases and outages of its own, until the hours are known well
enough. What is known exactly of how long units are out takes most of the spread out of them
(``steady_states.py``). In each, the same phases are run once more with every unit in order: the
difference is put down to machines. Of what is short without outages, storage is to blame as far as
gas and power that were spilt in the same year could have made it good; the rest is not given by the
sources. Hours are shared out among storage and sources as the energy is.

Not seen is what units that burn bursts for a battery fail to charge while more of them are out than
are spare: those bursts count as burnt.

The two measures are loss-of-load expectation and expected energy not served (R. Billinton & R. N.
Allan, *Reliability Evaluation of Power Systems*, 2nd ed. 1996, chapter 2; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace

from allocator.simulation.adequacy_records import CAUSES, Adequacy, YearlyEstimate
from allocator.simulation.columns import SPILL, UNTAKEN
from allocator.simulation.outages import YEAR, drawn_schedule
from allocator.simulation.regimes import Regimes, State
from allocator.simulation.running import Finished, measures_of, run_circuit
from allocator.simulation.steady_states import RUNS, SteadyStates, steady_states
from allocator.simulation.trace import Outages
from allocator.verify.tanks.phases import common_phases

FEWEST = 16
"""Years that are drawn at the least: a spread of fewer says little."""
BATCH = 16


@dataclass(frozen=True, slots=True)
class ShortYear:
    """One year: s and J short of promise and demand, with outages and with all units in order.

    ``in_order``: None where that was not run. ``spilt``: J that what was spilt then could have
    made. ``spent``: s in each state whose chance is known.
    """

    failing: tuple[float, float, float, float]
    in_order: tuple[float, float, float, float] | None
    spilt: float
    spent: Mapping[State, float] = field(default_factory=dict)


@dataclass(frozen=True)
class AdequacyWork:
    """What the years of a plan share."""

    regimes: Regimes
    outages: Outages | None
    seed: int
    steady: SteadyStates | None = None

    def year(self, number: int) -> ShortYear:
        """One year; the same number has the same phases and outages in every plan."""
        regimes = self.regimes
        case, circuit = regimes.assembly.case, regimes.circuit
        phases = common_phases(case, circuit, self.seed, number)
        schedule = drawn_schedule(case, self.outages, YEAR, self.seed, number)
        failing = regimes.run(phases, YEAR, schedule)
        spent = {} if self.steady is None else self.steady.spent(schedule, YEAR)
        if number >= FEWEST:  # what is short without outages differs little from year to year
            return ShortYear(measures_of(failing), None, 0.0, spent)
        in_order = run_circuit(circuit, phases, YEAR)
        return ShortYear(measures_of(failing), measures_of(in_order), _spilt(in_order), spent)

    def years(self, numbers: Sequence[int]) -> list[ShortYear]:
        """Some years, one after the other."""
        return [self.year(number) for number in numbers]


def adequacy_of(work: AdequacyWork, most: int, executor: Executor | None = None) -> Adequacy | None:
    """The adequacy of a plan, of at most so many years; None where none is asked for."""
    if most > 0 and work.steady is None:
        work = replace(work, steady=steady_states(work.regimes, work.outages, work.seed))
    found: list[ShortYear] = []
    adequacy = None
    while len(found) < most:
        numbers = range(len(found), min(most, len(found) + BATCH))
        if executor is None:
            found += work.years(numbers)
        else:
            halves = [numbers[::2], numbers[1::2]]
            one, other = executor.map(work.years, halves)
            found += [year for pair in zip(one, other, strict=False) for year in pair]
            found += one[len(other) :]
        adequacy = estimated(found, work.steady)
        hours = (adequacy.promise_short_s, adequacy.demand_short_s)
        if len(found) >= FEWEST and all(estimate.good_enough for estimate in hours):
            break
    return adequacy


def estimated(years: Sequence[ShortYear], steady: SteadyStates | None = None) -> Adequacy:
    """Means with their intervals, and the parts that are put down to each cause.

    ``steady``: what is known of the states that the years were spent in.
    """
    estimates = []
    energy: list[dict[str, float]] = []
    failing = [_less_known(year, steady) for year in years]
    both = [
        (mine, year.in_order, year.spilt)
        for mine, year in zip(failing, years, strict=True)
        if year.in_order is not None
    ]
    for at in (1, 3):
        parts = dict.fromkeys(CAUSES, 0.0)
        for _, in_order, spilt in both:
            stored = min(in_order[at], spilt)
            parts["storage"] += stored / len(both)
            parts["source"] += (in_order[at] - stored) / len(both)
        energy.append(parts)
    for at in range(4):
        values = [mine[at] for mine in failing]
        mean = max(0.0, math.fsum(values) / len(values))
        # with and without outages in the same years: the difference is known better than either
        machine = math.fsum(mine[at] for mine, _, _ in both)
        machine -= math.fsum(in_order[at] for _, in_order, _ in both)
        machine = min(mean, max(0.0, machine / len(both)))
        if math.fsum(energy[at // 2].values()) <= 0.0:
            machine = mean
        rest = mean - machine
        without = energy[at // 2]
        whole = math.fsum(without.values())
        by_cause = {
            cause: rest * (share / whole) if whole > 0 else 0.0 for cause, share in without.items()
        }
        by_cause["machine"] = machine
        estimates.append(YearlyEstimate(mean, _half_width(values, years, steady, at), by_cause))
    return Adequacy(len(years), *estimates)


def _less_known(year: ShortYear, steady: SteadyStates | None) -> tuple[float, ...]:
    """What is short in a year, less what its units were out for longer than in the long run."""
    if steady is None:
        return year.failing
    return tuple(value - steady.known_part(at, year.spent) for at, value in enumerate(year.failing))


def _half_width(
    values: Sequence[float], years: Sequence[ShortYear], steady: SteadyStates | None, at: int
) -> float:
    """Of the interval of a mean: by the spread of the years, and by what the shares may err."""
    drawn = half_width(values)
    if steady is None:
        return drawn
    spent: dict[State, float] = {}
    for year in years:
        for state, seconds in year.spent.items():
            spent[state] = spent.get(state, 0.0) + seconds / len(years)
    return math.hypot(drawn, student(RUNS - 1) * steady.error(at, spent))


def half_width(values: Sequence[float]) -> float:
    """Half of the 95 % interval of a mean, by Student's t; infinite for a single value."""
    number = len(values)
    if number < 2:
        return math.inf
    mean = math.fsum(values) / number
    spread = math.fsum((value - mean) ** 2 for value in values) / (number - 1)
    return student(number - 1) * math.sqrt(spread / number)


def student(freedom: int) -> float:
    """The 97.5 % point of Student's t."""
    from scipy.special import stdtrit  # here, as it takes long to import

    return float(stdtrit(freedom, 0.975))


def _spilt(run: Finished) -> float:
    """J that all that was spilt would have made, at what the promise makes of it."""
    return math.fsum(
        float(column[SPILL] - column[UNTAKEN]) * (1.0 if tank.kind == "burst" else tank.worth)
        for tank, column in zip(run.circuit.tanks, run.sums.tank, strict=True)
        if tank.kind in ("burst", "store")
    )
