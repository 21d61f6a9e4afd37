"""What is odd but possible: noted as warnings, on a site that can be read."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.dimensions import format_absolute, format_apart
from allocator.base.grouped import grouped
from allocator.base.quantities import format_quantity, shown
from allocator.site.alike import note_alike
from allocator.site.chambers import below_ambient
from allocator.site.checks import energy_given, energy_taken
from allocator.site.checks_clocks import varying
from allocator.site.checks_network import line_length
from allocator.site.clocks import exact_cycle, timings_of
from allocator.site.connections import note_excluded, note_unreachable
from allocator.site.money import lives_without_interest
from allocator.site.records import POWER, MachineType, Site, Source
from allocator.site.table import Values
from allocator.site.wet_gas import note_wet_gas

LEAST_EFFICIENCY = 0.01
MOST_EFFICIENCY = 0.7
COLDEST = 150.0
"""K below which a temperature is more likely a number meant as degC."""

OTHER_ORDER = 500.0
"""Times all others of its like: most slips of a unit are of a thousand."""
FEWEST_LIKE = 3
"""Others to compare with: fewer say little."""

_DAY = 86_400.0
ROUNDED_LENGTH = 1e-3
"""A length may be this share below the straight line: figures of files are rounded."""


def note_warnings(site: Site, values: Values) -> None:
    """Notes what is odd about a site at its place in the file."""
    _note_unused(site, values)
    _note_energies(site, values)
    _note_temperatures(values)
    note_wet_gas(site, _section(values, "sources"))
    _note_cold_constants(site, values)
    _note_odd_figures(site, values)
    _note_other_orders(site, values)
    _note_without_effect(site, values)
    _note_lives(site, values)
    _note_unsized(site, values)
    _note_drawn_air(site, values)
    _note_unused_phases(site, values)
    note_alike(values)
    note_excluded(site, values)
    note_unreachable(site, values)


def _section(values: Values, name: str) -> Mapping[str, Values]:
    found: dict[str, Values] = values.get(name, {})
    return found


def _note_unused(site: Site, values: Values) -> None:
    fluids = {
        *(source.fluid for source in site.sources.values()),
        *(demand.wants for demand in site.demands.values()),
        *(fluid for machine in site.machines.values() for fluid in machine.inputs),
        *(fluid for machine in site.machines.values() for fluid in machine.outputs),
        *(heat_sink.fluid for heat_sink in site.heat_sinks.values()),
    }
    materials = {
        *(name for source in site.sources.values() for name in source.connection_materials),
        *(name for store in site.storage.values() for name in store.materials),
        *(name for store in site.storage.values() for name in store.base_materials),
        *(layer.material for build in site.pipes.values() for layer in build.layers),
        *(name for line in site.power_lines.values() for name in line.materials),
        *(name for machine in site.machines.values() for name in machine.materials),
        *(name for cooler in site.coolers.values() for name in cooler.materials),
        *(name for heat_sink in site.heat_sinks.values() for name in heat_sink.materials),
        *(name for heat_sink in site.heat_sinks.values() for name in heat_sink.base_materials),
        *(
            layer.material
            for room in site.enclosures.values()
            for area in room.areas
            for layer in area.layers
        ),
    }
    builds = {
        *(name for route in site.routes.values() for name in route.pipes),
        *(run.pipe for run in site.built.pipes),
    }
    for section, used, problem in (
        ("fluids", fluids, "nothing gives or takes it"),
        ("materials", materials, "nothing is made of it"),
        ("pipes", builds, "no route offers it"),
    ):
        for name, record in _section(values, section).items():
            if name not in used:
                record.warn("", problem, "use it or delete it")


def _note_energies(site: Site, values: Values) -> None:
    for name, machine in site.machines.items():
        _note_efficiency(machine, site, _section(values, "machines")[name])
        for fluid in machine.inputs:
            if fluid in machine.outputs:
                _section(values, "machines")[name].warn(
                    "outputs", f"both takes and gives {shown(fluid)}", "give the net flow"
                )
        _note_no_load(site, machine, _section(values, "machines")[name])
    for name, source in site.sources.items():
        held = site.fluids[source.fluid].heating_value
        if source.pump and held is not None and source.pump.energy >= held:
            _section(values, "sources")[name].warn(
                "pump",
                f"its pump takes {format_quantity(source.pump.energy, 'energy_per_mass')}, "
                f"no less than its fluid holds ({format_quantity(held, 'energy_per_mass')})",
                "check 'pump.energy'",
            )


def _note_no_load(site: Site, machine: MachineType, record: Values) -> None:
    """Notes products that fall to nothing at no load: older versions counted them by takings."""
    if machine.no_load <= 0:
        return
    used = {fluid for other in site.machines.values() for fluid in other.inputs}
    used |= {demand.wants for demand in site.demands.values()}
    products = [
        shown(fluid)
        for fluid in machine.outputs
        if fluid in used and not site.fluids[fluid].exhaust
    ]
    if products:
        record.warn(
            "no_load",
            f"at no load it gives no {', no '.join(products)}: products are in step with its "
            "load (earlier versions counted them in step with what it takes: too much firm power)",
            "plan again if a plan of this file was made by an older version",
        )


def _note_efficiency(machine: MachineType, site: Site, record: Values) -> None:
    held = energy_taken(machine, site.fluids)
    if held is None:
        if machine.power_out:
            record.warn(
                "inputs",
                "gives power, but nothing that it takes has a heating value: "
                "its energy is not checked",
                "add 'heating_value' to its fuel",
            )
        return
    useful = machine.power_out or energy_given(machine, site.fluids)
    share = useful / held
    if useful and share < LEAST_EFFICIENCY:
        record.warn(
            "outputs",
            f"turns only {format_quantity(share, 'share')} of the energy that it takes into use",
            "check 'inputs', 'outputs' and the heating value",
        )
    elif machine.power_out and share > MOST_EFFICIENCY:
        record.warn(
            "outputs",
            f"turns {format_quantity(share, 'share')} of its fuel's energy into power",
            "check 'inputs', 'outputs' and the heating value",
        )


def _note_temperatures(values: Values) -> None:
    ambient: Values | None = values.get("ambient")
    given: list[tuple[Values | None, str]] = [(ambient, "temperature")]
    for section, key in (
        ("sources", "temperature"),
        ("machines", "outlet_temperature"),
        ("boosters", "discharge_temperature"),
    ):
        given += [(record, key) for record in _section(values, section).values()]
    for heat_sink in _section(values, "heat_sinks").values():
        given += [
            (heat_sink, key)
            for key in ("initial_temperature", "max_temperature", "max_outlet_temperature")
        ]
    for record, key in given:
        kelvin = record.get(key) if record else None
        if record and kelvin is not None and kelvin < COLDEST:
            record.warn(
                key,
                f"{key} is {format_quantity(kelvin, 'temperature')}",
                "a plain number is kelvin: write degrees as '40 degC'",
            )


def _note_cold_constants(site: Site, values: Values) -> None:
    """Notes values of the catalogue that do not hold as cold as the site or a source is."""
    for address, value in values.where.diagnostics.catalogued.items():
        if value.coldest is None or not address.startswith("fluids."):
            continue
        name = address.removeprefix("fluids.").removesuffix(f".{value.key}")
        known = [s.temperature for s in site.sources.values() if s.fluid == name]
        coldest = min([site.ambient.temperature, *(k for k in known if k is not None)])
        if coldest < value.coldest:
            what = value.key.removeprefix("constants.")
            _section(values, "fluids")[name].warn(
                "catalogue",
                f"gives a {what} that holds down to "
                f"{format_quantity(value.coldest, 'temperature')}, and it may be as cold as "
                f"{format_quantity(coldest, 'temperature')} here",
                f"add 'constants: {{{what}: ...}}' of the supplier at that temperature",
            )


def _note_odd_figures(site: Site, values: Values) -> None:
    for name, route in site.routes.items():
        record = _section(values, "routes")[name]
        ends = [_section(values, "places")[place] for place in (route.start, route.end)]
        if record.has("length") and all(end.has("at") for end in ends):
            straight = line_length(ends[0], ends[1])
            if route.length < straight * (1 - ROUNDED_LENGTH):
                shorter, line = format_apart(route.length, straight, "length")
                record.warn(
                    "length",
                    f"is shorter than the straight line between its places ({shorter} < {line})",
                    "check 'length' and the coordinates",
                )
    for name, fluid in site.fluids.items():
        record = _section(values, "fluids")[name]
        if record.has("emission_weight") and fluid.emission == "none":
            record.warn(
                "emission_weight",
                "has a weight, but its emission counts for nothing",
                "add 'emission: counted'",
            )
    for name, source in site.sources.items():
        if source.when_untapped == "vents" and not site.fluids[source.fluid].vented_weight:
            _section(values, "sources")[name].warn(
                "when_untapped",
                f"gives {shown(source.fluid)}, which counts for nothing when it is vented",
                "give the fluid a 'vented_weight'",
            )
    for name, store in site.storage.items():
        if store.loss * _DAY > 1:
            _section(values, "storage")[name].warn(
                "loss", "loses more than its whole size in a day", "check 'loss', as in '0.1 %/d'"
            )


def _note_other_orders(site: Site, values: Values) -> None:
    """Notes quantities far above or below all others of the same key (and fluid)."""
    like: dict[tuple[str, str, str], list[tuple[str, float]]] = {}

    def add(section: str, key: str, kind: str, name: str, value: float | None) -> None:
        if value:
            like.setdefault((section, key, kind), []).append((name, value))

    for name, source in site.sources.items():
        add("sources", "flow", source.fluid, name, source.flow)
        add("sources", "temperature", "", name, source.temperature)
        add("sources", "pressure", "", name, source.pressure)
    for name, store in site.storage.items():
        add("storage", "size", store.holds, name, store.max_size)
    for name, build in site.pipes.items():
        add("pipes", "capacity", "", name, build.capacity)
        add("pipes", "bore", "", name, build.bore)
    for name, route in site.routes.items():
        add("routes", "length", "", name, route.length)
    for name, machine in site.machines.items():
        add("machines", "outputs", "", name, machine.power_out)
    for name, demand in site.demands.items():
        add("demands", "power", demand.wants, name, demand.mean)
    dimensions = {
        ("sources", "flow"): "mass_rate",
        ("sources", "temperature"): "temperature",
        ("sources", "pressure"): "pressure",
        ("pipes", "capacity"): "mass_rate",
    }
    for (section, key, kind), named in like.items():
        if len(named) <= FEWEST_LIKE:
            continue
        ordered = sorted(value for _, value in named)
        for name, value in named:
            above = value > OTHER_ORDER * ordered[-2]
            if not above and value * OTHER_ORDER >= ordered[1]:
                continue
            power = "power" if kind == POWER else "mass_rate"
            size = "energy" if kind == POWER else "mass"
            dimension = dimensions.get((section, key)) or {
                "size": size,
                "power": power,
                "outputs": "power",
            }.get(key, "length")
            other = ordered[-2] if above else ordered[1]
            _section(values, section)[name].warn(
                key,
                f"{key} is {format_quantity(value, dimension)}, {'above' if above else 'below'} "
                f"all others of its kind ({format_quantity(other, dimension)}) by a factor of "
                f"{grouped(max(value / other, other / value))}",
                "check the unit",
            )


def _note_without_effect(site: Site, values: Values) -> None:
    """Notes keys of pipes that matter only where the capacity is found from the bore, or pressures

    along lines are computed."""
    pressed = any(source.pressure is not None for source in site.sources.values())
    for name, build in site.pipes.items():
        record = _section(values, "pipes")[name]
        for key in ("inlet_pressure", "outlet_pressure", "max_velocity", "max_mach"):
            if record.has(key) and not (build.by_bore or (pressed and build.bore is not None)):
                record.warn(
                    key, f"{key} has no effect, as 'capacity' is given", "delete one of the two"
                )


def _note_lives(site: Site, values: Values) -> None:
    """Notes once that lives have no effect, at the first of them."""
    lives = lives_without_interest(site)
    if not lives:
        return
    section, name = lives[0]
    record = _section(values, section)[name] if section else values
    more = f" (and {len(lives) - 1} more)" if len(lives) > 1 else ""
    record.warn(
        "connection" if section == "sources" else "life",
        f"'life'{more} has no effect, as money is a plain sum without 'discount_rate'",
        "add 'discount_rate', or leave it out",
    )


def _note_unsized(site: Site, values: Values) -> None:
    """Notes fluids of sources that a pipe by bore cannot carry, as no pressure is known."""
    for build in site.pipes.values():
        if not build.by_bore or build.fluids is not None or build.inlet_pressure is not None:
            continue
        fluids = dict.fromkeys(source.fluid for source in site.sources.values())
        unsized = [
            fluid
            for fluid in fluids
            if site.fluids[fluid].phase != "solid"
            and not any(s.pressure for s in site.sources.values() if s.fluid == fluid)
        ]
        if unsized and len(unsized) < len(fluids):
            _section(values, "pipes")[build.name].warn(
                "bore",
                f"it carries no {', no '.join(map(shown, unsized))}: its capacity by bore needs "
                "a pressure, and none is known",
                "add 'pressure' to the sources, 'inlet_pressure' or 'capacity' to the pipe",
            )


def _note_drawn_air(site: Site, values: Values) -> None:
    for name in below_ambient(site):
        _section(values, "sources")[name].warn(
            "pump",
            "its pump holds the chamber below the ambient pressure "
            f"({format_absolute(site.ambient.pressure)}), and its gas burns: air that "
            "leaks in makes it explosive",
            "keep 'min_pressure' above the ambient pressure",
        )


def _note_unused_phases(site: Site, values: Values) -> None:
    """Notes sources that say when they next turn on, where no promise counts on it."""
    timings = timings_of(site)
    for name, source in site.sources.items():
        record = _section(values, "sources")[name]
        if source.next_start is not None and source.clock == "free" and not record.has("clock"):
            record.warn(
                "next_start",
                "says when it next turns on, but not its clock, which is taken as free: firm "
                "output does not count on it",
                "add 'clock: surveyed' or 'clock: calendar' and 'error', or 'clock: free'",
            )
        varies = bool(site.spreads and varying(source, site.spreads))
        if source.clock != "free" and varies:
            record.warn(
                "clock",
                "is known, but its cycle varies from time to time: its phase is lost, and counts "
                "as free",
                "leave out 'varies' where the durations are one unknown value for ever",
            )
        lost = source.drift > 0.0 or (source.clock == "surveyed" and site.survey_ends is not None)
        if source.clock != "free" and not lost and not varies and timings[name].start is None:
            record.warn(
                "clock",
                "is known, but counts as free: its error is half its period or more, or beside the "
                "known clocks before it there is no short common period, or too many spells, "
                "or it rests too short between spells to take the bursts in them together",
                "give a smaller error, fewer stages, or a period that fits the others'",
            )
        _note_inexact(site, source, record, varies)


def _note_inexact(site: Site, source: Source, record: Values, varies: bool) -> None:
    """Notes what firm output does not count on beside a source whose cycle is inexact."""
    if exact_cycle(source, site.spreads):
        return
    key = "drift" if source.drift else "jitter" if source.jitter else "cycle"
    if varies and source.delivered:
        key = "delivery"
    if source.pump is not None and source.pump.chamber is not None:
        record.warn(
            key,
            "makes its cycle inexact: firm output does not count on its chamber, which nothing is "
            "drawn out of through pauses",
            "leave it out where the cycle is exact",
        )
    if any(heat_sink.source == source.name for heat_sink in site.heat_sinks.values()):
        record.warn(
            key,
            "makes its cycle inexact: its heat sink counts as if the source were always on",
            "leave it out where the cycle is exact",
        )
