"""The summary of a plan in one screen: result, what limits it, what to build, where it runs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import TYPE_CHECKING

from allocator.base.labels import head
from allocator.base.status import Status
from allocator.base.text import paragraph, section, table, width
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.plans.records import MachineUse, Plan
from allocator.report.bill import running_money
from allocator.report.capacities import capacities
from allocator.report.certainty import withstood
from allocator.report.loads import (
    burst_load,
    corridor_of,
    mean_load,
    run_ends,
    run_peak,
    runs_of_kind,
    served_in_shape,
)
from allocator.report.passing import built_stores
from allocator.report.simulated import verdict_words
from allocator.report.words import (
    STATUS_WORDS,
    clock_words,
    count,
    earlier_open,
    emission_a_kwh,
    emissions_of,
    gap,
    held_goals,
    money,
    percent,
    quantity,
    to_build,
    vented_at_all,
)
from allocator.site.money import lives_without_interest, running_span, unit_of_money
from allocator.site.records import POWER, Site

if TYPE_CHECKING:
    from allocator.simulation.trace import Trace

BUSIEST = 4
"""Pipes that are listed, those with the largest share of their capacity first."""
REASONS = 5
"""Limits that are listed; the rest is in the full tables."""
GROUPS = 6
"""Groups of generators that are listed, those with the most power first."""

SCREEN = 45
"""Lines of a summary that fit a screen; a blank line before the last ones only within them."""

UNVERIFIED = (
    "THIS PLAN FAILED ITS AUDIT. Do not build from it. The breaches are listed below the plan; "
    "the files say verified: false."
)
BROKEN = (
    "THIS PLAN DID NOT KEEP ITS FIRM OUTPUT WHEN IT WAS SIMULATED. Do not build from it. "
    "broken.json holds the phases at which it fails; the files say verified: false."
)
TOO_LOW = (
    "THIS PLAN LACKED PRESSURE ALONG ITS LINES WHEN IT WAS SIMULATED. Do not build from it. "
    "simulation.json lists the pressures; the files say verified: false."
)


def brief_summary(
    site: Site, plan: Plan, mean_basis: Plan | None = None, proof: Trace | None = None
) -> str:
    """A plan on one screen: at most 100 columns, absent facts left out.

    ``mean_basis``: the plan at average flows, as an estimate beside a firm plan. ``proof``: the
    plan simulated. The tables are in :func:`allocator.report.summary.full_summary`.
    """
    site = network_of(site)
    lines = [*heading(plan, proof), *_result(site, plan, mean_basis, proof)]
    reasons = [line for text in plan.limits[:REASONS] for line in paragraph(text, bullet="* ")]
    if len(plan.limits) > REASONS:
        reasons.append(f"  * {len(plan.limits) - REASONS} more with --full")
    lines += section("Why not more", reasons)
    lines += section("To build", _to_build(site, plan))
    for lines_of_table in (_generators(site, plan), _by_fluid(site, plan), _busiest(site, plan)):
        lines += ["", *lines_of_table] if lines_of_table else []
    end = _next(plan)
    room = [""] if len(lines) + len(end) < SCREEN else []
    return "\n".join([*lines, *room, *end]) + "\n"


def heading(plan: Plan, proof: Trace | None = None) -> list[str]:
    """The name of the site with the verdict of the audit, and a warning where it is refused."""
    verdict = "audited" if plan.verified else "NOT VERIFIED"
    kind = "firm plan" if plan.basis == "firm" else "plan at average flows"
    title = paragraph(f"{plan.site_name}: {kind}", indent=0)
    room = width() - len(title[-1])
    title[-1:] = (
        [f"{title[-1]}{verdict:>{room}}"]
        if room > len(verdict) + 1
        else [title[-1], f"{verdict:>{width()}}"]
    )
    lines = [*title, "-" * width()]
    if not plan.verified:
        said = UNVERIFIED
        if proof is not None and not proof.kept:
            said = BROKEN if proof.broken else TOO_LOW
        lines += [*paragraph(said, indent=0), ""]
    return lines


def _result(site: Network, plan: Plan, mean_basis: Plan | None, proof: Trace | None) -> list[str]:
    told = [*power_words(plan, mean_basis, served_in_shape(site, plan))]
    if plan.basis == "firm" and plan.robustness is not None and plan.robustness.anything:
        told.append(withstood(plan.robustness))
    fluids = [
        f"{use.wants} for {use.name} {percent(use.clean_share + use.emitting_share)}"
        for use in plan.demands
        if use.wants != POWER
    ]
    if fluids:
        told.append(f"Fluids served, share of the demand: {', '.join(fluids)}.")
    warm = [
        f"{quantity(place.heat_demand, 'power')} at {name}"
        for name, place in site.places.items()
        if place.heat_demand is not None
    ]
    if warm:
        told.append(f"Heat demands served at all times: {', '.join(warm)}.")
    told.append(_emission_words(plan))
    if plan.money:
        running = running_money(site, plan)
        unit = unit_of_money(site)
        words = f"Cost {money(plan.money, unit)}"
        if running:
            words += (
                f": {money(plan.money - running, unit)} to build, "
                f"{money(running, unit)} to run for {quantity(running_span(site), 'duration')}"
            )
        if lives_without_interest(site):
            words += " (plain sum; lives have no effect without discount_rate)"
        told.append(f"{words}.")
    if proof is not None:
        told.append(f"Simulated: {verdict_words(proof)}")
    return [line for text in told for line in paragraph(text, indent=0)]


def power_words(plan: Plan, mean_basis: Plan | None = None, in_shape: bool = False) -> list[str]:
    """The figures of power as sentences: value, share of the demand, proven limit and gap.

    ``in_shape``: a demand with a profile is served in part, which limits count in its shape.
    """
    power, demand = plan.power, plan.power.demand_mean
    if demand <= 0:
        return []
    if plan.basis == "mean":
        return [
            f"{_figure('mean_clean', power.mean_clean, demand)}{_limit(plan, 'clean_power')}. All "
            f"power {_figure('', power.mean_total, demand)}. Estimate with storage of any size, "
            "not firm: plan on the firm basis to know what holds at all times."
        ]
    told = [
        f"{_figure('firm_clean', power.firm_clean, demand)}{_limit(plan, 'clean_power')}.",
        f"All firm power {_figure('', power.firm_total, demand)}{_limit(plan, 'served_power')}.",
    ]
    last = []
    if mean_basis is not None:
        mean = mean_basis.power
        last.append(
            f"{_estimated(mean_basis)}: "
            f"clean {quantity(mean.mean_clean, 'power')}, all {quantity(mean.mean_total, 'power')}."
        )
    limits = (("clean", plan.ceiling.clean), ("all", plan.ceiling.total))
    if shown := [f"{name} {quantity(x, 'power')}" for name, x in limits if x is not None]:
        limit = "Limit, profiles kept" if in_shape else "Limit under any control"
        last.append(f"{limit}: {', '.join(shown)}.")
    told += [" ".join(last)] if last else []
    return [*told, words] if (words := clock_words(plan)) else told


def _estimated(mean_basis: Plan) -> str:
    """What the estimate is called: "at least" where its search was ended before the proof."""
    proven = mean_basis.status in (Status.OPTIMAL, Status.WITHIN_GAP)
    return "Average-flow estimate" if proven else "Average flow, at least"


def _figure(key: str, value: float, demand: float) -> str:
    share = f"{quantity(value, 'power')} ({percent(value / demand)} of demand)"
    return f"{head(key).capitalize()} {share}" if key else share


def _limit(plan: Plan, name: str) -> str:
    """The proven limit of a goal; its gap where no earlier goal is open."""
    for number, goal in enumerate(plan.goals):
        if goal.name == name and goal.bound is not None:
            limit = quantity(goal.bound, "power")
            held = held_goals(plan, number)
            if earlier_open(plan, number):
                return f"; at most {limit}{held}"
            cut = goal.status in (Status.INTERRUPTED, Status.BOUND_REFUTED)
            why = f", {STATUS_WORDS[goal.status]}" if cut else ""
            kind = "firm plan" if plan.basis == "firm" else "plan"
            return f"; no {kind} can have more than {limit}{held} (gap {gap(goal.gap)}{why})"
    return ""


def _emission_words(plan: Plan) -> str:
    emissions = emissions_of(plan)
    if emissions.counted <= 0:
        words = "No counted emission"
    else:
        words = f"Counted emission {quantity(emissions.counted, 'emission_rate')}"
        if release := emission_a_kwh(plan):
            words += f" ({release} of {'firm' if plan.basis == 'firm' else 'mean'} power)"
    if emissions.biogenic > 0:
        words += f"; biogenic {quantity(emissions.biogenic, 'emission_rate')}, not counted"
    for fluid, rate in vented_at_all(emissions).items():
        if rate > 0:
            amount = quantity(rate, "emission_rate")
            words += f"; {fluid} vented at most {amount}, counted by weight"
    return f"{words}."


def _to_build(site: Network, plan: Plan) -> list[str]:
    """New things by kind, a line or two each."""
    taps: dict[str, int] = defaultdict(int)
    for source in plan.sources:
        if source.tapped and source.new and not source.from_chamber:
            taps[site.sources[source.name].fluid] += 1
    units: dict[str, int] = defaultdict(int)
    for use in plan.machines:
        units[use.type] += use.new
    held: dict[str, list[float]] = defaultdict(list)
    new = [(store.type, store.new_size) for store in plan.stores]
    for kind, size in [*new, *((one.type, one.new_size) for one in plan.batteries)]:
        if size > 0:
            held[kind].append(size)
    metres: dict[str, float] = defaultdict(float)
    for run in runs_of_kind(site, plan, "pipe"):
        if run.new:
            metres[run.build] += site.routes[run.route].length
    lines = [use.name for use in plan.lines if use.new]
    coolers = [
        f"{run.build} at {site.ground(site.routes[run.route].start)}"
        for run in runs_of_kind(site, plan, "cooler")
        if run.new
    ]
    used = [
        f"{quantity(use.used, 'mass')} {use.name}"
        + ("" if use.stock is None else f" of {quantity(use.stock, 'mass')}")
        for use in plan.materials
        if use.used > 0
    ]
    rows = (
        ("connect", [f"{number} of {fluid}" for fluid, number in taps.items()]),
        ("machines", [f"{number} {kind}" for kind, number in units.items() if number]),
        ("storage", [_stored(site, kind, sizes) for kind, sizes in held.items()]),
        ("pipe", [f"{to_build(run, 'length')} {build}" for build, run in metres.items()]),
        ("power lines", lines),
        ("coolers", coolers),
        ("boosters", [f"{b.booster} at {site.ground(b.start)}" for b in plan.boosters if b.new]),
        ("material", used),
    )
    return _listed(rows)


def _stored(site: Network, kind: str, sizes: list[float]) -> str:
    """The new storage of a type in all, and over how many places."""
    dimension = "energy" if site.storage[kind].holds == POWER else "mass"
    places = f" at {len(sizes)} places" if len(sizes) > 1 else ""
    return f"{to_build(sum(sizes), dimension)} {kind}{places}"


def _listed(rows: Iterable[tuple[str, list[str]]]) -> list[str]:
    """Titles with their lists, wrapped."""
    return [
        line
        for name, parts in rows
        if parts
        for line in paragraph(", ".join(parts), bullet=f"{name:<12}")
    ]


def _output(site: Network, plan: Plan, use: MachineUse) -> float:
    """Mean power of a group, W, bursts at the duty of their sources included."""
    return site.machines[use.type].power_out * (mean_load(use) + burst_load(site, plan, use))


def _generators(site: Network, plan: Plan) -> list[str]:
    """Groups of generators with the power that they give, a row each."""
    groups = [u for u in plan.machines if u.count > 0 and site.machines[u.type].power_out > 0]
    groups.sort(key=lambda use: -_output(site, plan, use))
    rows = [
        (
            use.type,
            site.ground(use.place),
            str(use.count),
            quantity(site.machines[use.type].power_out, "power"),
            quantity(_output(site, plan, use), "power"),
            _duty(use),
        )
        for use in groups[:GROUPS]
    ]
    heads = ("generator", "place", "units", "rated, each", "mean power", "duty")
    lines = table(heads, rows, right=(2, 3, 4)) if rows else []
    if len(groups) > GROUPS:
        lines.append(f"  {len(groups) - GROUPS} more groups with --full")
    return lines


def _duty(use: MachineUse) -> str:
    """How a group runs, in a few words; loads are of the units that run."""
    parts = []
    if use.running:
        load = percent((use.flat_load + sum(use.following.values())) / use.running)
        way = ", load-following" if any(use.following.values()) else ""
        units = "" if use.running == use.count else f"{use.running} running, "
        parts.append(f"{units}mean load {load}{way}")
    elif mean_load(use) > use.cycled:
        parts.append(f"mean load {count(mean_load(use) - use.cycled)} units")
    if use.cycled > 0:
        parts.append(f"1 on {percent(use.cycled)}")
    if sum(use.burst.values()) > 0:
        parts.append(f"up to {count(sum(use.burst.values()))} units charge a battery")
    return "; ".join(parts) or "spare"


def _by_fluid(site: Network, plan: Plan) -> list[str]:
    """Connected sources, mean power and storage by fluid; batteries in the row of power."""
    sources: dict[str, int] = defaultdict(int)
    made: dict[str, float] = defaultdict(float)
    stored: dict[str, float] = defaultdict(float)
    firm: dict[str, float] = defaultdict(float)
    for source in plan.sources:
        if source.tapped and not source.from_chamber:
            sources[site.sources[source.name].fluid] += 1
    for use in plan.machines:
        kind = site.machines[use.type]
        if kind.power_out > 0 and use.count > 0:
            made[" and ".join(kind.inputs) or use.type] += _output(site, plan, use)
    for store in built_stores(plan):
        stored[store.holds] += store.size
        firm[store.holds] += sum(store.draw.values())
    rows = [
        (
            fluid,
            str(sources[fluid]) if fluid in sources else "",
            quantity(made[fluid], "power") if fluid in made else "",
            quantity(stored[fluid], "mass") if stored.get(fluid) else "",
            quantity(firm[fluid], "mass_rate") if firm.get(fluid) else "",
        )
        for fluid in dict.fromkeys([*sources, *made, *stored])
    ]
    if held := sum(battery.size for battery in plan.batteries):
        rows.append(("power (batteries)", "", "", quantity(held, "energy"), ""))
    heads = ("fluid", "sources connected", "mean power", "storage", "firm output of storage")
    return table(heads, rows, right=(1, 2, 3, 4)) if rows else []


def _busiest(site: Network, plan: Plan) -> list[str]:
    found, most = [], capacities(site, plan)
    for run in runs_of_kind(site, plan, "pipe"):
        peak = run_peak(site, run)
        found.append((peak / most[run.route, run.fluid], peak, run))
    found.sort(key=lambda one: -one[0])
    rows = [
        (
            corridor_of(site.routes[run.route]),
            " > ".join(site.ground(place) for place in run_ends(site, run)),
            run.build,
            run.fluid,
            quantity(peak, "mass_rate"),
            percent(share),
        )
        for share, peak, run in found[:BUSIEST]
    ]
    heads = ("busiest pipe", "from > to", *map(head, ("build", "carries", "peak", "used_share")))
    return table(heads, rows, right=(4, 5)) if rows else []


def _next(plan: Plan) -> list[str]:
    """What to do next, and a line of safety."""
    commands = ["'allocator frontier'"]
    if plan.verified and plan.basis == "firm":
        commands.insert(0, "'allocator simulate'")
    words = f"Next: all tables: --full or summary.txt; map: page.html; {', '.join(commands)}."
    lines = paragraph(words, indent=0)
    if number := len(plan.cautions):
        lines += paragraph(
            f"Safety: {number} cautions in cautions.txt, on the page and with --cautions; "
            "no design approval or permit.",
            indent=0,
        )
    return lines


def cautions_text(plan: Plan) -> str:
    """The cautions of a plan, whole."""
    lines = [line for text in plan.cautions for line in paragraph(text, bullet="* ")]
    return "\n".join(["Cautions", *(lines or ["  none"])]) + "\n"
