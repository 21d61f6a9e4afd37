"""The tables of a plan as people read them: chosen columns, words for keys, a note below."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from allocator.base.labels import labelled
from allocator.base.quantities import format_quantity
from allocator.base.table import Table
from allocator.network.records import Network
from allocator.plans.records import BatteryUse, MachineUse, Plan, StoreUse
from allocator.report import heat_tables, line_tables, tables
from allocator.report.loads import mean_load
from allocator.report.passing import flared
from allocator.report.pressures import pressure_ends, unchecked_pipes, valves_of
from allocator.report.tables import with_column
from allocator.report.words import (
    ROUNDED,
    SMALL_PART,
    at,
    count,
    destination,
    percent,
    quantity,
    shape,
)

LOWEST = 12
"""Places with the least margins that a summary lists; all are in pressures.csv."""


def connected_sources(site: Network, plan: Plan) -> Table:
    """Connected sources, each with the flow to what it feeds, in words."""
    return in_words(tables.sources_used(site, plan))


def in_words(table: Table) -> Table:
    """A table with words for keys: of what a source feeds, and of a store at its place."""
    name, words = _KEYS.get(table.name, ("", at))
    if not name:
        return table
    where = [column.name for column in table.columns].index(name)
    rows = [
        (*row[:where], row[where] and words(str(row[where])), *row[where + 1 :])
        for row in table.rows
    ]
    return replace(table, rows=tuple(rows))


def feeds(name: str) -> str:
    """What a source feeds, in words: a destination, or a shape of supply."""
    kind, _, rest = name.partition(":")
    return f"supply, {shape(rest)}" if kind == "supply" else destination(name)


_KEYS = {"sources_used": ("goes_to", feeds), "store_sizes": ("store", at)}
"""The column of a table that holds keys, and how one is said."""


def machines(site: Network, plan: Plan) -> Table:
    """Machines where and how many, and their duty."""
    built = replace(plan, machines=tuple(use for use in plan.machines if use.count > 0))
    found = tables.machine_counts(site, built)
    kinds = [site.machines[use.type] for use in built.machines]
    taken = [kind.power_in if kind.power_in > 0 else None for kind in kinds]
    given = [kind.power_out if kind.power_out > 0 else None for kind in kinds]
    shown = found.select("type", "place", "new", "standing")
    shown = with_column(shown, labelled("power_out_each", "power"), given)
    shown = with_column(shown, labelled("power_in_each", "power"), taken)
    burnt = [
        flared(site, plan, use) if site.machines[use.type].flare else None for use in built.machines
    ]
    return with_column(shown, labelled("duty"), map(duty_words, built.machines, burnt))


def duty_words(use: MachineUse, burnt: tuple[float, float] | None = None) -> str:
    """How a group runs, in words; loads in units at full load.

    ``burnt``: of a flare, what it burns on average and at the most, kg/s.
    """
    if burnt is not None and burnt[1] > 0:
        mean, most = (quantity(rate, "mass_rate") for rate in burnt)
        return f"burns {mean} on average, {most} at most"
    parts = []
    if use.running:
        load = percent((use.flat_load + sum(use.following.values())) / use.running)
        least = ROUNDED * use.running
        followed = ", ".join(shape for shape, load in use.following.items() if load > least)
        way = f", load-following {followed}" if followed else ""
        parts.append(f"{use.running} running, mean load {load}{way}")
    elif mean_load(use) > use.cycled:
        parts.append(f"{count(mean_load(use) - use.cycled)} at full load")
    held = " and ".join(f"{quantity(kg, 'mass')} {name}" for name, kg in use.buffer_vessel.items())
    if use.cycled > 0:
        beside = f"; buffer vessel: {held}" if held else ""
        parts.append(f"1 on {percent(use.cycled)} of the time{beside}")
    burst = sum(use.burst.values())
    if burst > 0:
        into = ", ".join(at(name) for name, units in use.burst.items() if units > 0)
        beside = f"; buffer vessel: {held}" if held and use.cycled <= 0 else ""
        parts.append(f"up to {count(burst)} units direct, charging {into}{beside}")
    return "; ".join(parts) or "spare"


def storage(site: Network, plan: Plan) -> Table:
    """Storage: size, what of it is new, and what each gives at all times."""
    stores = tuple(use for use in plan.stores if use.size > 0)
    batteries = tuple(use for use in plan.batteries if use.size > 0)
    found = tables.store_sizes(site, replace(plan, stores=stores, batteries=batteries))
    shown = found.select("type", "place", "holds", "size_kg", "new_kg", "size_j", "new_j")
    purposes = [*map(_firm_output, stores), *map(_battery_work, batteries)]
    return with_column(shown, labelled("purpose"), purposes)


def _firm_output(use: StoreUse) -> str:
    kept: Mapping[str, float] = {name: rate for name, rate in use.draw.items() if rate > 0}
    return ", ".join(f"{quantity(r, 'mass_rate')} {shape(name)}" for name, r in kept.items())


def _battery_work(battery: BatteryUse) -> str:
    parts = [
        (battery.level_part, "levelling"),
        (sum(battery.burst_part.values()), "bursts"),
        (battery.swing_part, "machine runs"),
    ]
    least = SMALL_PART * battery.size
    return ", ".join(f"{quantity(size, 'energy')} {use}" for size, use in parts if size > least)


def pipes_laid(site: Network, plan: Plan) -> Table:
    """Pipes: from where to where, which build, how long, how full at the busiest moment."""
    return line_tables.pipes(site, plan).select(
        *("name", "start", "end", "build", "carries", "new", "length", "peak", "used_share")
    )


def least_margins(site: Network, plan: Plan) -> Table:
    """Pressures at the places with the least margins, and the valves that they hold with."""
    found = line_tables.pressures(site, plan)
    where = found.keys.index("margin_pa")
    ends = pressure_ends(site, plan)
    places = [(end.place, end.at.fluid) for end in ends]
    # several at one place are parts of it, at temperatures of their own
    nodes = [
        end.at.node if places.count(place) > 1 else end.place
        for end, place in zip(ends, places, strict=True)
    ]
    named = [(node, *row[1:]) for node, row in zip(nodes, found.rows, strict=True)]
    rows = sorted(named, key=lambda row: float(str(row[where])))
    notes = []
    if len(rows) > LOWEST:
        notes.append(f"{len(rows) - LOWEST} more places with wider margins: pressures.csv.")
    valves = sum(valve.count for valve in valves_of(site, plan))
    found = replace(found, rows=tuple(rows[:LOWEST]))
    ambient = format_quantity(site.ambient.pressure, "pressure")
    notes.append(
        f"(g): over the ambient {ambient} absolute. They hold with {valves:.0f} non-return and "
        "control valves, listed under set-points; ratings must be above the pressure shut in."
        + (" Behind boosters that at their outlets counts." if plan.boosters else "")
    )
    if unchecked := unchecked_pipes(site, plan):
        notes.append(
            f"Pressure is not checked in {', '.join(unchecked)}: no bore, or no pressure of its "
            "fluid is known."
        )
    names = ("place", "fluid", "arrives", "leaves", "needs", "margin", "shut_in")
    return found.select(*names, note=" ".join(notes))


def coolers_placed(site: Network, plan: Plan) -> Table:
    """Coolers: where, between which temperatures, their duty at the busiest, their power."""
    return line_tables.coolers(site, plan).select(
        *("units", "place", "fluid", "hottest_inlet_temperature", "set_point", "peak", "capacity"),
        *("duty", "power", "recovered_mean", "recovered_promised"),
    )


def heat_sinks_beside(plan: Plan) -> Table:
    """Heat sinks beside sources: the smallest set that keeps every limit."""
    found = heat_tables.heat_sinks(plan)
    return found.select(
        *("bath", "source", "keeps", "recovery", "cooler", "hottest", "gas_leaves_at", "margin"),
        "least_cooling",
        title="Heat sinks, settled",
        note=found.note,
    )


def limits_by_unit(plan: Plan) -> tuple[Table, Table]:
    """Limits of temperature, and limits of heat: a table each, so that each has its unit."""
    found = heat_tables.heat_limits(plan)
    where, what, _, value, most, margin = found.columns

    def of(name: str, title: str, si: str, kind: str, margin_kind: str) -> Table:
        columns = (
            *(where, what, replace(value, kind=kind), replace(most, kind=kind)),
            replace(margin, kind=margin_kind),
        )
        rows = tuple((*row[:2], *row[3:]) for row in found.rows if row[2] == si)
        return Table(name, title, columns, rows)

    difference = "temperature_difference"
    return (
        of("temperature_limits", "Limits of temperature", "K", "temperature", difference),
        of("power_limits", "Limits of heat", "W", "power", "power"),
    )
