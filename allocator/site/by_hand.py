"""Checks of a site built in Python, by the tables of keys that a site file is read by.

A field of a record has the kind of the key of its name: the same limits, choices and references.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
from collections.abc import Iterator, Mapping
from functools import cache, partial
from itertools import pairwise
from typing import Any, get_args, get_type_hints

from allocator.base.errors import Fault
from allocator.base.quantities import shown
from allocator.physics.faults import PhysicsError
from allocator.site import keys, records
from allocator.site.checks import faults_of_records
from allocator.site.checks_boosters import booster_faults
from allocator.site.checks_built import booster_faults as built_booster_faults
from allocator.site.checks_built_cooling import cooler_faults, heat_sink_faults
from allocator.site.checks_clocks import faults_of_survey
from allocator.site.checks_heat_sinks import boils_at
from allocator.site.checks_machines import YEAR, machine_pressure_faults
from allocator.site.checks_network import not_covered
from allocator.site.checks_stores import pressure_faults
from allocator.site.common_kinds import PLACE, PLACES
from allocator.site.enclosures import walls_of
from allocator.site.groups import ListOf, MapOf, name_refusal
from allocator.site.kinds import (
    ByTemperature,
    Choice,
    Flag,
    Kind,
    Name,
    Quantity,
    Text,
    Whole,
)
from allocator.site.records import POWER, Site
from allocator.site.shapes import ByShape, Named, OneOrList, Variants
from allocator.site.table import KeyTable

Problems = Iterator[tuple[str, str]]
"""Where in a record (empty: the record itself), and what is wrong there."""

SITE = keys.table_of(Site)
_POSITIVE = Quantity("number", above=0)
_AMOUNT = Quantity("number", least=0)
_OTHER_FIELDS: Mapping[type, Mapping[str, Kind]] = {
    records.Place: {"x": Quantity("length"), "y": Quantity("length")},
    records.Source: {"delivered": Flag()},
    records.PipeType: {"by_bore": Flag()},
    records.Route: {"start": PLACE, "end": PLACE, "energy": _AMOUNT},
    records.Line: {"start": PLACE, "end": PLACE},
    records.MachineType: {
        "power_out": _AMOUNT,
        "power_in": _AMOUNT,
        "heat_out": _AMOUNT,
        "min_burst_time": _AMOUNT,
    },
    records.Demand: {"wants": Name("fluids", "fluid", (POWER,)), "mean": _POSITIVE},
    records.HeatSink: {
        "mass": _POSITIVE,
        "masses": ListOf(_POSITIVE),
        "steam_recovered": Flag(),
    },
}
"""Kinds of fields that have no key of their name, or another shape than it."""

UNCHECKED: Mapping[type, set[str]] = {
    records.Source: {"series"},
    records.Demand: {"profile"},
    records.Built: {"storage", "machines"},
}
"""Fields that :func:`_across` or the audit looks at."""


def faults_of_site(site: Site) -> list[Fault]:
    """All that is wrong with the records of a site, each at its section and name."""
    place = f"site {site.name!r}"
    found = [
        Fault(place, 0, 0, address, f"{field} {problem}".strip())
        for address, record, table in _parts(site)
        for field, problem in _of_record(site, record, table)
    ]
    if found:  # what follows needs records that make sense one by one
        return found
    found = [Fault(place, 0, 0, address, problem) for address, problem in _across(site)]
    found += [
        Fault(place, 0, 0, f"{fault.section}.{fault.name}", fault.said, fault.remedy)
        for fault in faults_of_records(site)
    ]
    found += [
        Fault(place, 0, 0, "", f"{key} {problem}", remedy)
        for key, problem, remedy in faults_of_survey(site)
    ]
    return found


def _parts(site: Site) -> Iterator[tuple[str, Any, KeyTable]]:
    """Every record of a site with its address and the keys of its kind."""
    yield "site", site, SITE
    for key in SITE.keys:
        value = getattr(site, key.name, None)
        if isinstance(key.kind, KeyTable):
            if value is None and Site.__dataclass_fields__[key.name].default is None:
                continue  # a section that may be left out
            right = isinstance(value, record_class(Site, key.name))
            problem = "" if right else _no_record(Site, key.name, value)
            yield key.name, _Stranger(problem) if problem else value, key.kind
        elif isinstance(key.kind, Named):
            yield from _named(key.name, key.kind, value)


class _Stranger:
    """Stands for what is no record of its section, with what is wrong."""

    def __init__(self, problem: str) -> None:
        self.problem = problem


def _named(section: str, kind: Named, value: Any) -> Iterator[tuple[str, Any, KeyTable]]:
    if not isinstance(value, Mapping):
        yield section, _Stranger(f"must be a mapping of names, got {shown(value)}"), SITE
        return
    for name, record in value.items():
        address = f"{section}.{name}"
        refusal = name_refusal(name, kind.reserved_names) if isinstance(name, str) else "is no text"
        if refusal:
            yield address, _Stranger(f"the name {refusal}"), SITE
        elif not isinstance(record, record_class(Site, section)):
            yield address, _Stranger(_no_record(Site, section, record)), SITE
        elif record.name != name:
            problem = f"has another key than its name, {shown(record.name)}"
            yield address, _Stranger(problem), SITE
        else:
            table = kind.table
            if isinstance(table, Variants):
                held = getattr(record, table.key, None) == table.word
                table = table.matching if held else table.other
            yield address, record, table


@cache
def record_class(owner: Any, field: str) -> type[Any]:
    """The record that a field of a record holds, or holds some of; ``object`` where none."""
    hints = [get_type_hints(owner)[field]]
    while hints:
        hint = hints.pop()
        if isinstance(hint, type) and dataclasses.is_dataclass(hint):
            return hint
        hints.extend(get_args(hint))
    return object


def _no_record(owner: Any, field: str, value: Any) -> str:
    return f"must be a {record_class(owner, field).__name__}, got {shown(value)}"


def kinds_of(kind: type, table: KeyTable) -> dict[str, Kind]:
    """The kinds of the fields of a record, as its keys in the site file declare them."""
    known = _KINDS.get((kind, id(table)))
    if known is None:
        variant = POWER if table is _STORES.matching else "fluid"
        known = {**keys.kinds_of(kind, variant), **_OTHER_FIELDS.get(kind, {})}
        if kind is Site:  # sections are looked at one by one
            known = {n: k for n, k in known.items() if not isinstance(k, KeyTable | Named)}
        for name in UNCHECKED.get(kind, ()):
            known.pop(name, None)
        _KINDS[kind, id(table)] = known
    return known


_STORES = keys.variants_of(records.StoreType, "holds", POWER, "fluid")
_KINDS: dict[tuple[type, int], dict[str, Kind]] = {}
"""What :func:`kinds_of` has found; tables of keys are constants, and cannot be hashed."""


def _of_record(site: Site, record: Any, table: KeyTable) -> Problems:
    if isinstance(record, _Stranger):
        yield "", record.problem
        return
    kinds = kinds_of(type(record), table)
    for field in dataclasses.fields(record):
        value, kind = getattr(record, field.name), kinds.get(field.name)
        if kind is None or (value is None and "None" in str(field.type)):
            continue
        if field.name == "capacity" and getattr(record, "by_bore", False):
            continue  # found from the bore
        if field.default is not dataclasses.MISSING and value == field.default:
            continue
        held = value if isinstance(value, tuple | list) else (value,)
        owner: Any = type(record)
        kept = record_class(owner, field.name)
        if strangers := [one for one in held if not isinstance(one, kept)]:
            yield field.name, _no_record(owner, field.name, strangers[0])
            continue
        for inside, problem in _of_value(site, kind, value):
            yield f"{field.name}{inside}", problem


def _of_value(site: Site, kind: Kind, value: Any) -> Problems:
    """What is wrong with a value of a kind."""
    if isinstance(kind, ListOf | OneOrList):
        listed = kind.listed if isinstance(kind, OneOrList) else kind
        if not isinstance(value, tuple):
            yield "", f"must be a tuple, got {shown(value)}"
            return
        for number, item in enumerate(value):
            for inside, problem in _of_value(site, listed.kind, item):
                yield f"[{number}]{inside}", problem
        if listed.distinct and len(set(value)) < len(value):
            yield "", f"holds a value twice (got {shown(value)})"
    elif isinstance(kind, MapOf | ByShape) or (
        isinstance(kind, KeyTable) and isinstance(value, Mapping)
    ):
        yield from _of_mapping(site, kind, value)
    elif isinstance(kind, KeyTable):
        for inside, problem in _of_record(site, value, kind):
            yield f".{inside}" if inside else "", problem
    elif isinstance(kind, ByTemperature):
        pairs = list(value) if isinstance(value, tuple) else []
        sound = all(
            isinstance(pair, tuple) and len(pair) == 2 and all(map(_is_amount, pair))
            for pair in pairs
        )
        if not isinstance(value, tuple) or not sound:
            yield "", f"must be a tuple of (K, value) pairs, got {shown(value)}"
        elif any(first[0] >= second[0] for first, second in pairwise(pairs)):
            yield "", "must go from cold to hot"
    elif problem := _of_scalar(site, kind, value):
        yield "", problem


def _of_mapping(site: Site, kind: Kind, value: Any) -> Problems:
    if not isinstance(value, Mapping):
        yield "", f"must be a mapping, got {shown(value)}"
        return
    if isinstance(kind, ByShape):
        kind = kind.mapping if kind.flat == PLACES else kind
    for name, item in value.items():
        inner: Kind | None = None
        if isinstance(kind, KeyTable):
            inner = next((key.kind for key in kind.keys if key.name == name), None)
            if inner is None:
                yield f"[{name!r}]", "is unknown"
        elif isinstance(kind, MapOf):
            inner = kind.kind
            if problem := _of_scalar(site, kind.name, name):
                yield "", problem
        no_limit = item is None and isinstance(kind, MapOf) and kind.name == PLACE
        if inner is not None and not no_limit:
            for inside, problem in _of_value(site, inner, item):
                yield f"[{name!r}]{inside}", problem


def _of_scalar(site: Site, kind: Kind, value: Any) -> str:
    """What is wrong with a value that holds no others, or ""."""
    if isinstance(kind, Quantity):
        if not _is_number(value):
            return f"must be a finite number in SI, got {shown(value)}"
        refusal = kind.refusal(value)
        return refusal and f"{refusal} (got {value:g})"
    if isinstance(kind, Name):
        section = getattr(site, kind.section)
        names = [*kind.also, *(section if isinstance(section, Mapping) else ())]
        if isinstance(value, str) and value in names:
            return ""
        close = difflib.get_close_matches(str(value), names, n=1)
        guess = f"; did you mean {shown(close[0])}?" if close else ""
        return f"names the unknown {kind.singular} {shown(value)}{guess}"
    if isinstance(kind, Choice):
        known = value in kind.options
        return "" if known else f"must be one of {', '.join(kind.options)} (got {shown(value)})"
    if isinstance(kind, Whole):
        whole = isinstance(value, int) and not isinstance(value, bool) and value >= kind.least
        return "" if whole else f"must be a whole number from {kind.least} on (got {shown(value)})"
    wanted = {Flag: bool, Text: str}.get(type(kind))
    if wanted is not None and not isinstance(value, wanted):
        return f"must be {'true or false' if wanted is bool else 'text'}, got {shown(value)}"
    if isinstance(kind, Text) and kind.longest and (len(value) > kind.longest or "\n" in value):
        return f"is too long: {kind.longest} characters on one line at most"
    return ""


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_amount(value: Any) -> bool:
    return _is_number(value) and value >= 0


def _across(site: Site) -> Iterator[tuple[str, str]]:
    """What only two values of a site, or more, show to be impossible."""
    for name, source in site.sources.items():
        for stage in source.stages:
            if stage.on > stage.every:
                yield f"sources.{name}", f"is on for longer than its period, {stage}"
        for inner, outer in pairwise(source.stages):
            if inner.every > outer.on:
                yield f"sources.{name}", f"{inner} does not fit into the on-time of {outer}"
        chamber = source.pump.chamber if source.pump else None
        if chamber and not (source.pressure and source.pressure > chamber.min_pressure):
            yield f"sources.{name}", "needs a pressure above the min_pressure of its chamber"
    for name, store in site.storage.items():
        if max(store.min_size, store.unit or 0.0) > store.max_size:
            yield f"storage.{name}", "has a min_size or a unit above its max_size"
        if store.holds != POWER and store.charge_efficiency != 1:
            yield f"storage.{name}", "charge_efficiency is only for a store of power"
        for key, problem, _ in pressure_faults(partial(getattr, store)):
            yield f"storage.{name}", f"{key} {problem}"
    for name, room in site.enclosures.items():
        try:
            walls_of(room, site.materials, site.ambient)
        except PhysicsError as error:
            yield f"enclosures.{name}", f"{error.problem}: {error.remedy}"
    for name, sink in site.heat_sinks.items():
        filling = None if sink.fluid is None else site.fluids[sink.fluid]
        boils = boils_at(filling, sink.pressure, site.ambient)
        if boils is not None and sink.initial_temperature > boils:
            yield f"heat_sinks.{name}", f"initial_temperature is above its boiling, {boils:.6g} K"
    for name, place in site.places.items():
        if place.enclosure is not None and place.heat_limit is None:
            problem = "needs heat_limit beside its enclosure: the heat_loss of al.enclosure(site)"
            yield f"places.{name}", problem
    for name, machine in site.machines.items():
        for key, problem, _ in machine_pressure_faults(partial(getattr, machine)):
            yield f"machines.{name}", f"{key} {problem}"
    for name, booster in site.boosters.items():
        for key, problem, _ in booster_faults(partial(getattr, booster), site.fluids):
            yield f"boosters.{name}", f"{key} {problem}"
    for name, pipe in site.pipes.items():
        if pipe.by_bore and pipe.bore is None:
            yield f"pipes.{name}", "needs a bore, by which its capacity is found"
        if pipe.bore is not None and pipe.roughness >= pipe.bore:
            yield f"pipes.{name}", "roughness is not below the bore"
    for name, route in site.routes.items():
        for pipe in (site.pipes[build] for build in route.pipes):
            if route.burial_depth is not None and (said := not_covered(route.burial_depth, pipe)):
                yield f"routes.{name}", f"burial_depth {said}"
    for section, between in (("routes", site.routes), ("power_lines", site.power_lines)):
        for name, run in between.items():
            if run.start == run.end:
                yield f"{section}.{name}", f"joins {run.start!r} to itself"
    for name, machine in site.machines.items():
        if machine.power_in and machine.power_out:
            yield f"machines.{name}", "takes and gives power: give the net power on one side"
        if (machine.mtbf is None) != (machine.mttr is None):
            yield f"machines.{name}", "has one of 'mtbf' and 'mttr': give both or neither"
        if machine.service >= YEAR:
            yield f"machines.{name}.service", "is a year or more of each: give less"
        if not (machine.inputs or machine.power_in):
            yield f"machines.{name}", "takes nothing"
        if not (machine.outputs or machine.power_out or machine.heat_out):
            yield f"machines.{name}", "gives nothing"
    for name, cooler in site.coolers.items():
        if cooler.rate is cooler.duty is cooler.conductance is None:
            yield f"coolers.{name}", "has no size: give it a rate, duty or conductance"
        if cooler.conductance is not None and cooler.coolant is None:
            yield f"coolers.{name}", "conductance says nothing without the coolant"
        if cooler.coolant is not None and cooler.set_point <= cooler.coolant:
            yield f"coolers.{name}", "set_point is not above its coolant"
    for name, demand in site.demands.items():
        if demand.place is None and (demand.wants != POWER or site.power_lines):
            yield f"demands.{name}", "needs a place: a fluid or a line goes to one"
        yield from ((f"demands.{name}", problem) for problem in _of_profile(demand.profile))
    yield from _of_built(site)


def _of_profile(profile: records.Profile | None) -> Iterator[str]:
    if profile is None:
        return
    ends = (*profile.starts[1:], profile.period)
    spans = [end - start for start, end in zip(profile.starts, ends, strict=False)]
    if (
        len(profile.levels) != len(profile.starts)
        or profile.starts[:1] != (0.0,)
        or not all(span > 0 for span in spans)
        or not all(map(_is_amount, profile.levels))
    ):
        yield "profile needs a level of 0 or more for each start, and starts that rise from 0"
        return
    mean = math.fsum(x * span for x, span in zip(profile.levels, spans, strict=True))
    if abs(mean / profile.period - 1) > 1e-6:
        yield f"profile must have the mean 1 over its period (got {mean / profile.period:.6g})"


def _of_built(site: Site) -> Iterator[tuple[str, str]]:
    for run in site.built.pipes:
        able = site.pipes[run.pipe].fluids
        if able is not None and run.fluid not in able:
            yield "built.pipes", f"{run.pipe!r} may not carry {run.fluid!r}"
        route = site.routes[run.route]
        if run.start is not None and run.start not in (route.start, route.end):
            yield "built.pipes", f"from {run.start!r}, which is no end of {run.route!r}"
    things = ("boosters", "routes", "storage", "coolers", "sources", "heat_sinks")
    sections = {name: getattr(site, name) for name in things}
    for _, (key, problem, _) in cooler_faults(site.built.coolers, sections):
        yield "built.coolers", f"{key} {problem}"
    for _, (key, problem, _) in heat_sink_faults(site.built.heat_sinks, sections):
        yield "built.heat_sinks", f"{key} {problem}"
    for one in site.built.boosters:
        for key, problem, _ in built_booster_faults(one, sections):
            yield "built.boosters", f"{key} {problem}"
    for section, existing, kinds in (
        ("storage", site.built.storage, site.storage),
        ("machines", site.built.machines, site.machines),
    ):
        for thing, size in existing.items():
            name, place = thing if isinstance(thing, tuple) and len(thing) == 2 else (thing, "")
            if name not in kinds or place not in site.places:
                yield f"built.{section}", f"names the unknown {name!r} at {place!r}"
            elif not _is_amount(size):
                yield f"built.{section}", f"{name!r} at {place!r} must be 0 or more, got {size!r}"
