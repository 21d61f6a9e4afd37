"""Supply mixes side by side: a full plan for each, and what emitting supply buys."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.engine import NoPlanError, plan_site
from allocator.network.deriving import network_of
from allocator.plans.file import plan_from_json, plan_to_json
from allocator.plans.records import Ceiling, GoalResult, Plan
from allocator.search import Settings
from allocator.simulation.adequacy_records import Adequacy, YearlyEstimate
from allocator.site.records import Site
from allocator.studies.figures import Figures, Product, figures_of
from allocator.studies.mixes import WAVES, Variant, mixes_of, on_the_site
from allocator.studies.results import Result
from allocator.studies.running import NotInTimeError, StudyCase, Workers, run_cases
from allocator.studies.starts import adopted, best_start, better, stands
from allocator.verify import audit


@dataclass(frozen=True, slots=True)
class Compared:
    """One mix: its plan as one of the site itself, and its figures; else the reason for none.

    ``hours_short``: h a year of any promised power not there, over all draws of a simulation;
    None where none was asked for. ``adequacy``: where machines fail, of the same simulation; every
    mix has the same outages of the same units.
    """

    name: str
    about: str
    plan: Plan | None
    figures: Figures | None
    reason: str = ""
    hours_short: float | None = None
    adequacy: Adequacy | None = None


FIRST_SHARE = 0.8
"""Of the time for planning every mix once; the rest is for those that another's plan betters."""

POOR = 0.1
"""A plan whose goals may be better by more than this share of themselves is searched again."""
SETTLED = (Status.OPTIMAL, Status.WITHIN_GAP, Status.YIELDED, Status.NOT_SOUGHT)

LEAST_TIME = 1.0
"""s for a mix, however late it is."""

Task = tuple[Variant, Plan | None]
"""A mix to plan, and the plan to start from."""


def compared_mixes(
    site: Site,
    settings: Settings | None = None,
    workers: Workers | None = None,
    simulated_days: float = 0.0,
    tell: Callable[[str], object] = lambda words: None,
) -> list[Compared]:
    """Plan a site under every mix of :func:`~allocator.studies.mixes.mixes_of`.

    A mix starts from the best plan of those before it that it allows. A mix that ends up worse
    than another's plan would serve it is planned again from that plan. At the end each mix is
    offered every other's plan as it stands: whoever works, and in which order, no mix is worse
    by its first goal than one that allows no more than it does (but for what the site lets a
    goal give up).

    Args:
        site: the site.
        settings: of each plan; the time limit is that of all mixes together.
        workers: who plans; a plan takes one worker.
        simulated_days: run each plan through that many days from random and adversarial phases
            (0: no simulation).
        tell: hears of progress.

    Returns:
        A row a mix. A mix that has no plan, or whose planning fails, says why.
    """
    site = network_of(site)
    settings, workers = settings or Settings(), workers or Workers()
    variants = mixes_of(site)
    study = _Study(site, len(variants), settings, workers, simulated_days, tell)
    for wave in range(WAVES):
        now = [(v, study.start(v)) for v in variants if v.wave == wave]
        later = sum(v.shares for v in variants if v.wave > wave)
        study.plan_all(now, later, FIRST_SHARE)
    again = [
        (mix, study.bettered(mix) or study.start(mix))
        for mix in variants
        if study.bettered(mix) is not None or study.poor(mix)
    ]
    if again:
        tell(f"{len(again)} of them again: others' plans are better, or much is not settled")
        study.plan_all(again, 0, 1.0)
    study.settle(variants)
    return [study.rows[variant.name] for variant in variants]


