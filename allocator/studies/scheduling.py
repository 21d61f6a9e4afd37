"""``schedule``: in which order a crew builds a plan, and what is ready for which spell."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from allocator.base.quantities import format_quantity
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.handover.build_order import BuildStep, build_order
from allocator.report.handover.chains import Chain, chains_of
from allocator.report.handover.firm_stages import FirmStages
from allocator.simulation.filling import StoreFilling
from allocator.studies.schedule_rows import ScheduledStep, SpellsOfSource

WEEK = 7 * 86400.0
YEAR = 365.25 * 86400.0


@dataclass(frozen=True, slots=True)
class Crew:
    """Who builds: ``rate`` kg of material a second of work, ``step`` s of work of each step more.

    ``week``: s of work in a week, spread evenly over it.

    Raises:
        ValueError: no work is done, or a week is shorter than the work in it.

    Examples
    --------
    >>> import allocator as al
    >>> al.Crew(rate=40 / 3600, week=45 * 3600.0).words()
    'Crew: 40 kg/h of material and 2 h a step, 45 h a week.'
    """

    rate: float
    step: float = 2 * 3600.0
    week: float = WEEK

    def __post_init__(self) -> None:
        if not (math.isfinite(self.rate) and self.rate > 0):
            raise ValueError(f"the crew's rate must be above 0 kg/s (got {self.rate!r})")
        if not (math.isfinite(self.step) and self.step >= 0):
            raise ValueError(f"the time of a step must be 0 s or more (got {self.step!r})")
        if not 0 < self.week <= WEEK:
            told = format_quantity(self.week, "duration")
            raise ValueError(
                f"the working time in a week must be above 0 and at most 168 h (got {told})"
            )

    def words(self) -> str:
        """What the times count on."""
        rate, step = f"{self.rate * 3600:.6g} kg/h", format_quantity(self.step, "duration")
        week = format_quantity(self.week, "duration")
        work = "day and night" if self.week == WEEK else f"{week} a week"
        return f"Crew: {rate} of material and {step} a step, {work}."

    def elapsed(self, step: BuildStep) -> float:
        """s from begin to end of a step."""
        return (step.mass / self.rate + self.step) * WEEK / self.week


class CrewBuild:
    """The steps of a plan, and what each set of chains needs of them."""

    def __init__(self, site: Network, plan: Plan, crew: Crew, done: Iterable[str]) -> None:
        self.steps = build_order(site, plan)
        self.chains = chains_of(site, plan)
        self.stages = FirmStages(site, plan, self.chains)
        self.done = frozenset(done)
        self._crew = crew
        by_number = {step.number: step for step in self.steps}
        before: dict[str, frozenset[str]] = {}
        for step in self.steps:
            own = {step.key}
            for number in step.after:
                own |= before[by_number[number].key]
            before[step.key] = frozenset(own)
        self._before = before
        self._standing = {m.name: m.count - m.new for m in plan.machines}

    def listed(self) -> list[int]:
        """The chains in the order of the build order."""
        at = {step.key: step.number for step in self.steps}
        return sorted(range(len(self.chains)), key=lambda n: at[f"start {self.chains[n].title}"])

    def needed(self, members: Iterable[int]) -> frozenset[str]:
        """Keys of all steps that are done once some chains have begun."""
        found: set[str] = set()
        units: dict[str, float] = {}
        for number in members:
            chain = self.chains[number]
            found |= self._before[f"start {chain.title}"]
            for name, count in chain.units.items():
                units[name] = units.get(name, 0.0) + count
        for name, count in units.items():
            new = math.ceil(count - 1e-6) - self._standing[name]
            keys = [step.key for step in self.steps if step.key.startswith(f"machine:{name}#")]
            # what is built stands first, then what other steps need, then the next of like units
            keys.sort(key=lambda key: (key not in self.done, key not in found))
            found.update(keys[: max(new, 0)])
        return frozenset(found)

    def time(self, keys: Iterable[str]) -> float:
        """s that the crew takes for steps that are not done."""
        left = set(keys) - self.done
        return math.fsum(self._crew.elapsed(step) for step in self.steps if step.key in left)

    def rows(self, order: Sequence[int], begin: float) -> tuple[ScheduledStep, ...]:
        """Steps that are left, one after the other, in the order of the chains; others last."""
        now, met = begin, set(self.done)
        rows = []
        members: list[int] = []
        for chain in (*order, None):
            if chain is None:
                wanted = frozenset(step.key for step in self.steps)
            else:
                members.append(chain)
                wanted = self.needed(members)
            for step in self.steps:
                if step.key in wanted and step.key not in met:
                    met.add(step.key)
                    rows.append(ScheduledStep(step, now, now + self._crew.elapsed(step)))
                    now = rows[-1].end
        return tuple(rows)


def filled_at(
    chain: Chain, fillings: Mapping[str, StoreFilling], spans: Mapping[str, float], begun: float
) -> float:
    """When all stores of a chain are filled: those that fill others before them.

    ``spans``: s that a store takes whose sources have no known timetable.
    """
    now = begun
    for name in chain.filled:
        if name in spans:
            now += spans[name]
        elif name in fillings and math.isfinite(now):
            now = fillings[name].filled(now)
    return now


def waits_for(chain: Chain, fillings: Mapping[str, StoreFilling]) -> tuple[str, ...]:
    return tuple(n for n in chain.filled if n in fillings and fillings[n].amount > 0.0)


def spells_missed(
    site: Network, plan: Plan, chains: Sequence[Chain], starts: Mapping[int, float], begin: float
) -> Iterator[SpellsOfSource]:
    """What each source with a duty cycle gives before it is ready."""
    for use in plan.sources:
        source = site.sources[use.name]
        key = f"tap:{use.name}"
        ready = [start for n, start in starts.items() if key in chains[n].needs]
        if not (use.tapped and source.stages and ready) or use.from_chamber:
            continue
        since = min(ready)
        outer = source.stages[-1]
        within = math.prod(stage.on / stage.every for stage in source.stages[:-1])
        following, missed = None, None
        if source.next_start is None:
            seconds = (since - begin) * outer.on / outer.every * within
        else:
            number = math.ceil((since - source.next_start) / outer.every)
            following = source.next_start + number * outer.every
            first = math.floor((begin - source.next_start) / outer.every)
            begins = [source.next_start + k * outer.every for k in range(first, number)]
            over = [min(since, b + outer.on) - max(begin, b) for b in begins]
            missed = sum(span > 0 for span in over)
            seconds = math.fsum(max(0.0, span) for span in over) * within
        lost = math.fsum(use.collect.values()) * seconds
        worth = max(
            (_makes(site, chains[n], source.fluid) for n in starts if key in chains[n].needs),
            default=0.0,
        )
        yield SpellsOfSource(use.name, since, following, missed, lost, lost * worth)


def _makes(site: Network, chain: Chain, fluid: str) -> float:
    """J of power that a chain's generator makes of a kg of a fluid."""
    for name in chain.units:
        kind = site.machines[name.rpartition("@")[0]]
        if kind.inputs.get(fluid, 0.0) > 0.0:
            return kind.power_out / kind.inputs[fluid]
    return 0.0
