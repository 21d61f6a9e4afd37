"""The most power that a site gives, as it is or with one of its limits dropped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from allocator.model.limits import Limit, Want
from allocator.plans.records import Plan
from allocator.search import make_plan
from allocator.search.conflicts import Nearest
from allocator.site.records import Site
from allocator.solver.settings import Settings

GOALS = {"firm_clean": "clean_power", "firm_total": "served_power"}


class MostPower:
    """Looks for plans of the most power of the wanted kind; see ``search.conflicts``."""

    def __init__(self, site: Site, settings: Settings, want: Want) -> None:
        self._site, self._settings, self._want = site, replace(settings, prices=False), want
        self._best: Plan | None = None

    def __call__(self, seconds: float | None, dropped: Limit | None = None) -> Nearest | None:
        """The best plan that is found in some seconds; None without a plan."""
        limit = self._settings.time_limit if seconds is None else max(1.0, seconds)
        site = self._site if dropped is None else without_limit(self._site, dropped)
        settings = replace(self._settings, time_limit=limit, start=self._best)
        plan = make_plan(replace(site, goals=(GOALS[self._want.kind],)), settings).plan
        if plan is None:
            return None
        if dropped is None:
            self._best = plan
        used = 0.0 if dropped is None else used_of(plan, dropped)
        bound = plan.goals[0].bound if plan.goals else None
        return Nearest(plan, self._reached(plan), bound, used)

    def worth_dropping(self, limits: Sequence[Limit]) -> list[Limit]:
        """Limits that a plan can be made without, those first of which the best plan uses most.

        A cap on emission is no matter of clean power.
        """
        plan = self._best
        if plan is None:
            return []
        kinds = ("stock", "money") + (("emission",) if self._want.kind != "firm_clean" else ())
        droppable = [one for one in limits if one.kind in kinds]
        return sorted(droppable, key=lambda one: -used_of(plan, one) / max(one.value, 1e-9))

    def _reached(self, plan: Plan) -> float:
        firm, power, clean = plan.basis == "firm", plan.power, self._want.kind == "firm_clean"
        if firm:
            return power.firm_clean if clean else power.firm_total
        return power.mean_clean if clean else power.mean_total


def without_limit(site: Site, limit: Limit) -> Site:
    """The site without one limit: a stock, or a cap on emission or money."""
    if limit.kind == "stock":
        material = replace(site.materials[limit.name], stock=None)
        return replace(site, materials={**site.materials, limit.name: material})
    if limit.kind == "emission":
        return replace(site, limits=replace(site.limits, emission=None))
    return replace(site, limits=replace(site.limits, money=None))


def used_of(plan: Plan, limit: Limit) -> float:
    """What a plan uses of a stock or a cap, SI."""
    if limit.kind == "stock":
        return next(use.used for use in plan.materials if use.name == limit.name)
    return plan.emissions.counted if limit.kind == "emission" else plan.money
