"""The words and figures that summaries share: quantities, destinations, shapes, money."""

from __future__ import annotations

import math
from dataclasses import replace

from allocator.base.dimensions import short_number
from allocator.base.grouped import NO_BREAK
from allocator.base.labels import head
from allocator.base.quantities import format_quantity
from allocator.plans.records import FLAT, ClockWorth, Emissions, GoalResult, Plan, ReserveRule

STATUS_WORDS = {
    "optimal": "optimal",
    "yielded": "optimal, then gave to later goals",
    "within_gap": "within the gap asked for",
    "time_limit": "time ran out",
    "node_limit": "node limit reached",
    "interrupted": "stopped by hand",
    "bound_refuted": "the solver's bound was wrong",
    "not_sought": "not sought",
}
CLOSED = 1e-4
"""A gap that is shown as closed."""
ROUNDED = 1e-6
"""Share of all of its kind below which an amount is the rounding of a sum, and not shown."""
SMALL_PART = 1e-5
"""Share of a battery below which a part of it, such as for a second of power, is not set."""
GOAL_WORDS = {
    "clean_power": "clean power",
    "served_power": "all power",
    "served_fluid": "fluid served",
    "emissions": "emissions",
    "scarce_material": "scarce material, weighted",
    "money": "cost",
}


NO_GAIN = 1e-6
"""Of firm power: less is the rounding of two programs."""


def quantity(value: float, dimension: str, towards: int = 0) -> str:
    """A value in SI as people write it, such as ``41.3 kW``; see ``format_quantity``."""
    return format_quantity(value, dimension, towards)


def to_build(value: float, dimension: str) -> str:
    """What has to be bought or built: rounded up, so that it is never too little."""
    return quantity(value, dimension, 1)


def clock_words(plan: Plan) -> str:
    """The gain from known clocks, in a sentence or two; empty where none is known."""
    worth = plan.clocks
    if worth is None:
        return ""
    firm, told = plan.power.firm_total, []
    more = ", ".join(f"{quantity(kg, 'mass')} in {at(s)}" for s, kg in worth.storage.items())
    if worth.until is not None:
        until = quantity(worth.until, "duration")
        if worth.until_total is None or worth.until_clean is None:
            if not more and _gain(firm, worth) == 0.0:
                return (
                    f"Gain from known clocks: none found, until the survey ends ({until}) or after."
                )
            told.append(
                f"Until the survey ends, after {until}, no operation was found that gains by the "
                "surveyed clocks and leaves in storage what is needed after it."
            )
        else:
            told.append(
                f"Until the survey ends, after {until}: firm clean power "
                f"{quantity(worth.until_clean, 'power')}, all "
                f"{quantity(worth.until_total, 'power')}; for ever after it "
                f"{quantity(plan.power.firm_clean, 'power')} and {quantity(firm, 'power')}."
            )
            firm = worth.until_total
    gain = _gain(firm, worth)
    told.append(
        f"Gain from known clocks: {'' if worth.free_proven or not gain else 'up to '}"
        f"{quantity(gain, 'power')} of all firm power"
        f"{f', or storage saved: {more}' if more else ''}."
    )
    return " ".join(told)


def _gain(firm: float, worth: ClockWorth) -> float:
    """Firm power beyond that with all clocks free, W; 0 for the rounding of two programs."""
    gain = firm - worth.free_total
    return gain if gain > NO_GAIN * firm else 0.0


def rule_words(rule: ReserveRule) -> str:
    """The state of a store's sources in which a reserve rule holds."""
    free = f"; {', '.join(rule.free)} at any phase" if rule.free else ""
    if rule.state == "any":
        return f"at any time{free}"
    if rule.state == "time":
        every = quantity(rule.every or 0.0, "duration")
        return f"at {quantity(rule.at or 0.0, 'duration')} and every {every} after it{free}"
    return f"{rule.source} has just turned {rule.state}{free}"


def power_against(give: str, basis: str) -> str:
    """What power a frontier is about: all of it against emissions, else clean power."""
    if give == "emissions":
        return head("firm_total" if basis == "firm" else "mean_power")
    return head("firm_clean" if basis == "firm" else "mean_clean")


