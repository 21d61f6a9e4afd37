"""Supply mixes of a site: those that every site is compared under, and those that its file names.

Each says what a plan of it was asked for: by which goals, within which limits, without which
machines. Planning and audit read it here, so that a plan of a mix can be held against the file.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from allocator.site.emissions import is_clean
from allocator.site.records import Limits, Mix, Site

CLEAN_FIRST = (
    "clean_power",
    "served_power",
    "served_fluid",
    "emissions",
    "scarce_material",
    "money",
)
LEAST_EMISSIONS = ("served_power", "served_fluid", "emissions", "scarce_material", "money")
CHEAPEST = ("served_power", "served_fluid", "money")


@dataclass(frozen=True, slots=True)
class MixSupply:
    """One mix: ``goals`` in order, ``limits`` of the whole site, ``dropped``: machine types that

    it does without."""

    name: str
    about: str
    goals: tuple[str, ...]
    limits: Limits
    dropped: tuple[str, ...] = ()


def supplies_of(site: Site) -> tuple[MixSupply, ...]:
    """The mixes of every site, then those that its file names.

    Clean only; each emitting type of generator alone; clean first with emitting supply behind
    it; least emissions and least money, each with as much served as there can be.
    """
    emitting = tuple(m.name for m in site.machines.values() if not is_clean(site, m))
    generators = [m.name for m in site.machines.values() if m.power_out > 0]

    def built_in(
        name: str, about: str, goals: tuple[str, ...], dropped: tuple[str, ...] = ()
    ) -> MixSupply:
        return MixSupply(name, about, goals, site.limits, dropped)

    found = [built_in("clean only", "nothing that emits", CLEAN_FIRST, emitting)]
    for kind in generators:
        if kind in emitting:
            others = tuple(name for name in generators if name != kind)
            about = f"no generator but '{kind}'"
            found.append(built_in(f"{kind} only", about, LEAST_EMISSIONS, others))
    about = "most clean power, emitting supply for the rest"
    found += [
        built_in("clean first", about, CLEAN_FIRST),
        built_in("least emissions", "most served, then least emissions", LEAST_EMISSIONS),
        built_in("cheapest at full service", "most served, then lowest cost", CHEAPEST),
    ]
    taken = {supply.name for supply in found}
    return (*found, *(_of_file(site, mix, taken) for mix in site.mixes.values()))


def supply_named(site: Site, name: str) -> MixSupply | None:
    """A mix by its name in a comparison; None where the site has none of that name."""
    return next((supply for supply in supplies_of(site) if supply.name == name), None)


def _of_file(site: Site, mix: Mix, taken: set[str]) -> MixSupply:
    kept = site.machines if mix.machines is None else mix.machines
    limits = replace(
        site.limits,
        emission=_least(site.limits.emission, mix.emission),
        money=_least(site.limits.money, mix.money),
    )
    dropped = tuple(name for name in site.machines if name not in kept)
    name = f"{mix.name} (of the file)" if mix.name in taken else mix.name
    return MixSupply(name, mix.about, mix.goals or site.goals, limits, dropped)


def _least(first: float | None, second: float | None) -> float | None:
    known = [value for value in (first, second) if value is not None]
    return min(known) if known else None
