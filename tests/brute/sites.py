"""Small sites by number, of all that the brute force knows, so small that all can be tried.

Numbers are round, so that machines fit sources exactly now and then, and all times are whole
hours that repeat every day.
"""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

from brute.choices import choices
from tiny_program import HOUR
from tiny_sites import CYCLES, GRAM, KILOWATT, KILOWATT_HOUR, PROFILES

from allocator.site.records import (
    POWER,
    Chamber,
    Demand,
    Fluid,
    Layer,
    Limits,
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

MOST_CHOICES = 150
"""Choices of whole numbers of a site at the most; another is drawn where there are more."""

FLUIDS = {
    "gas": Fluid("gas", heating_value=20e6, constants={"molar_mass": 0.026, "density": 1.1}),
    "chips": Fluid("chips", phase="solid", heating_value=26e6),
    "air": Fluid("air", emission="biogenic"),
    "smoke": Fluid("smoke", emission="counted"),
}
DELIVERIES = (Stage(1 * HOUR, 24 * HOUR), Stage(1 * HOUR, 12 * HOUR))
GOALS = (
    ("clean_power", "served_power", "served_fluid", "emissions", "scarce_material"),
    ("clean_power", "served_power", "served_fluid", "scarce_material"),
    ("served_power", "emissions", "served_fluid", "scarce_material"),
    ("served_fluid", "clean_power", "scarce_material"),
)


def drawn_site(number: int) -> Site:
    """The site of a number."""
    for attempt in itertools.count():
        draw = _Draw(
            random.Random(f"brute {number} {attempt}"), random.Random(f"chambers {number}")
        )
        site = draw.site(f"drawn {number}")
        listed = choices(site, firm=True)
        if len(list(itertools.islice(listed, MOST_CHOICES + 1))) <= MOST_CHOICES:
            return site
    raise AssertionError


def venting_site(number: int) -> Site:
    """The site of a number, with gas that counts when it is vented, and a flare."""
    for attempt in itertools.count():
        chance = random.Random(f"venting {number} {attempt}")
        site = _Draw(chance, random.Random(0)).site(f"venting {number}")
        weight, cap = chance.choice([3.0, 27.0]), chance.choice([0.3, 0.6, 0.9, None])
        places = {chance.choice(sorted(site.places)): chance.choice([1, 2])}
        flare = MachineType(
            "flare",
            inputs={"gas": chance.choice([0.5, 2.0]) * GRAM},
            outputs={chance.choice(["air", "smoke"]): 1.0 * GRAM},
            places=places,
            materials={"steel": chance.choice([0.0, 4.0])},
            flare=True,
        )
        gas = replace(FLUIDS["gas"], vented_weight=weight)
        vents = {
            name: replace(source, when_untapped=chance.choice(["stays", "vents"]))
            for name, source in site.sources.items()
            if source.fluid == "gas" and not source.delivered
        }
        coming = sum(weight * source.flow for source in vents.values())
        site = replace(
            site,
            fluids={**FLUIDS, "gas": gas},
            sources={**site.sources, **vents},
            machines={**site.machines, "flare": flare},
            limits=Limits(emission=None if cap is None else cap * coming),
            goals=chance.choice(GOALS[:3]),
        )
        listed = choices(site, firm=True)
        if len(list(itertools.islice(listed, MOST_CHOICES + 1))) <= MOST_CHOICES:
            return site
    raise AssertionError


def battery_site(number: int) -> Site:
    """The site of a number, with a battery of which a share may be used, at rates per size."""
    for attempt in itertools.count():
        chance = random.Random(f"battery {number} {attempt}")
        site = _Draw(chance, random.Random(0)).site(f"battery {number}")
        if "battery" not in site.storage:
            continue
        battery = replace(
            site.storage["battery"],
            usable=chance.choice([0.5, 0.8, 1.0]),
            fill_rate_per_size=chance.choice([None, 0.1 / HOUR, 0.5 / HOUR]),
            release_rate_per_size=chance.choice([None, 0.1 / HOUR, 0.5 / HOUR]),
        )
        site = replace(site, storage={**site.storage, "battery": battery})
        listed = choices(site, firm=True)
        if len(list(itertools.islice(listed, MOST_CHOICES + 1))) <= MOST_CHOICES:
            return site
    raise AssertionError


class _Draw:
    def __init__(self, chance: random.Random, of_chambers: random.Random) -> None:
        self.pick, self.pick_of_chambers = chance.choice, of_chambers.choice
        self.battery = self.pick([True, True, False])
        self.converter = self.pick([True, False])
        self.places = ["works", "near", "far"][: self.pick([1, 2, 2, 3])]

    def site(self, name: str) -> Site:
        pick = self.pick
        builds = [
            PipeType("thin", pick([1.0, 2.0]) * GRAM, (Layer("steel", 1.0),), fluids=("gas",)),
            PipeType("wide", pick([3.0, 5.0]) * GRAM, (Layer("steel", 2.5),), fluids=("gas",)),
        ][: pick([1, 2])]
        offered = tuple(build.name for build in builds)
        routes = [
            Route(
                f"way_{n}",
                place,
                pick(self.places[: n + 1]),
                length=pick([10.0, 30.0]),
                pipes=offered,
                one_way=pick([False, False, True]),
            )
            for n, place in enumerate(self.places[1:])
        ]
        profile = pick(PROFILES)
        machines = self._machines()
        demands = self._demands(profile)
        return Site(
            name=name,
            fluids=FLUIDS,
            materials={
                "steel": Material("steel", stock=pick([40.0, 60.0, 100.0])),
                "wool": Material("wool", stock=pick([5.0, 20.0]), scarcity=pick([1.0, 3.0])),
            },
            places={place: Place(place) for place in self.places},
            sources={source.name: source for source in self._sources()},
            storage={kind.name: kind for kind in self._stores()},
            pipes={build.name: build for build in builds if routes},
            routes={route.name: route for route in routes},
            machines={machine.name: machine for machine in machines},
            demands={demand.name: demand for demand in demands},
            limits=Limits(emission=pick([None, None, 0.8 * GRAM])),
            goals=pick(GOALS),
        )

    def _with_chamber(self, source: Source) -> Source:
        """The source, now and then with a pump that draws from a chamber."""
        pick = self.pick_of_chambers
        if not source.stages or pick([True, True, True, False]):
            return source
        chamber = Chamber(pick([8.0, 25.0, 80.0]), min_pressure=1.1e5)
        rate = pick([None, 0.5 * GRAM, 1.0 * GRAM, 1.5 * GRAM])
        return replace(source, pump=Pump(pick([1e5, 4e5]), rate, chamber=chamber))

    def _sources(self) -> list[Source]:
        pick = self.pick
        found = [
            Source(
                f"spring_{n}",
                self.places[-1 - n % len(self.places)],
                "gas",
                flow=pick([0.5, 0.75, 1.0, 2.0, 4.0]) * GRAM,
                stages=pick(CYCLES[1:]) if n == 0 else pick([(), CYCLES[0], *CYCLES[1:]]),
                connection_materials=pick([{}, {"steel": 8.0}]),
                pump=pick([None, None, None, Pump(4e5), Pump(4e5, 1.5 * GRAM)]),
                pressure=1.5e5,
            )
            for n in range(pick([1, 2, 2, 3]))
        ]
        found = [self._with_chamber(source) for source in found]
        if self.converter:
            delivered = pick([True, False])
            found.append(
                Source(
                    "chips",
                    self.places[0],
                    "chips",
                    flow=pick([10.0, 20.0] if delivered else [0.6, 1.0, 3.0]) * GRAM,
                    stages=(pick(DELIVERIES),) if delivered else (),
                    delivered=delivered,
                )
            )
        elif pick([True, False, False]):
            found.append(
                Source(
                    "bought",
                    "works",
                    "gas",
                    flow=pick([10.0, 25.0]) * GRAM,
                    stages=(pick(DELIVERIES),),
                    delivered=True,
                )
            )
        return found

    def _stores(self) -> list[StoreType]:
        pick = self.pick
        found = []
        if pick([True, True, False]):
            found.append(
                StoreType(
                    "holder",
                    "gas",
                    tuple(self.places[: pick([1, 1, 2])]),
                    max_size=pick([15.0, 60.0]),
                    unit=pick([None, None, 7.5]),
                    materials={"steel": pick([0.5, 1.5])},
                    base_materials=pick([{}, {}, {"wool": 3.0}]),
                    fill_rate=pick([None, None, 2.0 * GRAM]),
                    release_rate=pick([None, None, 1.2 * GRAM]),
                    loss=pick([0.0, 2e-7]),
                )
            )
        if self.converter and pick([True, True, False]):
            found.append(
                StoreType(
                    "bunker",
                    "chips",
                    ("works",),
                    max_size=pick([30.0, 90.0]),
                    materials={"wool": pick([0.05, 0.3])},
                )
            )
        if self.battery:
            found.append(
                StoreType(
                    "battery",
                    POWER,
                    ("works",),
                    max_size=pick([8.0, 40.0]) * KILOWATT_HOUR,
                    unit=pick([None, None, 4.0 * KILOWATT_HOUR]),
                    materials={"steel": pick([0.0, 1.0]) / KILOWATT_HOUR},
                    charge_efficiency=pick([1.0, 0.9]),
                    fill_rate=pick([None, None, None, 4.0 * KILOWATT]),
                    release_rate=pick([None, None, None, 3.0 * KILOWATT]),
                    loss=pick([0.0, 3e-8]),
                )
            )
        return found

    def _machines(self) -> list[MachineType]:
        pick = self.pick
        found = [
            MachineType(
                f"engine_{n}",
                inputs={"gas": pick([1.0, 1.5]) * GRAM},
                outputs={pick(["air", "smoke"]) if n else "air": 2.5 * GRAM},
                places={"works": pick([1, 2])},
                power_out=pick([5.0, 6.0]) * KILOWATT,
                no_load=pick([0.0, 0.0, 0.2]),
                min_load=pick([0.0, 0.0, 0.47]),
                min_up_time=pick([60.0, 1800.0]),
                min_down_time=pick([0.0, 0.0, 0.0, 2.0 * HOUR]),
                materials={"steel": pick([0.0, 12.0])},
            )
            for n in range(pick([1, 1, 2]))
        ]
        if self.converter:
            found.append(
                MachineType(
                    "gasifier",
                    inputs={"chips": pick([1.0, 2.0]) * GRAM},
                    outputs={"gas": pick([0.6, 1.2]) * GRAM, pick(["air", "smoke"]): 0.4 * GRAM},
                    places={"works": pick([1, 2])},
                    power_in=pick([0.0, 0.3]) * KILOWATT,
                    no_load=pick([0.0, 0.25, 0.5]),
                    min_load=pick([0.0, 0.3]),
                    materials={"steel": pick([0.0, 6.0])},
                )
            )
        return found

    def _demands(self, profile: Profile | None) -> list[Demand]:
        pick = self.pick
        found = [Demand("load", POWER, pick([2.0, 5.0, 9.0, 30.0]) * KILOWATT, profile=profile)]
        if pick([True, False, False]):
            found.append(
                Demand(
                    "kiln",
                    "gas",
                    pick([0.2, 0.6]) * GRAM,
                    place=pick(self.places),
                    profile=pick([None, profile]),
                )
            )
        return found
