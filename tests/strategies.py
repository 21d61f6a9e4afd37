"""Whole random sites for property tests: small, and always valid by the reader's rules.

Numbers are drawn from short lists of round values, so that a failing site shrinks to something
that a person can read. A new feature of the site file is not done until it is drawn here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from hypothesis import strategies as st

from allocator.site.records import (
    POWER,
    Built,
    BuiltPipe,
    Chamber,
    Demand,
    Fluid,
    HeatSink,
    HeatSinkCooler,
    HeatSinkRecovery,
    Layer,
    Limits,
    Line,
    MachineType,
    Material,
    PipeType,
    Place,
    Profile,
    Pump,
    Route,
    Site,
    Source,
    Stage,
    StoreType,
)

HOUR = 3600.0
GRAM = 1e-3
KILOWATT = 1e3
KILOWATT_HOUR = 3.6e6

FLUIDS = {
    "gas": Fluid("gas", heating_value=20e6, constants={"molar_mass": 0.026}),
    "oil": Fluid("oil", phase="liquid", heating_value=40e6),
    "breath": Fluid("breath", emission="biogenic"),
    "smoke": Fluid("smoke", emission="counted"),
}
FUELS = ("gas", "oil")


@st.composite
def cycles(draw: st.DrawFn, most_stages: int = 3) -> tuple[Stage, ...]:
    """None to three nested stages with round times; each inner period fits its outer on-time."""
    count = draw(st.integers(0, most_stages))
    stages: list[Stage] = []
    room = draw(st.sampled_from([0.25, 1.0, 2.0, 3.5])) * HOUR
    for _ in range(count):
        every = room * draw(st.sampled_from([1.0, 1.25, 2.0, 3.0]))
        on = every * draw(st.sampled_from([0.25, 0.5, 0.75, 0.9]))
        if stages and on < stages[-1].every:
            on = stages[-1].every
        if on >= every:  # a stage that is always on is no stage: the reader leaves it out
            every = on * 1.25
        stages.append(Stage(on, every))
        room = every * draw(st.sampled_from([2.0, 3.0, 5.5]))
    return tuple(stages)


@st.composite
def profiles(draw: st.DrawFn) -> Profile | None:
    """None, or two to four equal steps over half a day or a day, of mean 1."""
    steps = draw(st.sampled_from([0, 0, 2, 3, 4]))
    if steps == 0:
        return None
    period = draw(st.sampled_from([12.0, 24.0])) * HOUR
    shape = [draw(st.sampled_from([0.5, 1.0, 1.5, 2.0])) for _ in range(steps)]
    if len(set(shape)) == 1:
        shape[0] += 0.5
    mean = math.fsum(shape) / steps
    levels = tuple(level / mean for level in shape)
    starts = tuple(period * number / steps for number in range(steps))
    return Profile(period, starts, levels)


@dataclass(frozen=True)
class Sketch:
    """What the parts of a site must agree on while it is drawn."""

    places: tuple[str, ...]
    materials: tuple[str, ...]
    fuels: tuple[str, ...]


def _some_places(sketch: Sketch, most: int = 2) -> st.SearchStrategy[tuple[str, ...]]:
    return st.lists(st.sampled_from(sketch.places), min_size=1, max_size=most, unique=True).map(
        lambda chosen: tuple(sorted(chosen))
    )


@st.composite
def _sources(draw: st.DrawFn, sketch: Sketch) -> dict[str, Source]:
    found = {}
    for number in range(draw(st.integers(1, 4))):
        name = f"source_{number}"
        fuel = draw(st.sampled_from(sketch.fuels))
        bought = fuel == "oil"
        flow = draw(st.sampled_from([1.0, 2.0, 3.5, 6.0])) * GRAM
        stages: tuple[Stage, ...] = draw(cycles())
        if bought:
            every = draw(st.sampled_from([24.0, 60.0])) * HOUR
            flow, stages = 0.2, (Stage(every / 60.0, every),)
        pump = draw(
            st.sampled_from(
                [
                    None,
                    None,
                    Pump(3e5),
                    Pump(2e5, rate=2.0 * GRAM),
                    Pump(2e5, rate=2.0 * GRAM, chamber=Chamber(20.0, 1.1e5)),
                ]
            )
        )
        found[name] = Source(
            name,
            place=draw(st.sampled_from(sketch.places)),
            fluid=fuel,
            flow=flow,
            stages=stages,
            connection_materials=draw(st.sampled_from([{}, {sketch.materials[0]: 20.0}])),
            connection_price=draw(st.sampled_from([0.0, 500.0])),
            price=1.5 if bought else 0.0,
            delivered=bought,
            pump=None if bought else pump,
            pressure=1.5e5 if pump is not None and pump.chamber and not bought else None,
        )
    return found


@st.composite
def _fluid_stores(draw: st.DrawFn, sketch: Sketch) -> dict[str, StoreType]:
    found = {}
    for number in range(draw(st.integers(0, 2))):
        name = f"holder_{number}"
        unit = draw(st.sampled_from([None, None, 10.0]))
        based = draw(st.booleans())
        found[name] = StoreType(
            name,
            holds=sketch.fuels[number % len(sketch.fuels)],
            places=draw(_some_places(sketch)),
            max_size=draw(st.sampled_from([40.0, 120.0, 400.0])),
            min_size=draw(st.sampled_from([0.0, 20.0])),
            unit=unit,
            materials={sketch.materials[0]: draw(st.sampled_from([1.0, 4.0]))},
            base_materials={sketch.materials[-1]: 30.0} if based else {},
            price=2.0,
            fill_rate=draw(st.sampled_from([None, None, 5.0 * GRAM])),
            release_rate=draw(st.sampled_from([None, None, 3.0 * GRAM])),
            loss=draw(st.sampled_from([0.0, 0.0, 1e-7])),
        )
    return found


@st.composite
def _battery(draw: st.DrawFn, sketch: Sketch) -> dict[str, StoreType]:
    if not draw(st.booleans()):
        return {}
    battery = StoreType(
        "battery",
        holds=POWER,
        places=draw(_some_places(sketch)),
        max_size=draw(st.sampled_from([20.0, 200.0])) * KILOWATT_HOUR,
        unit=draw(st.sampled_from([None, 5.0 * KILOWATT_HOUR])),
        materials={sketch.materials[-1]: 2.0 / KILOWATT_HOUR},
        price=100.0 / KILOWATT_HOUR,
        charge_efficiency=draw(st.sampled_from([1.0, 0.9])),
        fill_rate=draw(st.sampled_from([None, 40.0 * KILOWATT])),
        release_rate=draw(st.sampled_from([None, 40.0 * KILOWATT])),
        loss=draw(st.sampled_from([0.0, 1e-8])),
    )
    return {battery.name: battery}


@st.composite
def _builds(draw: st.DrawFn, sketch: Sketch) -> dict[str, PipeType]:
    found = {}
    for number in range(draw(st.integers(1, 3))):
        name = f"pipe_{number}"
        layers = [Layer(sketch.materials[0], (number + 1) * 1.5)]
        if number and len(sketch.materials) > 1:
            layers.append(Layer(sketch.materials[1], 0.5))
        found[name] = PipeType(
            name,
            capacity=draw(st.sampled_from([1.0, 2.5, 4.0, 8.0])) * GRAM,
            layers=tuple(layers),
            price=5.0 * (number + 1),
            fluids=draw(st.sampled_from([None, None, sketch.fuels])),
        )
    return found


@st.composite
def _routes(draw: st.DrawFn, sketch: Sketch, builds: tuple[str, ...]) -> dict[str, Route]:
    pairs = [
        (draw(st.sampled_from(sketch.places[:end])), sketch.places[end])
        for end in range(1, len(sketch.places))
    ]
    for _ in range(draw(st.integers(0, 2))):
        ends = draw(st.permutations(sketch.places))
        pairs.append((ends[0], ends[1]))
    found = {}
    for number, (start, end) in enumerate(pairs):
        name = f"route_{number}"
        found[name] = Route(
            name,
            start,
            end,
            length=draw(st.sampled_from([20.0, 60.0, 150.0])),
            pipes=builds,
            one_way=draw(st.sampled_from([False, False, True])),
            cost=draw(st.sampled_from([0.0, 0.01])),
        )
    return found


def _runs(draw: st.DrawFn) -> dict[str, float]:
    """Run and rest times: none, those that a file without them has, or some that count."""
    run, burst = draw(st.sampled_from([(0.0, 0.0), (600.0, 0.0), (900.0, 900.0)]))
    rest = draw(st.sampled_from([0.0, 0.0, 1200.0]))
    return {"min_up_time": run, "min_burst_time": burst, "min_down_time": rest}


@st.composite
def _machines(draw: st.DrawFn, sketch: Sketch) -> dict[str, MachineType]:
    found = {}
    for number in range(draw(st.integers(1, 2))):
        fuel = sketch.fuels[number % len(sketch.fuels)]
        name = f"{fuel}_set_{number}"
        power = draw(st.sampled_from([4.0, 10.0])) * KILOWATT
        rate = power / 0.3 / (FLUIDS[fuel].heating_value or 1.0)
        gas = "smoke" if fuel == "oil" else "breath"
        found[name] = MachineType(
            name,
            inputs={fuel: rate},
            outputs={gas: 2.5 * rate},
            power_out=power,
            places={
                place: draw(st.sampled_from([1, 2, 4])) for place in draw(_some_places(sketch))
            },
            no_load=draw(st.sampled_from([0.0, 0.15])),
            min_load=draw(st.sampled_from([0.0, 0.4])),
            **_runs(draw),
            materials={sketch.materials[0]: draw(st.sampled_from([0.0, 50.0]))},
            price=1000.0,
            max_units=draw(st.sampled_from([None, 2])),
        )
    if draw(st.sampled_from([False, False, True])):
        # A converter of no great use: it takes power and gives back fuel.
        found["maker"] = MachineType(
            "maker",
            inputs={},
            outputs={"gas": 0.05 * GRAM},
            power_in=2.0 * KILOWATT,
            places={draw(st.sampled_from(sketch.places)): 1},
        )
    return found


@st.composite
def _demands(draw: st.DrawFn, sketch: Sketch, lines: bool) -> dict[str, Demand]:
    found = {}
    for number in range(draw(st.integers(1, 2))):
        name = f"load_{number}"
        placed = lines or draw(st.booleans())
        found[name] = Demand(
            name,
            POWER,
            mean=draw(st.sampled_from([3.0, 8.0, 20.0])) * KILOWATT,
            place=draw(st.sampled_from(sketch.places)) if placed else None,
            profile=draw(profiles()),
            priority=draw(st.sampled_from([1, 1, 2])),
        )
    if draw(st.sampled_from([False, False, True])):
        found["works"] = Demand(
            "works",
            "gas",
            mean=draw(st.sampled_from([0.2, 1.0])) * GRAM,
            place=draw(st.sampled_from(sketch.places)),
            profile=draw(profiles()),
        )
    return found


@st.composite
def _lines(draw: st.DrawFn, sketch: Sketch) -> dict[str, Line]:
    if len(sketch.places) < 3 or not draw(st.sampled_from([False, False, False, True])):
        return {}
    return {
        f"line_{number}": Line(
            f"line_{number}",
            sketch.places[number],
            sketch.places[number + 1],
            capacity=draw(st.sampled_from([5.0, 30.0])) * KILOWATT,
            length=100.0,
            loss=draw(st.sampled_from([0.0, 0.03])),
            materials={sketch.materials[-1]: 0.2},
            price=4.0,
        )
        for number in range(len(sketch.places) - 1)
    }


@st.composite
def _built(draw: st.DrawFn, site: Site) -> Built:
    """Now and then a tap, a run, a store and a machine that stand already."""
    if not draw(st.sampled_from([False, False, True])):
        return Built()
    source = site.sources["source_0"]
    runs: tuple[BuiltPipe, ...] = ()
    if site.routes and draw(st.booleans()):
        build = site.pipes[site.routes["route_0"].pipes[0]]
        runs = (BuiltPipe("route_0", build.name, source.fluid),)
    stores = {}
    for store in site.storage.values():
        if draw(st.booleans()):
            stores[store.name, store.places[0]] = store.unit or store.max_size / 4
    machines = {}
    for machine in site.machines.values():
        if draw(st.booleans()):
            machines[machine.name, next(iter(machine.places))] = 1
    return Built(sources=(source.name,), pipes=runs, storage=stores, machines=machines)


@st.composite
def sites_with_heat_sinks(draw: st.DrawFn) -> Site:
    """A small site with a bath or two: stones that are heated, water or oil in which gas cools."""
    site = draw(sites())
    water = Fluid("water", phase="liquid", substance="Water")
    oil_bath = Fluid("thermal_oil", phase="liquid", constants={"specific_heat": 2000.0})
    heat_sinks = {}
    for number in range(draw(st.integers(1, 2))):
        kind = draw(st.sampled_from(["stones", "water", "thermal_oil"]))
        mass = draw(st.sampled_from([50.0, 500.0, 5000.0]))
        hottest = draw(st.sampled_from([340.0, 360.0, 390.0]))
        heat_sinks[f"bath_{number}"] = HeatSink(
            f"bath_{number}",
            source=draw(st.sampled_from(list(site.sources))),
            mass=mass,
            max_mass=draw(st.sampled_from([1.0, 8.0])) * mass,
            loss_conductance=draw(st.sampled_from([2.0, 20.0, 200.0])),
            initial_temperature=draw(st.sampled_from([288.15, 330.0])),
            pressure=101_325.0,
            max_temperature=hottest,
            fluid=None if kind == "stones" else kind,
            specific_heat=800.0 if kind == "stones" else None,
            effectiveness=draw(st.sampled_from([0.5, 1.0])),
            heat_while_on=draw(st.sampled_from([500.0, 5 * KILOWATT])),
            steam_recovered=draw(st.booleans()),
            recovery=draw(
                st.sampled_from([None, HeatSinkRecovery(2 * KILOWATT, 335.0, 0.08, 288.15)])
            ),
            cooler=draw(st.sampled_from([None, HeatSinkCooler(KILOWATT, hottest - 10.0, 0.05)])),
        )
    return replace(
        site, fluids={**site.fluids, "water": water, "thermal_oil": oil_bath}, heat_sinks=heat_sinks
    )


@st.composite
def sites(draw: st.DrawFn) -> Site:
    """A whole small site: one to four sources, two to five places, one or two fuels."""
    places = tuple(f"place_{number}" for number in range(draw(st.integers(2, 5))))
    materials = draw(st.sampled_from([("steel",), ("steel", "wool")]))
    fuels = draw(st.sampled_from([("gas",), ("gas",), FUELS]))
    sketch = Sketch(places, materials, fuels)
    builds = draw(_builds(sketch))
    lines = draw(_lines(sketch))
    site = Site(
        name="drawn",
        fluids=FLUIDS,
        materials={
            name: Material(
                name,
                stock=draw(st.sampled_from([None, 100.0, 300.0, 800.0, 2000.0])),
                price=2.0,
                scarcity=draw(st.sampled_from([1.0, 2.0])),
            )
            for name in materials
        },
        places={
            name: Place(name, x=100.0 * number, y=50.0 * (number % 2))
            for number, name in enumerate(places)
        },
        sources=draw(_sources(sketch)),
        storage={**draw(_fluid_stores(sketch)), **draw(_battery(sketch))},
        pipes=builds,
        routes=draw(_routes(sketch, tuple(builds))),
        machines=draw(_machines(sketch)),
        demands=draw(_demands(sketch, bool(lines))),
        power_lines=lines,
        limits=Limits(emission=draw(st.sampled_from([None, None, 0.2 * GRAM]))),
    )
    return replace(site, built=draw(_built(site)))
