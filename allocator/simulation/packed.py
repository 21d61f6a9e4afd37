"""The columns of a run behind pointers (:mod:`allocator.base.packing`)."""

from __future__ import annotations

from allocator.base.compiling import compiled
from allocator.base.packing import Pointer, PointerType, define
from allocator.simulation.columns import Sums, Tables, UnitStates


class _TablesType(PointerType):
    """Of :class:`Tables`."""


class PackedTables(Pointer):
    """What compiled loops see of :class:`Tables`."""


define(PackedTables, _TablesType, Tables)


class _SumsType(PointerType):
    """Of :class:`Sums`."""


class PackedSums(Pointer):
    """What compiled loops see of :class:`Sums`."""


define(PackedSums, _SumsType, Sums)


class _UnitStatesType(PointerType):
    """Of :class:`UnitStates`."""


class PackedUnitStates(Pointer):
    """What compiled loops see of :class:`UnitStates`."""


define(PackedUnitStates, _UnitStatesType, UnitStates)


@compiled
def packed_tables(tables: Tables) -> Tables:
    """The same arrays behind a pointer."""
    return PackedTables(
        tables.node_at,
        tables.times,
        tables.values,
        tables.periods,
        tables.offsets,
        tables.steady,
        tables.term_at,
        tables.term_clock,
        tables.term_weight,
        tables.touched_at,
        tables.touched,
        tables.sizes,
        tables.reserves,
        tables.losses,
        tables.firsts,
        tables.has_arc,
        tables.tank_worth,
        tables.tank_bus,
        tables.tank_clean,
        tables.burner_bus,
        tables.burner_clean,
        tables.burner_group,
        tables.burner_turns,
        tables.burner_power,
        tables.burner_take,
        tables.arc_tank,
        tables.arc_burner,
        tables.arc_most,
        tables.throttle_bus,
        tables.throttle_group,
        tables.throttle_tank,
        tables.throttle_fuel,
        tables.group_bus,
        tables.group_clean,
        tables.group_needed,
        tables.group_spare,
        tables.bought_from,
        tables.want_from,
        tables.burner_from,
        tables.throttle_from,
        tables.power_from,
        tables.failed_from,
        tables.load_from,
        tables.buses,
        tables.loads,
        tables.batches,
        tables.batch_run,
        tables.batch_rest,
        tables.batch_least,
        tables.batch_power,
        tables.batch_units,
        tables.group_batches,
        tables.drains,
        tables.runs,
        tables.kept,
    )


@compiled
def packed_sums(sums: Sums) -> Sums:
    """The same arrays behind a pointer."""
    return PackedSums(
        sums.tank,
        sums.burner,
        sums.throttle,
        sums.load,
        sums.bus,
        sums.clock,
        sums.whole,
        sums.sample_level,
        sums.sample_low,
        sums.sample_high,
        sums.sample_spill,
        sums.event_time,
        sums.event_kind,
        sums.event_index,
        sums.event_number,
        sums.event_value,
        sums.event_count,
        sums.started,
    )
