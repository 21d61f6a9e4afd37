"""The first screen: what is firm and what is built, in lines of a figure and its words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from allocator.base.labels import head
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.bill import running_money
from allocator.report.loads import runs_of_kind
from allocator.report.words import emission_a_kwh, gap, held_goals, money, percent, quantity
from allocator.site.money import running_span, unit_of_money


@dataclass(frozen=True, slots=True)
class Said:
    """A line of the first screen: the figure, its words, and the figure in SI with all digits."""

    figure: str
    words: str
    exact: str = ""


@dataclass(frozen=True, slots=True)
class SupplyBar:
    """Firm supply as a bar; each in percent of the bar's length. ``limit``: proven, if known."""

    clean: float
    emitting: float
    demand: float
    limit: float | None
    said: str


def said_of(plan: Plan) -> list[Said]:
    """Clean power and all power, with the proven limit and the gap."""
    power, found = plan.power, []
    if power.demand_mean <= 0:
        return []
    if plan.basis != "firm":
        words = f"{head('mean_clean')}: average-flow estimate, not firm"
        return [Said(quantity(power.mean_clean, "power"), words, repr(power.mean_clean))]
    words = f"{head('firm_clean')}, {percent(power.firm_clean / power.demand_mean)} of demand"
    limit, held = _bound(plan)  # that of the ceiling is in the picture of supply, by its own name
    if limit is not None:
        words += f"; {head('bound')} {quantity(limit, 'power')}{held}"
        words += f", {head('gap')} {gap((limit - power.firm_clean) / limit)}" if limit > 0 else ""
    found.append(Said(quantity(power.firm_clean, "power"), words, repr(power.firm_clean)))
    words = f"{head('firm_total')}, {percent(power.served_share)} of demand"
    if release := emission_a_kwh(plan):
        words += f", {release} counted"
    found.append(Said(quantity(power.firm_total, "power"), words, repr(power.firm_total)))
    worth = plan.clocks
    if worth is not None and worth.until_total is not None and worth.until is not None:
        words = f"{head('firm_total')} until the survey ends, after "
        words += quantity(worth.until, "duration")
        found.append(Said(quantity(worth.until_total, "power"), words, repr(worth.until_total)))
    elif worth is not None:
        words = f"{head('firm_total')} of the same assets with all clocks free"
        found.append(Said(quantity(worth.free_total, "power"), words, repr(worth.free_total)))
    return found


def _bound(plan: Plan) -> tuple[float | None, str]:
    """The bound of clean power as a goal, and what it depends on."""
    for number, goal in enumerate(plan.goals):
        if goal.name == "clean_power" and goal.bound is not None:
            return max(goal.bound, plan.power.firm_clean), held_goals(plan, number)
    return None, ""


def _limit(plan: Plan) -> float | None:
    """What is proven of firm clean power: the bound of its goal, else the limit of any control."""
    bound, held = _bound(plan)
    return plan.ceiling.clean if bound is None or held else bound


def supply_of(plan: Plan) -> SupplyBar | None:
    """The bar of firm supply against the demand; None where no power is asked for."""
    power = plan.power
    if power.demand_mean <= 0 or plan.basis != "firm":
        return None
    limit = _limit(plan)
    whole = max(power.demand_mean, power.firm_total, limit or 0.0)
    said = f"clean {quantity(power.firm_clean, 'power')}, in all "
    said += f"{quantity(power.firm_total, 'power')}, demand {quantity(power.demand_mean, 'power')}"
    return SupplyBar(
        100.0 * power.firm_clean / whole,
        100.0 * max(0.0, power.firm_total - power.firm_clean) / whole,
        100.0 * power.demand_mean / whole,
        None if limit is None else 100.0 * limit / whole,
        said,
    )


def built_of(site: Network, plan: Plan) -> list[Said]:
    """What to build: connections, pipes, storage, machines, the scarcest material, money."""
    own = [use for use in plan.sources if not use.from_chamber]
    tapped = sum(use.tapped for use in own)
    found = [Said(str(tapped), f"of {len(own)} sources connected", str(tapped))]
    pipes = [run for run in runs_of_kind(site, plan, "pipe") if run.new]
    if pipes:
        length = sum(site.routes[run.route].length for run in pipes)
        words = f"of new pipe on {_many(len({run.route for run in pipes}), 'route')}"
        found.append(Said(quantity(length, "length"), words, repr(length)))
    stores = [use.type for use in plan.stores if use.size > 0]
    stores += [use.type for use in plan.batteries if use.size > 0]
    if stores:
        words = f"{'store' if len(stores) == 1 else 'stores'}: {_counted(stores)}"
        found.append(Said(str(len(stores)), words, str(len(stores))))
    machines = [use.type for use in plan.machines for _ in range(use.count)]
    if machines:
        existing = sum(use.count - use.new for use in plan.machines)
        words = f"{'machine' if len(machines) == 1 else 'machines'}: {_counted(machines)}"
        words += f" ({existing} existing)" if existing else ""
        found.append(Said(str(len(machines)), words, str(len(machines))))
    if plan.boosters:
        words = f"boosters: {_counted(use.booster for use in plan.boosters)}"
        found.append(Said(str(len(plan.boosters)), words, str(len(plan.boosters))))
    scarce = [use for use in plan.materials if use.stock]
    if scarce:
        most = max(scarce, key=lambda use: use.used / (use.stock or 1.0))
        share = most.used / (most.stock or 1.0)
        words = f"of the {most.name} in stock used"
        found.append(Said(percent(share), words, repr(share)))
    if plan.money:
        running = running_money(site, plan)
        unit = unit_of_money(site)
        build, run = money(plan.money - running, unit), money(running, unit)
        words = f"{head('money')}: {build} to build"
        if running:
            words += f", {run} to run for {quantity(running_span(site), 'duration')}"
        found.append(Said(money(plan.money, unit), words, repr(plan.money)))
    return found


def _counted(names: Iterable[str]) -> str:
    numbers: dict[str, int] = {}
    for name in names:
        numbers[name] = numbers.get(name, 0) + 1
    return ", ".join(f"{number} {name}" for name, number in numbers.items())


def _many(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
