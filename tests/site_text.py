"""A site written out as a site file, in plain SI numbers: the way back from what is drawn."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Mapping
from typing import Any

from allocator.site.bath import Bath
from allocator.site.records import (
    POWER,
    Build,
    Demand,
    Fluid,
    Line,
    MachineType,
    Material,
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
        "format": "allocator.site/1",
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
        "stores": _each(site.stores.values(), _store),
        "builds": _each(site.builds.values(), _build),
        "routes": _each(site.routes.values(), _route),
        "lines": _each(site.lines.values(), _line),
        "machines": _each(site.machines.values(), _machine),
        "demands": _each(site.demands.values(), _demand),
        "baths": _each(site.baths.values(), _bath),
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
        "next_spell": x.next_spell,
        "temperature": x.temperature,
        "pressure": x.pressure,
        "tap": {"materials": dict(x.tap_materials), "price": x.tap_price or None},
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
    chamber = x.chamber and {"volume": x.chamber.volume, "least": x.chamber.least}
    return {"energy": x.energy, "rate": x.rate, "chamber": chamber}


def _store(x: StoreType) -> dict[str, Any]:
    return {
        "holds": x.holds,
        "places": list(x.places),
        "size": {"least": x.least or None, "most": x.most, "unit": x.unit},
        "materials": dict(x.materials),
        "base": {"materials": dict(x.base_materials), "price": x.base_price or None},
        "price": x.price,
        "fill_rate": x.fill_rate,
        "release_rate": x.release_rate,
        "loss": x.loss or None,
        "charge_efficiency": x.charge_efficiency if x.holds == POWER else None,
    }


def _bath(x: Bath) -> dict[str, Any]:
    written = {name: getattr(x, name) for name in _BATH}
    written["steam"] = "recovered" if x.steam_recovered else "vented"
    for name, part in (("recovery", x.recovery), ("cooler", x.cooler)):
        written[name] = part and dataclasses.asdict(part)
    return written


_BATH = [
    "source",
    "mass",
    "most",
    "loss",
    "start",
    "pressure",
    "hottest",
    "fluid",
    "specific_heat",
    "contact",
    "heat_while_on",
    "hottest_outlet",
]


def _build(x: Build) -> dict[str, Any]:
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
        "builds": list(x.builds),
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
    takes: dict[str, float] = dict(x.takes)
    gives: dict[str, float] = dict(x.gives)
    if x.power_in:
        takes[POWER] = x.power_in
    if x.power_out:
        gives[POWER] = x.power_out
    if x.heat_out:
        gives["heat"] = x.heat_out
    limited = all(most is not None for most in x.places.values())
    return {
        "takes": takes,
        "gives": gives,
        "no_load": x.no_load_share or None,
        "least_load": x.least_load or None,
        # left out, it is ten minutes behind a battery and nothing is said of bursts
        "least_run": None if (x.least_run, x.least_burst) == (600.0, 0.0) else x.least_run,
        "least_rest": x.least_rest or None,
        "materials": dict(x.materials),
        "price": x.price,
        "places": dict(x.places) if limited else list(x.places),
        "most": x.most,
    }


def _demand(x: Demand) -> dict[str, Any]:
    written: dict[str, Any] = {
        "place": x.place,
        "priority": x.priority,
        "least_share": x.least_share or None,
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
    for (kind, place), size in built.stores.items():
        stores.setdefault(kind, {})[place] = size
    machines: dict[str, dict[str, int]] = {}
    for (kind, place), count in built.machines.items():
        machines.setdefault(kind, {})[place] = count
    return {
        "taps": list(built.taps),
        "runs": [{"route": r.route, "build": r.build, "fluid": r.fluid} for r in built.runs],
        "lines": list(built.lines),
        "stores": stores,
        "machines": machines,
    }
