"""Checks of heat sinks that need more than one value: sizes, Carnot, what is left out."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.quantities import format_quantity, shown
from allocator.physics.boiling import boiling
from allocator.physics.faults import PhysicsError
from allocator.site.enclosures import walls_named
from allocator.site.records import Ambient, Fluid, HeatSinkCooler, HeatSinkRecovery
from allocator.site.site_values import Filled, SiteValues
from allocator.site.table import Values

TIMES_MASS = 10.0
"""Largest mass of a heat sink, in multiples of its `mass`, where the file gives none."""
SAME_AIR = 1e-6
"""K by which the mean of what is outside an enclosure differs from the air by rounding."""


def sizes_and_defaults(values: Values, whole: SiteValues) -> Filled | None:
    """The masses of a heat sink, and what follows from other values where it is left out."""
    ambient: Ambient = whole.made["ambient"]
    recovery = _recovery(values, ambient)
    cooler = _cooler(values)
    _check_heat(values, whole.section("sources"))
    _check_sizes(values)
    _check_start(values, whole)
    loss = _loss(values, whole)
    if not values.whole or loss is None:
        return None
    conductance, around = loss
    masses: tuple[float, ...] = tuple(sorted(values.get("mass")))
    return {
        "mass": masses[0],
        "masses": masses if len(masses) > 1 else (),
        "loss_conductance": conductance,
        "outside_temperature": values.get("outside_temperature", around),
        "max_mass": values.get("max_mass", TIMES_MASS * masses[-1]),
        "initial_temperature": values.get("initial_temperature", ambient.temperature),
        "pressure": values.get("pressure", ambient.pressure),
        "recovery": recovery,
        "cooler": cooler,
    }


def _loss(values: Values, whole: SiteValues) -> tuple[float, float | None] | None:
    """W/K given, or of the enclosure, and K to which heat goes, where that is not the air's.

    None where no loss is known.
    """
    if values.has("loss_conductance"):
        return values.get("loss_conductance"), None
    if not values.has("enclosure"):
        values.fault(
            "loss_conductance",
            "needs the key 'loss_conductance' (heat lost to the air per kelvin) or 'enclosure'",
            "add 'loss_conductance: 400 W/K', or 'enclosure: NAME' of its casing",
        )
        return None
    walls = walls_named(values, whole)
    if walls is None:
        return None  # the fault is noted at the enclosure
    air: float = whole.made["ambient"].temperature
    return walls.conductance, walls.around if abs(walls.around - air) > SAME_AIR else None


def _recovery(values: Values, ambient: Ambient) -> HeatSinkRecovery | None:
    given: Values | None = values.get("recovery")
    if given is None or not given.whole:
        return None
    cold: float = given.get("cold_temperature", ambient.temperature)
    threshold: float = given.get("threshold")
    efficiency: float = given.get("efficiency")
    between = f"{_kelvin(threshold)} and {_kelvin(cold)}"
    most = 1 - cold / threshold
    if most <= 0:
        given.fault(
            "threshold",
            f"is no hotter than what the heat is rejected to ({between})",
            "raise it, or give a lower 'cold_temperature'",
        )
    elif efficiency >= most:
        given.fault(
            "efficiency",
            f"is {format_quantity(efficiency, 'share')}, and no engine between {between} passes "
            f"{format_quantity(most, 'share')} (Carnot)",
            "give a lower efficiency or a higher 'threshold'",
        )
    return HeatSinkRecovery(given.get("duty"), threshold, efficiency, cold)


def _cooler(values: Values) -> HeatSinkCooler | None:
    given: Values | None = values.get("cooler")
    if given is None or not given.whole:
        return None
    hottest: float | None = values.get("max_temperature")
    set_point: float | None = given.get("set_point", hottest)
    if hottest is None or set_point is None:
        return None
    if set_point > hottest:
        given.fault(
            "set_point",
            (
                f"is above the heat sink's 'max_temperature' ({_kelvin(set_point)} > "
                f"{_kelvin(hottest)})"
            ),
            "give that or less",
        )
    return HeatSinkCooler(given.get("duty"), set_point, given.get("power_share"))


def _check_heat(values: Values, sources: Mapping[str, Values]) -> None:
    source: str | None = values.get("source")
    if source is not None and source in sources and sources[source].has("series"):
        values.fault(
            "source",
            f"names {shown(source)}, whose bursts are not known ('series')",
            "give that source 'flow' and 'cycle'",
        )
    if source is None or values.has("heat_while_on"):
        if values.has("heat_while_on") and values.has("max_outlet_temperature"):
            values.fault(
                "max_outlet_temperature",
                "is given beside 'heat_while_on', from which no temperature of gas follows",
                "leave one of them out",
            )
        return
    beside = sources.get(source)
    if beside is not None and not beside.has("temperature"):
        values.fault(
            "source",
            f"names {shown(source)}, whose temperature is not known",
            "add 'temperature' to the source, or 'heat_while_on' to the heat sink",
        )


def _check_sizes(values: Values) -> None:
    masses: tuple[float, ...] | None = values.get("mass")
    most: float | None = values.get("max_mass")
    if masses is not None and most is not None and most < max(masses):
        values.fault(
            "max_mass",
            f"is less than 'mass' ({format_quantity(most, 'mass')} < "
            f"{format_quantity(max(masses), 'mass')})",
            "give the maximum mass, existing mass included",
        )


def _check_start(values: Values, whole: SiteValues) -> None:
    start: float | None = values.get("initial_temperature")
    fluid: Fluid | None = whole.made["fluids"].get(values.get("fluid"))
    pressure: float | None = values.get("pressure", whole.made["ambient"].pressure)
    if start is None or pressure is None:
        return
    boils = boils_at(fluid, pressure, whole.made["ambient"])
    if boils is not None and start > boils:
        values.fault(
            "initial_temperature",
            f"is {_kelvin(start)}, and its {values.get('fluid')} boils at {_kelvin(boils)}",
            "start it no warmer, or give a higher 'pressure'",
        )


def boils_at(fluid: Fluid | None, pressure: float, ambient: Ambient) -> float | None:
    """K at which what fills a heat sink boils at a pressure (Pa); None where that is not known."""
    if fluid is None or fluid.phase != "liquid" or fluid.substance is None:
        return None
    try:
        return boiling(fluid.substance, pressure, ambient.temperature).at
    except PhysicsError:
        return None  # told where the heat sink is worked out


def _kelvin(temperature: float) -> str:
    return format_quantity(temperature, "temperature")
