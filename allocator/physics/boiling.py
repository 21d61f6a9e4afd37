"""Water and steam by IAPWS-IF97, and other liquids that boil, at a pressure."""

from __future__ import annotations

from typing import NamedTuple

from allocator.physics.faults import PhysicsError
from allocator.physics.substances import library_name, saturation_temperature

WATER = "IF97::Water"
"""Water by the industrial formulation of IAPWS in the property library."""

_LOWEST, _HIGHEST = 611.657, 16.5e6
"""Pa: the triple point, and a little below the region near the critical point."""

_MELTS = 273.16
"""K: make-up water comes no colder."""


class Boiling(NamedTuple):
    """``at``: K. ``latent``: J/kg. ``warmed``: J/kg from cold make-up to steam.

    ``specific_heat``: J/(kg K), mean of the liquid from cold to boiling.
    """

    at: float
    latent: float
    warmed: float
    specific_heat: float


def boiling(library: str, pressure: float, cold: float) -> Boiling:
    """How a liquid boils at a pressure (Pa), with make-up that comes at ``cold`` K.

    ``library``: the property library's name; water goes by IAPWS-IF97.

    Raises:
        PhysicsError: it does not boil at that pressure, is no liquid at ``cold``, or is unknown.
    """
    name = WATER if library.lower() in ("water", "h2o", WATER.lower()) else library
    if name == WATER and not _LOWEST <= pressure <= _HIGHEST:
        raise PhysicsError(f"does not boil at {pressure:.4g} Pa", "check the pressure")
    if name == WATER:
        cold = max(cold, _MELTS)
    else:
        library_name(name)
    at = saturation_temperature(name, pressure)
    if cold >= at:
        raise PhysicsError(
            f"boils at {at - 273.15:.4g} degC, no warmer than its make-up",
            "check the pressure and the temperature around",
        )
    from CoolProp.CoolProp import PropsSI

    try:
        steam, liquid = (float(PropsSI("H", "P", pressure, "Q", q, name)) for q in (1, 0))
        fresh = float(PropsSI("H", "T", cold, "P", pressure, name))
    except ValueError:
        raise PhysicsError(
            f"has no data as a liquid at {cold - 273.15:.4g} degC", "check the temperature around"
        ) from None
    if not fresh < liquid < steam:
        raise PhysicsError(f"is no liquid at {cold - 273.15:.4g} degC", "check the temperatures")
    return Boiling(at, steam - liquid, steam - fresh, (liquid - fresh) / (at - cold))
