"""Supply mixes: a site as it would be if only some supplies were used, or other goals ruled."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

from allocator.network.cautions import cautions_for
from allocator.plans.records import MachineUse, Plan
from allocator.site.mixes import MixSupply, supplies_of
from allocator.site.records import Site


@dataclass(frozen=True, slots=True)
class Variant:
    """A mix as a site of its own. ``dropped``: machine types that it does without.

    ``wave``: mixes of a later one may start from the plans of earlier ones. ``shares``: of the
    time, beside the others; clean supply first and the rest by what emits is two searches in one.
    """

    name: str
    about: str
    site: Site
    dropped: tuple[str, ...] = ()
    wave: int = 2
    shares: int = 1


WAVES = 3
"""Of mixes: a supply alone; the best of all together; others that ask for something else of it."""


def mixes_of(site: Site) -> tuple[Variant, ...]:
    """The mixes of a site, each as a site of its own, with their turn and share of the time."""
    built_in = len(supplies_of(site)) - len(site.mixes)
    return tuple(
        _variant(site, supply, of_file=number >= built_in)
        for number, supply in enumerate(supplies_of(site))
    )


def _variant(site: Site, supply: MixSupply, *, of_file: bool) -> Variant:
    changed = replace(without(site, supply.dropped), goals=supply.goals, limits=supply.limits)
    made = Variant(supply.name, supply.about, changed, supply.dropped)
    if of_file:
        return made
    if supply.name == "clean first":
        return replace(made, wave=1, shares=2)
    alone = supply.name.endswith(" only")
    return replace(made, wave=0) if alone else made


def without(site: Site, machines: Collection[str]) -> Site:
    """The site without some machine types, standing ones too."""
    return _machines(site, lambda name: name not in machines)


def _machines(site: Site, keep: Callable[[str], bool]) -> Site:
    built = {key: count for key, count in site.built.machines.items() if keep(key[0])}
    return replace(
        site,
        machines={name: kind for name, kind in site.machines.items() if keep(name)},
        built=replace(site.built, machines=built),
    )


def on_the_site(site: Site, variant: Variant, plan: Plan) -> Plan:
    """A variant's plan as one of the site itself: dropped machines that stand are idle in it.

    Its goals and bounds speak of the mix, and the first of its limits says so; what no plan can
    pass is left out, for the mix's own is no ceiling of the site.
    """
    existing = [
        MachineUse(f"{kind}@{place}", kind, place, count, 0)
        for (kind, place), count in site.built.machines.items()
        if kind in variant.dropped and place not in site.limits.excluded_places
    ]
    order = {
        f"{machine.name}@{place}": number
        for number, (machine, place) in enumerate(
            (machine, place) for machine in site.machines.values() for place in machine.places
        )
    }
    machines = sorted((*plan.machines, *existing), key=lambda use: order[use.name])
    limits = (of_mix(variant), *plan.limits)
    return replace(
        plan,
        machines=tuple(machines),
        limits=limits,
        cautions=cautions_for(site),
        mix=variant.name,
    )


def of_mix(variant: Variant) -> str:
    """What the first of a plan's limits says of its mix."""
    return f"mix: this plan is of the supply mix '{variant.name}': {variant.about}".rstrip(": ")