class _Study:
    """Rows as they are found, and the time that is left for the others."""

    def __init__(
        self,
        site: Site,
        count: int,
        settings: Settings,
        workers: Workers,
        days: float,
        tell: Callable[[str], object],
    ) -> None:
        self.site, self.workers = site, workers
        self.rows: dict[str, Compared] = {}
        self._settings_given, self._days, self._count, self._tell = settings, days, count, tell
        self._clock = Clock(None)
        self._took = 0.0
        self._proven: set[str] = set()

    @property
    def plans(self) -> list[Plan]:
        """Plans of all mixes so far."""
        return [row.plan for row in self.rows.values() if row.plan is not None]

    def start(self, mix: Variant) -> Plan | None:
        """The best plan so far for a mix that is not planned yet."""
        return best_start(self.site, mix, self.plans)

    def bettered(self, mix: Variant) -> Plan | None:
        """A plan of another mix by which this one would do better than by its own, or None."""
        row, best = self.rows[mix.name], self.start(mix)
        if best is None or mix.name in self._proven:
            return None
        if row.plan is None or better(mix, best, row.plan):
            return best
        return None

    def poor(self, mix: Variant) -> bool:
        """Whether the time was too short for a good plan of a mix; never with a node limit."""
        if self._settings_given.node_limit is not None or mix.name in self._proven:
            return False
        plan = self.rows[mix.name].plan
        return plan is None or any(g.gap is None or g.gap > POOR for g in open_goals(plan))

    def plan_all(self, tasks: Sequence[Task], later: int, share: float) -> None:
        """Plan some mixes in their share of the time up to ``share``, beside ``later`` shares."""
        cluster = self.workers.cluster is not None
        # one worker takes them one by one, so that time which one leaves goes to the others
        alone = self.workers.count == 1 and not cluster
        groups = [[task] for task in tasks] if alone else [list(tasks)]
        for number, group in enumerate(groups):
            if self._late():
                self._leave_out(mix for mix, _ in group)
                continue
            began = self._clock.seconds()
            waiting = later + sum(mix.shares for after in groups[number + 1 :] for mix, _ in after)
            at_once = max(1, len(group) if cluster else self.workers.count)
            most = max(mix.shares for mix, _ in group)
            rounds = most * math.ceil(len(group) / at_once) + math.ceil(waiting / at_once)
            cases = []
            for mix, start in group:
                settings = self._settings(share, mix.shares / rounds, start)
                cases.append(StudyCase(mix.name, (self.site, mix, settings, self._days)))
            for name, result in run_cases(plan_mix, cases, self.workers).items():
                self._keep(next(mix for mix, _ in group if mix.name == name), result)
            self._took = self._clock.seconds() - began
            again = " (again)" if later == 0 and share == 1.0 else ""
            self._tell(f"{len(self.rows)} of {self._count} mixes{again}")

    def _late(self) -> bool:
        """Whether the next mix would end late by more than half of what the last one took.

        The first is planned however little time there is; its plan may serve others.
        """
        if self._settings_given.node_limit is not None or not self.rows:
            return False
        limit = self._settings_given.time_limit
        return self._clock.seconds() + 0.5 * min(self._took, limit) > limit

    def _leave_out(self, mixes: Iterable[Variant]) -> None:
        for mix in mixes:
            if mix.name not in self.rows:
                reason = str(NotInTimeError())
                self.rows[mix.name] = Compared(mix.name, mix.about, None, None, reason)

    def settle(self, mixes: Sequence[Variant]) -> None:
        """Offer each mix every other's plan as it stands, until none is served better by one."""
        for _ in mixes:
            changed = [mix for mix in mixes if self._adopts(mix)]
            if not changed:
                break

    def _adopts(self, mix: Variant) -> bool:
        """Take the best plan of the others as it is, where it serves a mix better than its own."""
        own = self.rows[mix.name].plan
        other = best_start(self.site, mix, (p for p in self.plans if stands(mix, p)))
        if other is None or (own is not None and not better(mix, other, own)):
            return False
        plan = adopted(mix, other, own)
        if not audit(self.site, replace(plan, verified=False)).accepted:
            return False
        row = next(row for row in self.rows.values() if row.plan is other)
        figures = figures_of(self.site, plan)
        self.rows[mix.name] = Compared(
            mix.name, mix.about, plan, figures, "", row.hours_short, row.adequacy
        )
        return True

    def _settings(self, share: float, part: float, start: Plan | None) -> Settings:
        left = self._settings_given.time_limit * share - self._clock.seconds()
        limit = max(LEAST_TIME, left * part)
        if self._settings_given.node_limit is not None:
            limit = self._settings_given.time_limit
        return replace(self._settings_given, time_limit=limit, start=start)

    def _keep(self, mix: Variant, result: Result) -> None:
        row = _row(mix, result)
        if result.ok and result.value.get("proven"):
            self._proven.add(mix.name)
        old = None if mix.name not in self.rows else self.rows[mix.name].plan
        worse = row.plan is None or (old is not None and not better(mix, row.plan, old))
        if old is None or not worse:
            self.rows[mix.name] = row