def knee_words(times: float) -> str:
    """What follows a knee: ``times`` less a unit than before it."""
    if times >= 1000:
        return "up to the next point more of it gains almost nothing"
    less = f"{times:.2g}" if times < 10 else f"{float(f'{times:.2g}'):.0f}"
    return f"up to the next point each unit gains {less} times less than those just before it"


def percent(share: float) -> str:
    """A share such as ``68.8 %``: three figures; 100 % only for all but a hundred-thousandth."""
    if abs(share) < 1e-9:
        return "0 %"  # rounding, of either sign
    if 0.9995 <= share < 1 - 1e-5:
        return "99.9 %"
    return f"{100 * share:.3g} %" if abs(share) < 0.9995 else f"{100 * share:.0f} %"


def gap(share: float | None) -> str:
    """A proven gap; ``-`` when none is known."""
    if share is None:
        return "-"
    if share < 1e-9:
        return "0 %"
    if share > 1 + 1e-9:  # of a plan of an older version: how many times a bound near 0 it is
        return "over 100 %"
    if share < 1e-4:
        return "< 0.01 %"
    return f"{100 * share:.2g} %" if share < 0.0995 else f"{100 * share:.0f} %"


def money(value: float, currency: str = "") -> str:
    """A sum of money in the site's currency, digits in groups: ``1 234 567 EUR``.

    Spaces in it are no-break ones.
    """
    return f"{short_number(value)} {currency}".rstrip().replace(" ", NO_BREAK)


def grams_a_kwh(release: float) -> str:
    """A release, kg a J, as people compare them: ``732 g/kWh``."""
    grams = 3.6e9 * release
    return f"{short_number(grams)} g/kWh"


def emissions_of(plan: Plan) -> Emissions:
    """The emissions of a plan; what is below a millionth of the gas taken is rounding, and 0."""
    found, taken = plan.emissions, _taken(plan)

    def rounded(rate: float) -> float:
        return rate if rate > ROUNDED * taken else 0.0

    return replace(
        found,
        counted=rounded(found.counted),
        vented={fluid: rounded(rate) for fluid, rate in found.vented.items()},
    )


def _taken(plan: Plan) -> float:
    """Gas taken of all sources that are on, kg/s."""
    return sum(sum(use.collect.values()) + sum(use.direct.values()) for use in plan.sources)


def without_dust(plan: Plan) -> Plan:
    """The plan with values and bounds of goals that are rounding, and no amounts, as 0.

    Of emissions what is below a millionth of the gas taken, of power below one of the demand.
    """
    scales = {"emissions": _taken(plan)}
    scales |= dict.fromkeys(("clean_power", "served_power"), plan.power.demand_mean)
    goals = []
    for goal in plan.goals:
        least = ROUNDED * scales.get(goal.name.partition(" ")[0], 0.0)
        value = 0.0 if abs(goal.value) <= least else goal.value
        bound = 0.0 if goal.bound is not None and abs(goal.bound) <= least else goal.bound
        gap = 0.0 if value == 0.0 and bound == 0.0 else goal.gap
        goals.append(replace(goal, value=value, bound=bound, gap=gap))
    return replace(plan, goals=tuple(goals))


def vented_at_all(emissions: Emissions) -> dict[str, float]:
    """What is vented of each fluid by weight, without what is next to nothing beside the rest."""
    released = (*emissions.by_fluid.values(), *emissions.vented.values())
    return {
        fluid: rate
        for fluid, rate in emissions.vented.items()
        if rate == 0 or rate > ROUNDED * max(released)
    }


def emission_a_kwh(plan: Plan) -> str:
    """Counted release for each kWh of the power that the plan gives; empty where there is none.

    Releases are those of what a plan runs: on the firm basis that is its promise, so they stand
    against promised power, not against a mean that takes other running (and an ideal one) to reach.
    """
    power = plan.power.firm_total if plan.basis == "firm" else plan.power.mean_total
    counted = emissions_of(plan).counted
    return grams_a_kwh(counted / power) if counted > 0 and power > 0 else ""


