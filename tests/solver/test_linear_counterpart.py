"""A promise that withstands sources, against the linear counterpart written out with its duals."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog
from tiny_program import DAY, HOUR, on_hours, sums

from allocator.plans.records import Robustness
from allocator.search import Settings, make_plan
from allocator.site.records import (
    POWER,
    Demand,
    Fluid,
    MachineType,
    Place,
    Site,
    Source,
    Spread,
    Stage,
    StoreType,
)
from allocator.verify import audit

GRAM = 1e-3
POWER_A_RATE = 5e6
"""W of the engine a kg/s: it turns 1 g/s into 5 kW."""
CYCLES = (
    (Stage(4 * HOUR, 6 * HOUR),),
    (Stage(3 * HOUR, 12 * HOUR),),
    (Stage(10 * HOUR, 24 * HOUR),),
    (Stage(1 * HOUR, 2 * HOUR), Stage(6 * HOUR, 8 * HOUR)),
)
EXACT = Settings(node_limit=10_000, gap=1e-7)


def yard(seed: int) -> Site:
    """Sources of two to five cycles about one store and one engine house, each with a range."""
    chance = random.Random(f"yard {seed}")
    sources, spreads = {}, {}
    for number in range(chance.randint(2, 5)):
        name, flow = f"spring_{number}", chance.uniform(1.0, 4.0) * GRAM
        sources[name] = Source(name, "yard", "gas", flow, stages=chance.choice(CYCLES))
        low = flow * chance.choice([0.0, 0.4, 0.8])
        spreads[f"sources.{name}.flow"] = Spread(low, flow, 2 * flow - low)
    store = StoreType("holder", "gas", ("yard",), max_size=chance.choice([10.0, 40.0, 150.0]))
    engine = MachineType(
        "engine", {"gas": 0.2 * GRAM}, {"air": 0.5 * GRAM}, {"yard": None}, power_out=1000.0
    )
    return Site(
        name=f"yard {seed}",
        fluids={"gas": Fluid("gas", heating_value=20e6), "air": Fluid("air")},
        materials={},
        places={"yard": Place("yard")},
        sources=sources,
        storage={"holder": store},
        pipes={},
        routes={},
        machines={"engine": engine},
        demands={"load": Demand("load", POWER, 1e6)},
        goals=("clean_power",),
        spreads=spreads,
    )


def counterpart(site: Site, shares: list[float], budget: float) -> float:
    """Most firm power by the linear counterpart of Bertsimas and Sim (2004), equation (6).

    Variables: capture rates, the store, the draw; a price p and slacks q for every window of whole
    hours, and for the endless one. On the hours every breakpoint lies, so these are all windows.
    """
    sources, (store,) = list(site.sources.values()), site.storage.values()
    count = len(sources)
    hours = [on_hours(source) for source in sources]
    windows = [
        (float(length), [float(sums(on, length).min()) for on in hours])
        for length in range(1, DAY + 1)
    ]
    windows.append((0.0, [float(on.mean()) for on in hours]))  # the endless window, a unit of time
    width = count + 2 + len(windows) * (1 + count)
    rows, right = [], []
    for number, (length, fed) in enumerate(windows):
        price = count + 2 + number * (1 + count)
        row = np.zeros(width)
        row[:count] = [-on for on in fed]
        row[count] = -1.0 if length else 0.0
        row[count + 1] = length or 1.0
        row[price] = budget
        row[price + 1 : price + 1 + count] = 1.0
        rows.append(row)
        right.append(0.0)
        for s in range(count):
            row = np.zeros(width)
            row[s], row[price], row[price + 1 + s] = shares[s] * fed[s], -1.0, -1.0
            rows.append(row)
            right.append(0.0)
    cost = np.zeros(width)
    cost[count + 1] = -1.0
    hour_flow = [source.flow * HOUR for source in sources]  # kg an hour
    bounds = [(0.0, most) for most in hour_flow] + [(0.0, store.max_size), (0.0, None)]
    bounds += [(0.0, None)] * (width - count - 2)
    solved = linprog(cost, A_ub=np.array(rows), b_ub=right, bounds=bounds, method="highs")
    assert solved.status == 0
    return float(-solved.fun) / HOUR * POWER_A_RATE


@pytest.mark.parametrize("seed", range(12))
def test_the_promise_is_that_of_the_linear_counterpart(seed: int) -> None:
    site = yard(seed)
    low = [
        1.0 - site.spreads[f"sources.{name}.flow"].low / source.flow
        for name, source in site.sources.items()
    ]
    all_of_it = [1.0] * len(low)
    for robustness, shares, budget in (
        (Robustness(), all_of_it, 0),
        (Robustness(lost=1), all_of_it, 1),
        (Robustness(lost=2), all_of_it, 2),
        (Robustness(low=1), low, 1),
        (Robustness(low=2), low, 2),
    ):
        plan = make_plan(site, replace(EXACT, robustness=robustness)).plan
        assert plan is not None
        best = counterpart(site, shares, budget)
        assert plan.power.firm_clean == pytest.approx(best, rel=1e-5, abs=1.0), robustness
        assert audit(site, plan).accepted
