"""Vapour that comes along with gas, by the audit's own balance of water."""

from __future__ import annotations

import math

from allocator.physics.substances import Substance, molar_mass, saturation_pressure
from allocator.site.records import Source
from allocator.verify.case import Case

WATER = 0.018015268
"""kg/mol."""
FREEZES, CRITICAL = 273.16, 647.096
GAS = 8.314462618


def along(case: Case, record: Substance) -> tuple[float, float]:
    """kg of vapour with each kg of a gas, and its share of all moles, of the wettest source."""
    wet = [s for s in case.site.sources.values() if s.fluid == record.name and s.water]
    share = max((share_of(case, source) for source in wet), default=0.0)
    dry = dry_mass(case, record) if share else None
    return (0.0, 0.0) if dry is None else (share / (1.0 - share) * WATER / dry, share)


def dry_mass(case: Case, record: Substance) -> float | None:
    """kg/mol of a gas without vapour; None where nothing says it."""
    density, ambient = record.constants.get("density"), case.site.ambient
    by_density = None if density is None else density * GAS * ambient.temperature / ambient.pressure
    return molar_mass(record) or by_density


def share_of(case: Case, source: Source) -> float:
    """Mole fraction of vapour: as stated, or what the gas can hold at its mouth."""
    share = source.water or 0.0
    if source.temperature is None:
        return share
    full = per_dry(source.temperature, source.pressure or case.site.ambient.pressure)
    return share if math.isinf(full) else min(share, full / (1.0 + full))


def per_dry(kelvin: float, pressure: float) -> float:
    """Mol of vapour that a mol of dry gas holds at the most."""
    if kelvin < FREEZES or math.isinf(pressure):
        return 0.0
    own = math.inf if kelvin >= CRITICAL else saturation_pressure("Water", kelvin)
    return math.inf if own >= pressure else own / (pressure - own)
