"""Supply mixes side by side: a full plan for each, and what emitting supply buys."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any

from allocator.engine import NoPlanError, plan_site
from allocator.plan import Ceiling, Plan
from allocator.plan_file import plan_from_json, plan_to_json
from allocator.planning import Settings
from allocator.proof import audit
from allocator.site.records import Site
from allocator.studies.figures import Figures, Product, figures_of
from allocator.studies.mixes import Variant, mixes_of, on_the_site
from allocator.studies.running import Case, Workers, run_cases


@dataclass(frozen=True, slots=True)
class Compared:
    """One mix: its plan as one of the site itself, and its figures; else the reason for none.

    ``hours_short``: h a year of any promised power not there, over all draws of a simulation;
    None where none was asked for.
    """

    name: str
    about: str
    plan: Plan | None
    figures: Figures | None
    reason: str = ""
    hours_short: float | None = None


def compare(
    site: Site,
    settings: Settings | None = None,
    workers: Workers | None = None,
    simulated_days: float = 0.0,
    tell: Callable[[str], object] = lambda words: None,
) -> list[Compared]:
    """Plan a site under every mix of :func:`~allocator.studies.mixes.mixes_of`.

    Args:
        site: the site.
        settings: of each plan; the time limit is that of each plan too.
        workers: who plans; a plan takes one worker.
        simulated_days: run each plan through that many days from random and adversarial phases
            (0: no simulation).
        tell: hears of progress.

    Returns:
        A row a mix. A mix that has no plan, or whose planning fails, says why.
    """
    variants = mixes_of(site)
    settings = settings or Settings()
    cases = [Case(v.name, (site, v, settings, simulated_days)) for v in variants]
    found = run_cases(plan_mix, cases, workers or Workers(), tell=tell)
    rows = []
    for variant in variants:
        result = found[variant.name]
        if not result.ok or result.value["plan"] is None:
            reason = result.reason or result.value["reason"]
            rows.append(Compared(variant.name, variant.about, None, None, reason))
            continue
        value = result.value
        products = {name: Product(**of) for name, of in value["figures"].pop("products").items()}
        rows.append(
            Compared(
                variant.name,
                variant.about,
                plan_from_json(value["plan"], variant.name),
                Figures(**value["figures"], products=products),
                "",
                value["hours_short"],
            )
        )
    return rows


def plan_mix(
    site: Site, variant: Variant, settings: Settings, simulated_days: float
) -> dict[str, Any]:
    """One case: the plan and its figures as JSON, or the reason for none."""
    try:
        planned = plan_site(variant.site, settings)
    except NoPlanError as error:
        return {"plan": None, "reason": str(error)}
    plan = on_the_site(site, variant, planned.plan)
    # What no plan of the mix can pass is no ceiling of the site; the audit would not know either.
    plan = replace(plan, ceiling=Ceiling(None, None), verified=False)
    plan = replace(plan, verified=planned.plan.verified and audit(site, plan).accepted)
    short = None
    if simulated_days > 0 and plan.basis == "firm":
        short = _hours_short(site, plan, simulated_days, settings.seed)
    return {
        "plan": plan_to_json(plan),
        "figures": asdict(figures_of(site, plan)),
        "hours_short": short,
    }


def _hours_short(site: Site, plan: Plan, days: float, seed: int) -> float:
    from allocator.proof.simulation.simulate import simulate
    from allocator.proof.simulation.trace import SimulationSettings

    trace = simulate(site, plan, SimulationSettings(days=days, phases=2, seed=seed, samples=1))
    year = 365.25 * 86400.0
    return max(draw.short_s / draw.seconds for draw in trace.promises) * year / 3600.0


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
    """The step from clean only to clean first; None where emitting supply adds nothing."""
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
