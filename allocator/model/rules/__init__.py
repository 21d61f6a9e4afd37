"""The rules of the program: one named function a rule, its inequality in the docstring.

The lists below are the table of contents of the program: the firm basis uses all of them,
the mean basis those that do not speak of stores and bursts.
"""

from __future__ import annotations

from allocator.model.index_sets import IndexSets
from allocator.model.model import Model
from allocator.model.rules import (
    boosters,
    collect,
    heat,
    machines,
    outages,
    power,
    pressure,
    ratings,
    recovery,
    stock,
    stores,
    supply,
    venting,
)

COMMON = (
    collect.source_capacity,
    supply.supply_balance,
    supply.reshaped_products,
    supply.one_build_a_pipe,
    supply.one_mass_a_sink,
    supply.pipe_capacity,
    machines.places_and_types,
    machines.running_limit,
    power.line_capacity,
    power.power_balance,
    power.share_limit,
    stores.store_sizes,
    stock.material_stock,
    heat.heat_into_places,
    heat.heat_demands,
    recovery.recovered_flow,
    recovery.recovered_of_sources,
    recovery.recovered_unfed,
    stock.emission_cap,
    stock.money_cap,
    pressure.one_direction,
    pressure.peak_flow,
    pressure.pressure_drop,
    pressure.two_potentials,
    pressure.source_pressure,
    pressure.inlet_pressure,
    boosters.boosters,
    boosters.booster_units,
    ratings.rating,
)

FIRM = (
    collect.chamber_mean,
    collect.collect_balance,
    collect.fill_rate,
    stores.release_rate,
    stores.long_run,
    stores.idle_store,
    machines.shared_units,
    machines.machine_count,
    machines.min_load,
    machines.cycled_unit,
    machines.batched_bursts,
    venting.overflow_burnt,
    power.battery_parts,
    power.surplus_share,
    power.battery_rates,
    power.batteries_handed_over,
    power.burst_long_run,
    power.battery_behind,
    power.swing_reserve,
    pressure.spur_layers,
    pressure.store_pressure,
    pressure.steady_filling,
    outages.machines_out,
)


def state_rules(model: Model, sets: IndexSets) -> None:
    """State every rule of the firm program, or of the mean basis where stores do not matter."""
    for rule in COMMON:
        rule(model, sets)
    if not sets.lossless:
        for rule in FIRM:
            rule(model, sets)
