"""The variables of the program and their keys.

Keys are tuples that begin with a word:

===================================  =============================================================
``("tap", s)``                       source s is tapped, 0 or 1 (its chamber with it)
``("collect", s, k)``                rate from source s to destination k while s is on, kg/s
``("direct", s, j)``                 mean rate of a steady source into the supply layer, shape j
``("gather", route, start, f, p)``   collect flow of fluid f bound for place p on an arc, kg/s
``("supply", route, start, f, j)``   supply flow of fluid f and shape j on an arc, mean kg/s
``("lay", route, build, f)``         this build carries fluid f on the route, 0 or 1
``("way", route, start, build, f)``  this build carries fluid f from this end, 0 or 1
``("size", k)``                      new size of a store or battery, kg or J
``("stand", k)``                     a store is built at a place that had none, 0 or 1
``("grows", k)``                     a store that exists is made larger, 0 or 1
``("units", k)``                     whole units of new size
``("draw", k, j)``                   what store k releases, shape j, mean kg/s
``("inflow", k)``                    steady inflow of store k from the supply layer, kg/s
``("idle", k)``                      loss of a store that stands and promises nothing, kg/s
``("promises", k)``                  a store that stands promises something, 0 or 1
``("count", g)``                     new machines of a group
``("running", g)``                   units that turn for ever
``("flat", g)``, ``("follow", g, j)``  their load, flat and following shape j (mean), in units
``("cycled", g)``, ``("cycling", g)``  load of one more unit run on and off; 1 when there is one
``("beside", g)``                    units that burn what comes and do not turn for ever
``("lumps", g)``                     1 when some of them are run on and off for it
``("guards", g, k)``                 flare g burns what overflows of store k, 0 or 1
``("guarded", g, k)``                what comes to store k at once, where it does, kg/s
``("flared", g, k)``                 what overflows of it, mean kg/s
``("always", f)``                    1: what is vented whatever the plan does is a multiple of it
``("evened", g, f, j)``              what a group gives of f following j that is used steady, kg/s
``("lent", g, f, j)``                steady kg/s that a group gives of f for what follows j
``("level", b, d, c)``               mean power of demand d served by levelling in battery b, W
``("surplus", b, d, c, i)``          of it with more generation than the least, in step i, W
``("burst_part", b, c)``             share of battery b behind bursts of class c, J
``("release", b, c, j)``             what that share promises, shape j, mean W
``("swing", b)``                     share of battery b kept for what is run on and off, J
``("served", d, c)``                 mean power of demand d served straight from its pool, W
``("served_fluid", d)``              mean flow of a fluid demand served, kg/s
``("wire", line, start, c, j)``      power sent on a line, W
``("line", line)``                   a line is built, 0 or 1
``("recover", route, j)``            supply flow through a cooler whose heat counts as power, kg/s
``("fed", place, f)``                anything but its own sources feeds a cooler's place, 0 or 1
``("high", place, f)``, ``("low", place, f)``  potentials of its headers, above the fluid's base
``("directed", route, start, build, f)``  the build carries fluid f this way alone, 0 or 1
``("peak", route, start, build, f)``  its peak flow, kg/s
``("spur", route, inner, build, f)``  the build fills what lies beyond, and gives back, 0 or 1
``("filling", route, inner, build, f)``, ``("release", ...)``  its peak flows, kg/s
``("steady", route, start, f)``      flat supply on an arc that comes to the high header, kg/s
``("drawn", s)``                     an existing source is not shut, 0 or 1
``("takes", g)``, ``("holds", k)``   a group takes anything; a store is used, 0 or 1
``("boost", booster, ...)``          a booster at the inlet of an arc or store, 0 or 1
``("boosted", booster, ...)``        flow through it, kg/s
``("stands", g, i)``                 a group has i units or more, 0 or 1
``("out", w, key)``                  another column of this list, in scenario w of units out
===================================  =============================================================

Classes c are ``clean`` and ``emitting``; shapes j are ``flat`` or a profile's name.
"""

from __future__ import annotations

import math

from allocator.model.expressions import bursts, can_cycle, is_batched, recovering, reshaped
from allocator.model.growth import least_growth
from allocator.model.index_sets import CLASSES, IndexSets
from allocator.model.model import INFINITY, Model
from allocator.model.outages import declare_outages
from allocator.model.pressures import declare_pressures
from allocator.model.rules.venting import always, declare_flares
from allocator.model.ways import way
from allocator.plans.records import FLAT


