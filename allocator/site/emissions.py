"""Which machines are clean, which releases count, and which flares are worth their gas."""

from __future__ import annotations

from allocator.site.records import MachineType, Site


def is_clean(site: Site, machine: MachineType) -> bool:
    """Power is clean when the machine that gives it releases no counted emission.

    What is released decides, not what it weighs: a counted fluid of weight 0 is an emission too.
    """
    return not any(counts(site, fluid) for fluid in machine.outputs)


def counts(site: Site, fluid: str) -> bool:
    """True when releasing the fluid is a counted emission on this site."""
    emission = site.fluids[fluid].emission
    return emission == "counted" or (emission == "biogenic" and site.count_biogenic)


def unit_emission(site: Site, machine: MachineType) -> float:
    """Counted release of one unit at full load, kg CO2-equivalent a second."""
    return sum(
        rate * site.fluids[fluid].emission_weight
        for fluid, rate in machine.outputs.items()
        if counts(site, fluid)
    )


def worth_flaring(site: Site, machine: MachineType) -> bool:
    """True of a flare whose products weigh no more than its gas does when that is vented."""
    if not machine.flare:
        return False
    vented = sum(rate * site.fluids[f].vented_weight for f, rate in machine.inputs.items())
    given = sum(
        rate * (site.fluids[f].emission_weight if counts(site, f) else site.fluids[f].vented_weight)
        for f, rate in machine.outputs.items()
    )
    return 0.0 < vented >= given
