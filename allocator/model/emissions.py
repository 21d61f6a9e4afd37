"""Which machines are clean, which releases count, and which flares are worth their gas."""

from __future__ import annotations

from allocator.network.records import Network
from allocator.site.records import MachineType


def is_clean(site: Network, machine: MachineType) -> bool:
    """Power is clean when the machine that gives it releases no counted emission."""
    return not any(counts(site, fluid) for fluid in machine.outputs)


def counts(site: Network, fluid: str) -> bool:
    """True when releasing the fluid is a counted emission on this site."""
    emission = site.fluids[fluid].emission
    return emission == "counted" or (emission == "biogenic" and site.count_biogenic)


def worth_flaring(site: Network, machine: MachineType) -> bool:
    """True of a flare whose products weigh no more than its gas does when that is vented."""
    if not machine.flare:
        return False
    vented = sum(rate * site.fluids[f].vented_weight for f, rate in machine.inputs.items())
    given = sum(
        rate * (site.fluids[f].emission_weight if counts(site, f) else site.fluids[f].vented_weight)
        for f, rate in machine.outputs.items()
    )
    return 0.0 < vented >= given