def _step(values: list[float]) -> float:
    """A power of two near the middle of some magnitudes."""
    found = sorted(v for v in values if v > 0 and math.isfinite(v))
    if not found:
        return 1.0
    return float(2.0 ** round(math.log2(found[len(found) // 2])))


def declare(model: Model, sets: IndexSets) -> None:
    """State every variable of the program."""
    site = sets.site
    flow_unit = _step([site.sources[s].flow for s in sets.sources])
    power_unit = _step(
        [g.type.power_out for g in sets.groups.values()] + [d.mean for d in sets.power_demands()]
    )
    _sources(model, sets, flow_unit)
    _pipes(model, sets, flow_unit)
    _stores(model, sets, flow_unit)
    _machines(model, sets)
    declare_flares(model, sets, flow_unit)
    for fluid in sets.always_coming:
        if site.fluids[fluid].vented_weight:
            model.variable(always(fluid), 1.0, 1.0)
    _power(model, sets, power_unit)
    if sets.pressures is not None:
        declare_pressures(model, sets, sets.pressures, flow_unit)
    declare_outages(model, sets)


def _sources(model: Model, sets: IndexSets, unit: float) -> None:
    site = sets.site
    for name in sets.sources:
        source = site.sources[name]
        existing = name in site.built.sources
        if not source.part_of:
            model.variable(("tap", name), 1.0 if existing else 0.0, 1.0, integer=not existing)
        for destination in sets.reach[name]:
            model.variable(("collect", name, destination), 0.0, source.flow, unit)
        if source.steady:
            for shape in sets.fluid_shapes[source.fluid]:
                model.variable(("direct", name, shape), 0.0, source.flow, unit)


def _pipes(model: Model, sets: IndexSets, unit: float) -> None:
    site = sets.site
    for (route, fluid), pipe in sets.pipes.items():
        for build in pipe.builds:
            # the solver finds a pipe's cuts where the sum of its ways is no integer of its own
            both = (route, fluid) in sets.two_way
            model.variable(("lay", route, build, fluid), 0.0, 1.0, integer=True, implied=both)
        most = max(site.capacity(route, b, fluid) for b in pipe.builds)
        for arc in sets.arcs_along(route, fluid):
            for build in pipe.builds if (route, fluid) in sets.two_way else ():
                model.variable(way(route, arc.start, build, fluid), high=1.0, integer=True)
            for place in sets.ends(fluid):
                if arc.start != place:
                    model.variable(("gather", route, arc.start, fluid, place), 0.0, most, unit)
            for shape in sets.fluid_shapes[fluid]:
                model.variable(("supply", route, arc.start, fluid, shape), 0.0, most, unit)
    for arc, recovery, shapes in recovering(sets):
        for shape in shapes:
            model.variable(("recover", arc.route, shape), 0.0, INFINITY, unit)
        if not recovery.always and not model.has(("fed", arc.start, arc.fluid)):
            model.variable(("fed", arc.start, arc.fluid), 0.0, 1.0, integer=True)


def _stores(model: Model, sets: IndexSets, flow_unit: float) -> None:
    stores = {**sets.fluid_stores, **sets.batteries}
    for name, store in stores.items():
        kind = store.type
        room = max(0.0, kind.max_size - store.existing)
        model.variable(("size", name), 0.0, room, _step([kind.max_size]))
        if kind.unit is not None:
            most = math.floor(room / kind.unit * (1 + 1e-12))
            model.variable(("units", name), 0.0, float(most), integer=True)
        asks = kind.base_materials or kind.base_price > 0 or kind.min_size > 0
        if asks and store.existing == 0:
            model.variable(("stand", name), 0.0, 1.0, integer=True)
        if least_growth(store) > 0:
            model.variable(("grows", name), 0.0, 1.0, integer=True)
    if sets.lossless:
        return
    for name, store in sets.fluid_stores.items():
        for shape in sets.fluid_shapes[store.type.holds]:
            model.variable(("draw", name, shape), 0.0, INFINITY, flow_unit)
        model.variable(("inflow", name), 0.0, INFINITY, flow_unit)
        if (lost := store.type.loss * store.existing) > 0:
            model.variable(("idle", name), 0.0, lost, lost)
            model.variable(("promises", name), 0.0, 1.0, integer=True)


def _machines(model: Model, sets: IndexSets) -> None:
    for name, group in sets.groups.items():
        most = INFINITY if group.most_new is None else float(group.most_new)
        model.variable(("count", name), 0.0, most, integer=True)
        model.variable(("flat", name))
        if sets.lossless:
            continue
        model.variable(("running", name), integer=True)
        for fluid in group.type.outputs:
            for key, _, _ in reshaped(sets, group, fluid):
                model.variable(key, unit=_step([group.type.outputs[fluid]]))
        if sets.flared.get(name) or (group.type.flare and bursts(sets, name)):
            model.variable(("beside", name))
        if group.type.power_out > 0:
            for shape in sets.power_shapes():
                model.variable(("follow", name, shape))
            if can_cycle(sets, group):
                model.variable(("cycled", name), 0.0, 1.0)
                model.variable(("cycling", name), 0.0, 1.0, integer=True)
            if bursts(sets, name):
                model.variable(("beside", name))
                if is_batched(group):
                    model.variable(("lumps", name), 0.0, 1.0, integer=True)


def _power(model: Model, sets: IndexSets, unit: float) -> None:
    site = sets.site
    for demand in sets.power_demands():
        for kind in CLASSES:
            model.variable(("served", demand.name, kind), 0.0, demand.mean, unit)
    for demand in sets.fluid_demands():
        model.variable(("served_fluid", demand.name), 0.0, demand.mean, _step([demand.mean]))
    shapes = (FLAT, *sets.power_shapes())
    for name in sets.lines:
        existing = name in site.built.power_lines
        model.variable(("line", name), 1.0 if existing else 0.0, 1.0, integer=not existing)
        line = site.power_lines[name]
        for start in (line.start, line.end):
            for kind in CLASSES:
                for shape in shapes:
                    model.variable(("wire", name, start, kind, shape), 0.0, line.capacity, unit)
    if sets.lossless:
        return
    for name, battery in sets.batteries.items():
        energy = _step([battery.type.max_size])
        model.variable(("swing", name), 0.0, battery.type.max_size, energy)
        for kind in CLASSES:
            model.variable(("burst_part", name, kind), 0.0, battery.type.max_size, energy)
            for shape in shapes:
                model.variable(("release", name, kind, shape), 0.0, INFINITY, unit)
            for demand in sets.power_demands():
                if demand.profile is not None and sets.bus(demand.place) == sets.bus(battery.place):
                    model.variable(("level", name, demand.name, kind), 0.0, demand.mean, unit)
                    for number in range(len(sets.levellings[name, demand.name].surplus)):
                        key = ("surplus", name, demand.name, kind, str(number))
                        model.variable(key, 0.0, demand.mean, unit)
