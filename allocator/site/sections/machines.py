"""Kinds of machine and cooler: what one unit takes and gives, and where it may stand."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.site.records import POWER, Cooler, MachineType
from allocator.site.table import Values


def read_machines(section: Mapping[str, Values]) -> dict[str, MachineType]:
    """Every kind of machine that is whole."""
    return {
        name: machine
        for name, values in section.items()
        if (machine := _read_machine(name, values)) is not None
    }


def _read_machine(name: str, values: Values) -> MachineType | None:
    takes: dict[str, float] = dict(values.get("inputs", {}))
    gives: dict[str, float] = dict(values.get("outputs", {}))
    if POWER in takes and POWER in gives:
        values.fault(
            "outputs",
            "holds 'power', which the machine also takes",
            "give the net power on one side",
        )
    if not values.whole:
        return None
    places = values.get("places")
    return MachineType(
        name,
        inputs={fluid: rate for fluid, rate in takes.items() if fluid != POWER},
        outputs={fluid: rate for fluid, rate in gives.items() if fluid not in (POWER, "heat")},
        places=dict.fromkeys(places) if isinstance(places, tuple) else dict(places),
        power_out=gives.get(POWER, 0.0),
        power_in=takes.get(POWER, 0.0),
        heat_out=gives.get("heat", 0.0),
        no_load=values.get("no_load"),
        min_load=values.get("min_load"),
        min_up_time=values.get("min_up_time"),
        min_down_time=values.get("min_down_time"),
        min_burst_time=values.get("min_up_time") if values.has("min_up_time") else 0.0,
        materials=dict(values.get("materials", {})),
        price=values.get("price"),
        max_units=values.get("max_units"),
        max_inlet_temperature=values.get("max_inlet_temperature"),
        outlet_temperature=values.get("outlet_temperature"),
    )


def read_coolers(section: Mapping[str, Values]) -> dict[str, Cooler]:
    """Every kind of cooler that is whole."""
    coolers = {}
    for name, values in section.items():
        coolant: Values | None = values.get("coolant")
        recovery: Values | None = values.get("recovery")
        _check_coolant(values, coolant)
        if not values.whole:
            continue
        places = values.get("places")
        coolers[name] = Cooler(
            name,
            fluid=values.get("fluid"),
            set_point=values.get("set_point"),
            places=dict.fromkeys(places) if isinstance(places, tuple) else dict(places),
            rate=values.get("rate"),
            duty=values.get("duty"),
            conductance=values.get("conductance"),
            arrangement=values.get("arrangement"),
            coolant=coolant.get("temperature") if coolant else None,
            coolant_capacity=coolant.get("capacity") if coolant else None,
            power_share=values.get("power_share"),
            materials=dict(values.get("materials", {})),
            price=values.get("price"),
            recovery=recovery.get("efficiency") if recovery else 0.0,
            threshold=recovery.get("threshold") if recovery else 0.0,
            rejects_at=values.get("rejects_at", ""),
        )
    return coolers


def _check_coolant(values: Values, coolant: Values | None) -> None:
    set_point = values.get("set_point")
    if values.has("conductance") and not values.has("coolant"):
        values.fault(
            "conductance",
            "says nothing without its coolant",
            "add 'coolant: {temperature: 20 degC}'",
        )
    if not any(values.has(key) for key in ("rate", "duty", "conductance")):
        values.fault(
            "rate", "has no size: 'rate', 'duty' or 'conductance'", "add 'duty: 50 kW' for one unit"
        )
    cold = coolant.get("temperature") if coolant else None
    if cold is not None and set_point is not None and set_point <= cold:
        values.fault(
            "set_point",
            "is not above its coolant, and nothing cools below that",
            "raise the set-point or use colder coolant",
        )
