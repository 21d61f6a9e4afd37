"""What a plan, or planning, gives when the numbers of a site are not what the file says.

A case is a point of the grids and a draw of the uncertain values (draw 0: as planned with).
*Re-checked*, a plan's builds stand and are operated anew for the case: every valve is set by
what the case's sources really give. *Re-planned*, the case is planned from scratch.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from allocator import __version__
from allocator.base.clock import interrupts_end_all
from allocator.engine import NoPlanError, plan_site
from allocator.network.deriving import network_of
from allocator.network.facts import changed
from allocator.network.records import Network
from allocator.plans.file import plan_from_json, plan_to_json
from allocator.plans.records import Plan, SourceUse
from allocator.search import Settings
from allocator.search.as_built import as_built
from allocator.site.records import POWER, Site
from allocator.studies.draws import drawn
from allocator.studies.grids import Grid, points
from allocator.studies.results import Results
from allocator.studies.running import StudyCase, Workers, keyed, run_cases

KEPT = 1e-5
"""Share by which a promise may be missed and still counts as kept: the solvers' gap."""
EXACT_GAP = 1e-6
STORE = "cases.sqlite"


@dataclass(frozen=True, slots=True)
class Asked:
    """What a sweep is to do. ``plan``: to re-check; None re-plans every case.

    ``simulated_days``: run the plan, its valves as they are, through that many days of each case
    from ``phases`` random phases and from adversarial ones (0: no simulation).
    """

    draws: int = 0
    grids: tuple[Grid, ...] = ()
    plan: Plan | None = None
    seed: int = 0
    simulated_days: float = 0.0
    phases: int = 2


@dataclass(frozen=True, slots=True)
class Swept:
    """One case. ``values``: address -> SI. Powers: W, firm; ``fluid``, ``counted``: kg/s, served
    and counted emission; None where it failed.

    ``kept``: a re-checked plan's promise holds when it is operated anew; ``hours_short``: h a year
    of promised power not there with its valves as they are, worst phases; None where not asked.
    """

    draw: int
    point: Mapping[str, float]
    values: Mapping[str, float]
    status: str = ""
    verified: bool = False
    gap: float | None = None
    firm_clean: float | None = None
    firm_total: float | None = None
    fluid: float | None = None
    demand: float | None = None
    counted: float | None = None
    kept: bool | None = None
    hours_short: float | None = None
    reason: str = ""


def nothing_varied(site: Site, draws: int, grids: Sequence[Grid]) -> str:
    """Why cases would all be the same, in words; "" where they would not."""
    if not draws and not grids:
        return "nothing to vary"
    if draws and not set(site.spreads) - {grid.fact.address for grid in grids}:
        return (
            "draws: the site file gives no ranges to draw from; write, for instance, "
            "'flow: {low: 2 g/s, high: 4 g/s}'"
        )
    return ""


def swept_cases(
    site: Site,
    asked: Asked,
    settings: Settings | None = None,
    workers: Workers | None = None,
    folder: Path | None = None,
    tell: Callable[[str], object] = lambda words: None,
) -> list[Swept]:
    """Work out every case.

    Args:
        site: the site, with its spreads.
        asked: draws, grids, plan.
        settings: of each case's planning; the time limit is that of a case.
        workers: who works.
        folder: where ``cases.sqlite`` keeps results as they come; a sweep that was stopped goes
            on from there. None keeps nothing.
        tell: hears of progress.

    Returns:
        A row a case: point by point of the grids, draw by draw. A case that fails says why.

    Raises:
        StoreError: the folder holds another sweep, or cannot be written.
        ClusterError: the cluster does not answer.
    """
    if isinstance(site, Network) and not site.studied:
        site = site.site  # each case derives its own network
    settings = settings or Settings()
    grid_points = points(asked.grids)
    rows = [
        Swept(number, point, {**drawn(_free(site, point), asked.seed, number), **point})
        for point in grid_points
        for number in range(asked.draws + 1)
    ]
    told = None if asked.plan is None else plan_to_json(asked.plan)
    cases = [
        StudyCase(
            keyed({"draw": row.draw, "point": row.point}),
            (site, row.values, told, settings, asked.simulated_days, asked.phases, asked.seed),
        )
        for row in rows
    ]
    with contextlib.ExitStack() as held:
        results = None
        if folder is not None:
            study = _told(site, asked, settings, told)
            results = held.enter_context(Results(folder / STORE, study))
        held.enter_context(interrupts_end_all())
        found = run_cases(work_out, cases, workers or Workers(), results, tell)
    return [
        replace(row, **result.value) if result.ok else replace(row, reason=result.reason)
        for row, result in zip(rows, found.values(), strict=True)
    ]


