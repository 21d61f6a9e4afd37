"""The best of every goal of a small site, over every choice of whole numbers."""

from __future__ import annotations

from brute.basis import Basis
from brute.choices import choices
from brute.firm import Firm
from brute.mean import Mean
from tiny_program import UnsolvedError

from allocator.site.records import POWER, Site

Held = tuple[float, float]
"""Shares of its scale that the first goal, and each later one, may give up for those after it."""

STRICT: Held = (1e-8, 1e-8)
LENIENT: Held = (1e-6, 1e-3)
"""Next to nothing (the linear programs here are exact to 1e-9), and more than any program gives up.

A hundredth of a watt of the first goal may buy much of a later one (such as what a pump moves with
it), so later goals have more room when they are to be lenient: else a pipe would be laid for that.
"""


def scale_of(site: Site, goal: str) -> float:
    """The size of a goal: what is asked for, what is in stock, what machines could release."""
    if goal == "scarce_material":
        return sum(m.scarcity * (m.stock or 0.0) for m in site.materials.values())
    if goal == "emissions":
        return sum(
            rate * (count or 0)
            for machine in site.machines.values()
            for count in machine.places.values()
            for rate in machine.outputs.values()
        ) + sum(site.fluids[s.fluid].vented_weight * s.flow for s in site.sources.values())
    power = goal != "served_fluid"
    return sum(d.mean for d in site.demands.values() if (d.wants == POWER) == power)


def best_goals(site: Site, basis: str, held: Held = LENIENT) -> list[float] | None:
    """The best of every goal in turn, earlier goals held but for a share of their scale.

    None where no choice is possible.

    Raises:
        UnsolvedError: rounding leaves no point that holds the earlier goals.
    """
    stated: type[Basis] = Firm if basis == "firm" else Mean
    tried = [stated(site, whole) for whole in choices(site, basis == "firm")]
    found: list[float] = []
    for number, goal in enumerate(site.goals):
        values = []
        for case in tried:
            terms, fixed = case.goal(goal)
            value = case.program.best(terms)
            values.append(None if value is None else value + fixed)
        possible = [value for value in values if value is not None]
        if not possible:
            if found:
                raise UnsolvedError(f"{site.name}: nothing is left for {goal}")
            return None
        best = min(possible)
        found.append(best if goal in ("emissions", "scarce_material") else -best)
        most = best + held[min(number, 1)] * scale_of(site, goal)
        kept = []
        for case, value in zip(tried, values, strict=True):
            if value is not None and value <= most:
                terms, fixed = case.goal(goal)
                if terms:
                    case.program.most(terms, most - fixed)
                kept.append(case)
        tried = kept
    return found
