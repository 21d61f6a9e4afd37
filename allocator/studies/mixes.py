"""Supply mixes: a site as it would be if only some supplies were used, or other goals ruled."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from allocator.plan import MachineUse, Plan
from allocator.site.records import Mix, Site
from allocator.studies.machines import counted_emission

CLEAN_FIRST = (
    "clean_power",
    "served_power",
    "served_fluid",
    "emissions",
    "scarce_material",
    "money",
)
LEAST_EMISSIONS = ("served_power", "served_fluid", "emissions", "scarce_material", "money")
LEAST_MONEY = ("served_power", "served_fluid", "money")


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
    """The mixes that every site is compared under, then those that its file names.

    Clean only; each emitting type of generator alone; clean first with emitting supply behind
    it; least emissions and least money, each with as much served as there can be.
    """
    emitting = [m.name for m in site.machines.values() if counted_emission(site, m) > 0]
    generators = [m.name for m in site.machines.values() if m.power_out > 0]
    found = [
        _without(site, "clean only", "nothing that emits", emitting, CLEAN_FIRST),
        *(
            _without(
                site,
                f"{kind} only",
                f"no generator but '{kind}'",
                [name for name in generators if name != kind],
                LEAST_EMISSIONS,
            )
            for kind in generators
            if kind in emitting
        ),
        replace(
            _goals(
                site, "clean first", "most clean power, emitting supply for the rest", CLEAN_FIRST
            ),
            wave=1,
            shares=2,
        ),
        _goals(site, "least emissions", "most served, then least emissions", LEAST_EMISSIONS),
        _goals(site, "least money", "most served, then least money", LEAST_MONEY),
    ]
    taken = {variant.name for variant in found}
    return (*found, *(_named(site, mix, taken) for mix in site.mixes.values()))


def _goals(site: Site, name: str, about: str, goals: tuple[str, ...]) -> Variant:
    return Variant(name, about, replace(site, goals=goals))


def _without(
    site: Site, name: str, about: str, dropped: list[str], goals: tuple[str, ...]
) -> Variant:
    changed = replace(without(site, dropped), goals=goals)
    return Variant(name, about, changed, tuple(dropped), wave=0)


def _named(site: Site, mix: Mix, taken: set[str]) -> Variant:
    kept = site.machines if mix.machines is None else mix.machines
    dropped = [name for name in site.machines if name not in kept]
    limits = replace(
        site.limits,
        emission=_least(site.limits.emission, mix.emission),
        money=_least(site.limits.money, mix.money),
    )
    changed = replace(without(site, dropped), goals=mix.goals or site.goals, limits=limits)
    name = f"{mix.name} (of the file)" if mix.name in taken else mix.name
    return Variant(name, mix.about, changed, tuple(dropped))


def _least(first: float | None, second: float | None) -> float | None:
    known = [value for value in (first, second) if value is not None]
    return min(known) if known else None


def without(site: Site, machines: list[str]) -> Site:
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
    standing = [
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
    machines = sorted((*plan.machines, *standing), key=lambda use: order[use.name])
    return replace(plan, machines=tuple(machines), limits=(of_mix(variant), *plan.limits))


def of_mix(variant: Variant) -> str:
    """What the first of a plan's limits says of its mix."""
    return f"mix: this plan is of the supply mix '{variant.name}': {variant.about}".rstrip(": ")
