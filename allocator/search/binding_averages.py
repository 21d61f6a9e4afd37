"""Why a firm plan has less power than average flows would give, as far as that is known cheaply.

Average flows know no outages, no least load, no consumption at no load and no profiles. What of
that a plan meets is named; outages only where no larger store would bridge more of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from allocator.base.dimensions import format_quantity
from allocator.base.status import Status
from allocator.model.index_sets import IndexSets
from allocator.plans.records import Plan
from allocator.site.emissions import is_clean
from allocator.site.records import POWER

NEARLY = 0.97
ALL = 1 - 1e-5
"""Share of a demand from which all of it is served."""


def less_than_average(sets: IndexSets, plan: Plan, mean_basis: Plan | None) -> list[str]:
    """What keeps a plan below the clean power of average flows, in a line or two."""
    if plan.basis != "firm" or mean_basis is None:
        return []
    more_in_all = _more(mean_basis.power.firm_total, plan.power.firm_total)
    firm, mean = plan.power.firm_clean, mean_basis.power.firm_clean
    if not _more(mean, firm):
        return _shapes(sets, plan) if more_in_all else []
    shaped = _shapes(sets, plan)
    proven = mean_basis.status in (Status.OPTIMAL, Status.WITHIN_GAP)
    average = (
        f"average flows would give {'' if proven else 'at least '}"
        f"{format_quantity(mean, 'power')} clean, not {format_quantity(firm, 'power')}"
    )
    peak, moved = (math.fsum(b.power for b in one.boosters) for one in (plan, mean_basis))
    more = peak - moved
    kept = (
        f"boosters: {format_quantity(peak, 'power')} is kept for them, what they take at peak "
        f"flow, not {format_quantity(moved, 'power')}, what they take at average flows"
    )
    if more >= NEARLY * (mean - firm):  # nothing is lost to outages
        return [f"{kept}; {average}", *shaped]
    lines = [*([kept] if more > 0.02 * firm else []), *shaped]
    causes = [*_of_machines(sets), *_of_profiles(sets, plan)]
    spell = _longest_outage(sets, plan)
    if spell and not (causes and _bridged(sets, plan)):
        causes = [f"outages of {spell}", *causes] if causes else [f"outages: {spell}"]
    if not causes and shaped:
        return [*lines[:-1], f"{lines[-1]}; {average}"]
    if not causes:
        return [*lines, f"flows that vary: {average}"]
    if len(causes) == 1:
        return [*lines, f"{causes[0]}; {average}"]
    return [*lines, f"{', '.join(causes[:-1])}, or {causes[-1]}; {average}"]


def _more(mean: float, firm: float) -> bool:
    """Whether average flows give more than a plan, by an amount that is worth a word."""
    return mean > firm * 1.02 + 1e-9


def shaped_demands(sets: IndexSets, plan: Plan) -> list[tuple[str, float]]:
    """Demands for power with a profile that are served in part, and W that they are served."""
    return [
        (use.name, use.mean * (use.clean_share + use.emitting_share))
        for use in plan.demands
        if use.wants == POWER
        and use.clean_share + use.emitting_share < ALL
        and sets.site.demands[use.name].profile is not None
    ]


def _shapes(sets: IndexSets, plan: Plan) -> list[str]:
    """Parts of demands that are served in the shape of the whole, and what that takes."""
    return [
        f"demands.{name}.profile: the part that is served has the shape of the whole, "
        f"{format_quantity(served, 'power')} on average for "
        f"{format_quantity(served * sets.peak(_shape(sets, name)), 'power')} at its peak"
        for name, served in shaped_demands(sets, plan)
        if served > 0
    ]


def _shape(sets: IndexSets, name: str) -> str:
    profile = sets.site.demands[name].profile
    return next(d.name for d in sets.site.demands.values() if d.profile == profile)


def _of_machines(sets: IndexSets) -> Iterator[str]:
    """Least load and consumption at no load of clean generators; average flows know neither."""
    kinds = {group.type.name: group.type for group in sets.groups.values()}
    named: dict[str, list[str]] = {}
    for kind in kinds.values():
        if kind.power_out <= 0 or not is_clean(sets.site, kind):
            continue
        words = ["minimum load"] if kind.min_load > 0 else []
        words += ["no-load consumption"] if kind.no_load > 0 else []
        if words:
            named.setdefault(" and ".join(words), []).append(f"'{kind.name}'")
    for words_of, names in named.items():
        last = names.pop()
        yield f"{words_of} of {', '.join(names)} and {last}" if names else f"{words_of} of {last}"


def _of_profiles(sets: IndexSets, plan: Plan) -> Iterator[str]:
    """Demands with a profile that are not all served clean, but for those told already."""
    told = {name for name, served in shaped_demands(sets, plan) if served > 0}
    for use in plan.demands:
        profile = sets.site.demands[use.name].profile
        if (
            use.name not in told
            and use.wants == POWER
            and use.clean_share < ALL
            and profile is not None
        ):
            yield f"the profile of '{use.name}'"


def _paused(sets: IndexSets, plan: Plan) -> dict[str, float]:
    """Connected sources with pauses -> s of the longest one."""
    sources = sets.site.sources
    return {
        use.name: spell
        for use in plan.sources
        if use.tapped and use.name in sets.curves and not sources[use.name].delivered
        if (spell := sets.curves[use.name].pattern.longest_quiet) > 0
    }


def _longest_outage(sets: IndexSets, plan: Plan) -> str:
    spells = _paused(sets, plan)
    if not spells:
        return ""
    worst = max(sorted(spells), key=lambda name: spells[name])
    return f"up to {format_quantity(spells[worst], 'duration')} ('{worst}')"


def _bridged(sets: IndexSets, plan: Plan) -> bool:
    """Whether stores of all fluids with outages could be larger: what they bridge is enough."""
    scarce = {use.name for use in plan.materials if use.stock and use.used >= NEARLY * use.stock}
    money = sets.site.limits.money
    if money is not None and plan.money >= NEARLY * money:
        return False
    larger = {
        use.holds
        for use in plan.stores
        if 0.0 < use.size < NEARLY * sets.site.storage[use.type].max_size
        and not scarce & set(sets.site.storage[use.type].materials)
    }
    return {sets.site.sources[name].fluid for name in _paused(sets, plan)} <= larger