def _free(site: Site, point: Mapping[str, float]) -> dict[str, Any]:
    """The spreads of what no grid sets."""
    return {address: s for address, s in site.spreads.items() if address not in point}


def _told(site: Site, asked: Asked, settings: Settings, told: str | None) -> dict[str, Any]:
    """What the results depend on, besides the case."""
    return {
        "version": __version__,
        "site": site.sha256,
        "plan": None if told is None else hashlib.sha256(told.encode()).hexdigest(),
        "settings": asdict(settings),
        "seed": asked.seed,
        "simulated": [asked.simulated_days, asked.phases],
    }


def work_out(
    site: Site,
    values: Mapping[str, float],
    told: str | None,
    settings: Settings,
    simulated_days: float,
    phases: int,
    seed: int,
) -> dict[str, Any]:
    """One case, as JSON."""
    case = network_of(changed(site, values))
    if told is None:
        return _planned(case, settings)
    plan = plan_from_json(told, "plan")
    operated = _planned(as_built(case, plan), replace(settings, gap=min(settings.gap, EXACT_GAP)))
    operated["kept"] = _kept(case, plan, operated)
    if simulated_days > 0:
        # The promise is in watts: it is what the plan's own demand is served with.
        case = replace(case, demands=site.demands)
        operated["hours_short"] = _hours_short(case, plan, simulated_days, phases, seed)
    return operated


def _planned(site: Site, settings: Settings) -> dict[str, Any]:
    try:
        planned = plan_site(site, settings)
    except NoPlanError as error:
        if not error.outcome.proven_impossible:
            raise
        nothing = dict.fromkeys(("firm_clean", "firm_total", "fluid"), 0.0)
        return {**nothing, "status": "no plan exists", "reason": str(error)}
    plan = planned.plan
    return {
        "status": plan.status,
        "verified": plan.verified,
        "gap": plan.goals[0].gap if plan.goals else None,
        "firm_clean": plan.power.firm_clean,
        "firm_total": plan.power.firm_total,
        "fluid": served_fluid(plan),
        "demand": plan.power.demand_mean,
        "counted": plan.emissions.counted,
    }


def served_fluid(plan: Plan) -> float:
    """Fluid promised to demands, kg/s."""
    return math.fsum(
        d.mean * (d.clean_share + d.emitting_share) for d in plan.demands if d.wants != POWER
    )


def _kept(site: Site, plan: Plan, operated: Mapping[str, Any]) -> bool:
    """Each sum promised is served, or as much of it as is still demanded."""
    power = math.fsum(d.mean for d in site.demands.values() if d.wants == POWER)
    fluid = math.fsum(d.mean for d in site.demands.values() if d.wants != POWER)
    promised = (
        ("firm_clean", min(plan.power.firm_clean, power)),
        ("firm_total", min(plan.power.firm_total, power)),
        ("fluid", min(served_fluid(plan), fluid)),
    )
    return all(operated[name] >= least * (1.0 - KEPT) for name, least in promised)


def throttled(site: Site, plan: Plan) -> Plan:
    """The plan with its valves as they are, where a source gives less than the plan takes.

    What a source then gives is shared among its destinations as before.
    """

    def less(use: SourceUse) -> SourceUse:
        taken = math.fsum([*use.collect.values(), *use.direct.values()])
        share = min(1.0, site.sources[use.name].flow / taken) if taken > 0 else 1.0
        return replace(
            use,
            collect={to: rate * share for to, rate in use.collect.items()},
            direct={shape: rate * share for shape, rate in use.direct.items()},
        )

    return replace(plan, sources=tuple(less(use) for use in plan.sources))


def _hours_short(site: Site, plan: Plan, days: float, phases: int, seed: int) -> float:
    from allocator.simulation.trace import SimulationSettings
    from allocator.simulation.tracing import simulate

    settings = SimulationSettings(days=days, phases=phases, seed=seed, samples=1, events=0)
    # The case says what is lost; the simulation need not lose sources by itself as well.
    trace = simulate(site, replace(throttled(site, plan), robustness=None, outages=()), settings)
    year = 365.25 * 86400.0
    return max(draw.short_s / draw.seconds for draw in trace.promises) * year / 3600.0
