"""Amounts in people's units, for the messages of the audit."""

from __future__ import annotations

import math

from allocator.base.grouped import grouped

_STEPS: dict[str, tuple[tuple[float, str], ...]] = {
    "W": ((1e9, "GW"), (1e6, "MW"), (1e3, "kW"), (1.0, "W"), (1e-3, "mW")),
    "J": ((3.6e9, "MWh"), (3.6e6, "kWh"), (3.6e3, "Wh"), (1.0, "J")),
    "kg": ((1e3, "t"), (1.0, "kg"), (1e-3, "g")),
    "kg/s": ((1.0, "kg/s"), (1e-3, "g/s"), (1e-6, "mg/s")),
    "s": ((86400.0, "d"), (3600.0, "h"), (60.0, "min"), (1.0, "s")),
}


def spoken(value: float, unit: str) -> str:
    """An SI amount with a fitting unit, to six figures: ``41.2345 kW``, ``67.3 d``."""
    if not math.isfinite(value):
        return f"{value} {unit}".rstrip()
    steps = _STEPS.get(unit, ((1.0, unit),))
    fitting = next((step for step in steps if abs(value) >= step[0]), steps[-1])
    step, name = (1.0, unit) if value == 0 else fitting
    return f"{grouped(f'{value / step:.6g}')} {name}".rstrip()
