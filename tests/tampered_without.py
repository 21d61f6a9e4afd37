"""Single tamperings with promises that withstand lost and low sources."""

from __future__ import annotations

from dataclasses import replace

from handmade_moor import MOOR, MOOR_LOST_PLAN, MOOR_LOW_PLAN
from tampering import Tampering, change, edit

from allocator.plans.records import FLAT, Plan, Robustness
from allocator.site.records import Site, Source


def moor(rule: str, plan: Plan, subject: str = "", site: Site = MOOR) -> Tampering:
    return Tampering(rule, plan, site, subject)


def _many() -> tuple[Site, Plan]:
    """Thirty more sources of the kind of 'one': four of 33 can be lost in 40 920 ways."""
    one, use = MOOR.sources["one"], MOOR_LOST_PLAN.sources[0]
    names = [f"well {number}" for number in range(30)]
    more: dict[str, Source] = {name: replace(one, name=name) for name in names}
    site = replace(MOOR, sources={**MOOR.sources, **more})
    uses = tuple(replace(use, name=name) for name in names)
    plan = change(
        MOOR_LOST_PLAN,
        sources=(*MOOR_LOST_PLAN.sources, *uses),
        robustness=Robustness(lost=4),
    )
    return site, plan


MANY_SITE, MANY_PLAN = _many()

TAMPERED: dict[str, Tampering] = {
    "a store too small once a source is lost": moor(
        "store_without_cut",
        edit(MOOR_LOST_PLAN, "stores", "holder@mill", size=84.9, new_size=84.9),
        "without source 'one'",
    ),
    "more than the others give once a source is lost": moor(
        "store_without_long_run",
        edit(MOOR_LOST_PLAN, "stores", "holder@mill", size=300.0, draw={FLAT: 0.00334}),
        "without source 'three'",
    ),
    "one source more said to be withstood": moor(
        "store_without_long_run", change(MOOR_LOST_PLAN, robustness=Robustness(lost=2))
    ),
    "one low source beside the lost one": moor(
        "store_without_long_run",
        change(MOOR_LOST_PLAN, robustness=Robustness(lost=1, low=1)),
        "without source 'three' and all of source 'one'",
    ),
    "a source that may be lost feeds no store": moor(
        "direct_lost", change(MOOR_LOW_PLAN, robustness=Robustness(lost=1)), "kiln"
    ),
    "more past the store than a low source gives": moor(
        "direct_low",
        edit(MOOR_LOW_PLAN, "sources", "kiln", direct={FLAT: 0.00081}),
        "kiln",
    ),
    "more ways to lose sources than can be gone through": moor(
        "without_counted", MANY_PLAN, "holder@mill", MANY_SITE
    ),
}
