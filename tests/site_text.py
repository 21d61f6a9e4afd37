"""A site written out as a site file, in plain SI numbers: the way back from what is drawn."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Mapping
from typing import Any

from allocator.site.heat_sink import HeatSink
from allocator.site.records import (
    POWER,
    Demand,
    Fluid,
    Line,
    MachineType,
    Material,
    PipeType,
    Place,
    Pump,
    Route,
    Site,
    Source,
    StoreType,
)


def site_text(site: Site) -> str:
    """The text of a site file (JSON, which is YAML too)."""
    return json.dumps(_kept(_document(site)), indent=1)


def _document(site: Site) -> dict[str, Any]:
    return {
        "format": "allocator.site/2",
        "name": site.name,
        "about": site.about,
        "horizon": site.horizon,
        "load_factor": site.load_factor,
        "count_biogenic": site.count_biogenic,
        "ambient": {
            "temperature": site.ambient.temperature,
            "pressure": site.ambient.pressure,
            "wind": site.ambient.wind,
        },
        "goals": list(site.goals),
        "goal_slack": site.goal_slack,
        "limits": {
            "emission": site.limits.emission,
            "money": site.limits.money,
            "excluded_places": list(site.limits.excluded_places),
        },
        "fluids": _each(site.fluids.values(), _fluid),
        "materials": _each(site.materials.values(), _material),
        "places": _each(site.places.values(), _place),
        "sources": _each(site.sources.values(), _source),
        "storage": _each(site.storage.values(), _store),
        "pipes": _each(site.pipes.values(), _build),
        "routes": _each(site.routes.values(), _route),
        "power_lines": _each(site.power_lines.values(), _line),
        "machines": _each(site.machines.values(), _machine),
        "demands": _each(site.demands.values(), _demand),
        "heat_sinks": _each(site.heat_sinks.values(), _bath),
        "built": _built(site),
    }


def _each(records: Iterable[Any], write: Any) -> dict[str, Any]:
    return {record.name: write(record) for record in records}


def _kept(value: Any) -> Any:
    """Without what is absent or empty; names that must stay keep an empty mapping."""
    if isinstance(value, Mapping):
        return {
            key: _kept(part) for key, part in value.items() if part not in (None, "", {}, [], ())
        }
    if isinstance(value, list | tuple):
        return [_kept(part) for part in value]
    return value


def _fluid(x: Fluid) -> dict[str, Any]:
    return {
        "phase": x.phase,
        "heating_value": x.heating_value,
        "emission": x.emission,
        "emission_weight": x.emission_weight if x.emission != "none" else None,
        "constants": dict(x.constants),
        "substance": x.substance,
    }


def _material(x: Material) -> dict[str, Any]:
    return {"stock": x.stock, "price": x.price, "scarcity": x.scarcity}


def _place(x: Place) -> dict[str, Any]:
    return {"at": [x.x, x.y], "elevation": x.elevation}


def _source(x: Source) -> dict[str, Any]:
    written: dict[str, Any] = {
        "place": x.place,
        "fluid": x.fluid,
        "flow": x.flow,
        "next_start": x.next_start,
        "temperature": x.temperature,
        "pressure": x.pressure,
        "connection": {
            "materials": dict(x.connection_materials),
            "price": x.connection_price or None,
        },
        "price": x.price or None,
        "pump": x.pump and _pump(x.pump),
    }
    if x.delivered:
        (stage,) = x.stages
        written["delivery"] = {"every": stage.every, "batch": stage.on * x.flow}
    else:
        written["cycle"] = [{"on": stage.on, "every": stage.every} for stage in x.stages]
    return written


def _pump(x: Pump) -> dict[str, Any]:
    chamber = x.chamber and {"volume": x.chamber.volume, "min_pressure": x.chamber.min_pressure}
    return {"energy": x.energy, "rate": x.rate, "chamber": chamber}


def _store(x: StoreType) -> dict[str, Any]:
    return {
        "holds": x.holds,
        "places": list(x.places),
        "size": {"min": x.min_size or None, "max": x.max_size, "unit": x.unit},
        "materials": dict(x.materials),
        "base": {"materials": dict(x.base_materials), "price": x.base_price or None},
        "price": x.price,
        "fill_rate": x.fill_rate,
        "release_rate": x.release_rate,
        "loss": x.loss or None,
        "charge_efficiency": x.charge_efficiency if x.holds == POWER else None,
    }


def _bath(x: HeatSink) -> dict[str, Any]:
    written = {name: getattr(x, name) for name in _BATH}
    written["steam"] = "recovered" if x.steam_recovered else "vented"
    for name, part in (("recovery", x.recovery), ("cooler", x.cooler)):
        written[name] = part and dataclasses.asdict(part)
    return written


_BATH = [
    "source",
    "mass",
    "max_mass",
    "loss_conductance",
    "initial_temperature",
    "pressure",
    "max_temperature",
    "fluid",
    "specific_heat",
    "effectiveness",
    "heat_while_on",
    "max_outlet_temperature",
]


def _build(x: PipeType) -> dict[str, Any]:
    return {
        "capacity": x.capacity,
        "bore": x.bore,
        "layers": [
            {"material": y.material, "mass": y.mass, "thickness": y.thickness} for y in x.layers
        ],
        "price": x.price,
        "fluids": None if x.fluids is None else list(x.fluids),
    }


def _route(x: Route) -> dict[str, Any]:
    return {
        "between": [x.start, x.end],
        "length": x.length,
        "pipes": list(x.pipes),
        "one_way": x.one_way,
        "cost": x.cost,
    }


def _line(x: Line) -> dict[str, Any]:
    return {
        "between": [x.start, x.end],
        "capacity": x.capacity,
        "loss": x.loss,
        "length": x.length,
        "materials": dict(x.materials),
        "price": x.price,
    }


def _machine(x: MachineType) -> dict[str, Any]:
    takes: dict[str, float] = dict(x.inputs)
    gives: dict[str, float] = dict(x.outputs)
    if x.power_in:
        takes[POWER] = x.power_in
    if x.power_out:
        gives[POWER] = x.power_out
    if x.heat_out:
        gives["heat"] = x.heat_out
    limited = all(most is not None for most in x.places.values())
    return {
        "inputs": takes,
        "outputs": gives,
        "no_load": x.no_load or None,
        "min_load": x.min_load or None,
        # left out, it is ten minutes behind a battery and nothing is said of bursts
        "min_up_time": None if (x.min_up_time, x.min_burst_time) == (600.0, 0.0) else x.min_up_time,
        "min_down_time": x.min_down_time or None,
        "materials": dict(x.materials),
        "price": x.price,
        "places": dict(x.places) if limited else list(x.places),
        "max_units": x.max_units,
    }


def _demand(x: Demand) -> dict[str, Any]:
    written: dict[str, Any] = {
        "place": x.place,
        "priority": x.priority,
        "min_share": x.min_share or None,
    }
    if x.wants == POWER:
        written["power"] = x.mean
    else:
        written |= {"fluid": x.wants, "flow": x.mean}
    if x.profile is not None:
        written |= {"profile": list(x.profile.levels), "period": x.profile.period}
    return written


def _built(site: Site) -> dict[str, Any]:
    built = site.built
    stores: dict[str, dict[str, float]] = {}
    for (kind, place), size in built.storage.items():
        stores.setdefault(kind, {})[place] = size
    machines: dict[str, dict[str, int]] = {}
    for (kind, place), count in built.machines.items():
        machines.setdefault(kind, {})[place] = count
    return {
        "sources": list(built.sources),
        "pipes": [{"route": r.route, "pipe": r.pipe, "fluid": r.fluid} for r in built.pipes],
        "power_lines": list(built.power_lines),
        "storage": stores,
        "machines": machines,
    }
