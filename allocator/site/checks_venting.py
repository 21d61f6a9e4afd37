"""Gas that is not burnt: weights, sources and flares that do not go together."""

from __future__ import annotations

from collections.abc import Iterator

from allocator.base.quantities import shown
from allocator.site.records import MachineType, Site

Problem = tuple[str, str, str, str, str]
"""Section, name, key, what is wrong, what to do."""


def faults_of_venting(site: Site) -> Iterator[Problem]:
    """Fluids whose release would count twice, bought fuel that vents, flares that cannot burn."""
    for name, fluid in site.fluids.items():
        if fluid.vented_weight > 0 and fluid.emission != "none":
            problem = f"vented_weight is given beside 'emission: {fluid.emission}'"
            remedy = "keep 'emission' for what machines give off, 'vented_weight' for unburnt gas"
            yield "fluids", name, "vented_weight", problem, remedy
    for name, source in site.sources.items():
        if source.delivered and source.when_untapped == "vents":
            problem = "when_untapped is 'vents', but nothing comes that is not bought"
            yield "sources", name, "when_untapped", problem, "leave it out"
    for name, machine in site.machines.items():
        if machine.flare:
            for key, problem, remedy in _faults_of_flare(site, machine):
                yield "machines", name, key, problem, remedy


def _faults_of_flare(site: Site, machine: MachineType) -> Iterator[tuple[str, str, str]]:
    if machine.power_in or machine.power_out:
        yield "flare", "flare is no machine that takes or gives power", "leave 'flare' or power out"
    if len(machine.inputs) > 1:
        yield "flare", "flare takes more than one fluid", "give each fluid a flare of its own"
    for fluid in machine.inputs:
        if fluid in site.fluids and site.fluids[fluid].heating_value is None:
            problem = f"inputs of a flare hold {shown(fluid)}, which does not burn"
            yield "inputs", problem, "give that fluid its 'heating_value', or leave 'flare' out"
    for key in ("no_load", "min_load", "min_down_time", "min_burst_time"):
        if getattr(machine, key) > 0:
            told = key.replace("min_burst_time", "min_up_time")
            yield told, f"{told} is above 0 of a flare, which burns whatever comes", "leave it out"