def open_goals(plan: Plan) -> tuple[GoalResult, ...]:
    """Goals of a plan of which the search did not settle that none is better."""
    return tuple(goal for goal in plan.goals if goal.status not in SETTLED and goal.gap != 0.0)


def _row(mix: Variant, result: Result) -> Compared:
    if not result.ok or result.value["plan"] is None:
        reason = result.reason or result.value["reason"]
        return Compared(mix.name, mix.about, None, None, reason)
    value = result.value
    products = {name: Product(**of) for name, of in value["figures"].pop("products").items()}
    return Compared(
        mix.name,
        mix.about,
        plan_from_json(value["plan"], mix.name),
        Figures(**value["figures"], products=products),
        "",
        value["hours_short"],
        _adequacy_of(value.get("adequacy")),
    )


def _adequacy_of(found: dict[str, Any] | None) -> Adequacy | None:
    if found is None:
        return None
    years = found.pop("years")
    return Adequacy(years, **{name: YearlyEstimate(**of) for name, of in found.items()})


def plan_mix(
    site: Site, variant: Variant, settings: Settings, simulated_days: float
) -> dict[str, Any]:
    """One case: the plan and its figures as JSON, or the reason for none."""
    try:
        planned = plan_site(variant.site, settings)
    except NoPlanError as error:
        proven = error.outcome.proven_impossible
        return {"plan": None, "reason": str(error), "proven": proven}
    plan = on_the_site(site, variant, planned.plan)
    # What no plan of the mix can pass is no ceiling of the site; the audit would not know either.
    plan = replace(plan, ceiling=Ceiling(None, None), verified=False)
    plan = replace(plan, verified=planned.plan.verified and audit(site, plan).accepted)
    short, adequacy = None, None
    if simulated_days > 0 and plan.basis == "firm":
        short, adequacy = _hours_short(site, plan, simulated_days, settings.seed)
    return {
        "plan": plan_to_json(plan),
        "figures": asdict(figures_of(site, plan)),
        "hours_short": short,
        "adequacy": None if adequacy is None else asdict(adequacy),
    }


YEARS = 64
"""Years at most that are drawn for the adequacy of a mix."""


def _hours_short(site: Site, plan: Plan, days: float, seed: int) -> tuple[float, Adequacy | None]:
    from allocator.simulation.trace import SimulationSettings
    from allocator.simulation.tracing import simulate, with_adequacy

    settings = SimulationSettings(days=days, phases=2, seed=seed, samples=1)
    trace = with_adequacy(site, plan, simulate(site, plan, settings), YEARS)
    year = 365.25 * 86400.0
    short = max(draw.short_s / draw.seconds for draw in trace.promises) * year / 3600.0
    return short, trace.adequacy


@dataclass(frozen=True, slots=True)
class Bought:
    """What emitting supply buys over clean supply alone, and what it costs.

    ``share``: of the demand. ``counted``: kg/s. ``materials``: kg more (less below 0).
    """

    share: float
    power: float
    counted: float
    materials: dict[str, float]
    money: float
    fuel: dict[str, float]


def bought(clean: Figures, backed: Figures) -> Bought | None:
    """The step from clean only to clean first; None where emitting supply adds no firm power."""
    share = backed.served_share - clean.served_share
    if share <= 1e-6 or backed.counted <= 0:
        return None
    return Bought(
        share,
        backed.firm_total - clean.firm_total,
        backed.counted - clean.counted,
        {n: kg - clean.materials.get(n, 0.0) for n, kg in backed.materials.items()},
        backed.money - clean.money,
        {
            name: rate - clean.bought.get(name, 0.0)
            for name, rate in backed.bought.items()
            if rate > clean.bought.get(name, 0.0)
        },
    )