def units_words(build: str) -> str:
    """The label of a build of coolers in words: ``scrubber (1 exist) x 2`` is two of them.

    Examples
    --------
    >>> units_words("scrubber x 1"), units_words("fan (1 exist) x 2"), units_words("dn40")
    ('scrubber', '2 fan (1 exist)', 'dn40')
    """
    kind, _, number = build.rpartition(" x ")
    number = number.rstrip("'")
    if not (kind and number.isdigit()):
        return build
    return kind if number == "1" else f"{number} {kind}"


def count(value: float) -> str:
    """A number of things, whole or not, three figures."""
    return short_number(value)


def goal_title(goal: GoalResult) -> str:
    """A goal as a person says it; a goal taken priority by priority keeps its ending."""
    name, _, ending = goal.name.partition(" ")
    return f"{GOAL_WORDS.get(name, name)} {ending}".strip()


def goal_sought(goal: GoalResult) -> str:
    """A goal with the way in which it is sought: ``maximum clean power``."""
    return f"{'maximum' if goal.sense == 'max' else 'minimum'} {goal_title(goal)}"


def earlier_open(plan: Plan, number: int) -> bool:
    """Whether a goal before this one is not proven: this one's limit is with those as planned."""
    return any(goal.gap is None or goal.gap > CLOSED for goal in plan.goals[:number])


EXACT = 1e-6
"""Shares of a limit below it are rounding."""
ALIKE = "demands count alike here, whatever their priorities, which 'plan' keeps to"
"""Said of a frontier of a site with several priorities."""
AS_PLANNED = " with the goals before it as planned"


def held_goals(plan: Plan, number: int) -> str:
    """What a goal's limit depends on, in words; nothing where it is the limit of all plans.

    That it is of the first goal (of demands with priorities: of the first priority), and of power
    where the limit is all that is demanded, or that there can be under any control, and no goal
    before it is open.
    """
    goal = plan.goals[number]
    ceilings = {"clean_power": plan.ceiling.clean, "served_power": plan.ceiling.total}
    settled = number > 0 and not earlier_open(plan, number)
    if settled and goal.bound is not None and goal.name in ceilings:
        most = min(plan.power.demand_mean, ceilings[goal.name] or math.inf)
        return "" if goal.bound >= most * (1 - EXACT) else AS_PLANNED
    return AS_PLANNED if number else ""


def goal_value(goal: GoalResult, value: float | None, currency: str = "") -> str:
    """A goal's value or bound in its own unit; ``-`` when it is not known."""
    if value is None:
        return "-"
    if goal.unit == "money":
        return money(value, currency)
    if goal.name == "emissions":
        return quantity(value, "emission_rate")
    return quantity(value, {"W": "power", "kg/s": "mass_rate", "kg": "mass"}[goal.unit])


def destination(name: str) -> str:
    """A destination of the collect layer in words, or what takes gas that passes through one."""
    kind, _, rest = name.partition(":")
    if kind == "store":
        return at(rest)
    if kind in ("flare", "demand") or (kind == "machine" and ">" not in rest):
        return f"direct to {at(rest)}"
    machine, _, battery = rest.partition(">")
    return f"direct to {at(machine)}, charging {at(battery)}"


def destination_key(name: str) -> str:
    """A destination as plans key it, such as ``store:holder@works``, with places of the file."""
    kind, _, rest = name.partition(":")
    return f"{kind}:{'>'.join(plain(part) for part in rest.split('>'))}"


def at(name: str) -> str:
    """``type@place`` in words, with the place of the site file."""
    kind, _, place = plain(name).rpartition("@")
    return f"{kind} at {place}" if kind else place


def plain(name: str) -> str:
    """A name as the site file knows it: of a place, a route or ``type@place``, without the level

    of temperature that planning added after a colon, which no name of the user's holds. The part
    of a battery stays, as in ``bank@hub levelling``."""
    return name.partition(": ")[0]


def shape(name: str) -> str:
    """A supply shape in words."""
    return "steady" if name == FLAT else f"following {name}"
