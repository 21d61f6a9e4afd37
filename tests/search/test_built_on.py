"""A later goal that wants more first keeps all that is built and builds more beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from allocator.base.clock import Clock
from allocator.model.goals import goals_of
from allocator.model.model import Key, Row
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.search import Settings
from allocator.search.goal_search import goal_search_of
from allocator.search.lexicographic import solve_goal
from allocator.search.neighbourhoods import layout_of
from allocator.search.state import SearchState, hold, value_at
from allocator.search.strategy.budgets import GOAL
from allocator.search.strategy.goal import LATER_GOAL
from allocator.search.strategy.phase import run_phases
from allocator.site.records import (
    Demand,
    Fluid,
    Layer,
    MachineType,
    Material,
    PipeType,
    Place,
    Route,
    Site,
    Source,
)
from allocator.solver.interface import Solved
from allocator.solver.solver_model import SolverModel

STEPS = LATER_GOAL[:-1]
"""The first steps of a later goal, without the relaxation after them."""

SITE = Site(
    name="gas and diesel",
    fluids={
        "gas": Fluid("gas", heating_value=50e6),
        "diesel": Fluid("diesel", heating_value=43e6),
        "co2": Fluid("co2", emission="counted"),
    },
    materials={"steel": Material("steel", stock=1000.0)},
    places={"kiln": Place("kiln"), "works": Place("works", 90.0, 0.0)},
    sources={
        "kiln": Source("kiln", "kiln", "gas", 0.002),
        "tank": Source("tank", "works", "diesel", 0.01, connection_materials={"steel": 1.0}),
    },
    storage={},
    pipes={"pipe": PipeType("pipe", 10.0, (Layer("steel", 1.0),))},
    routes={"way": Route("way", "kiln", "works", 90.0, ("pipe",))},
    machines={
        "engine": MachineType("engine", {"gas": 0.001}, {}, {"works": 4}, 15e3),
        "set": MachineType("set", {"diesel": 0.001}, {"co2": 0.003}, {"works": 9}, 15e3),
    },
    demands={"town": Demand("town", "power", 75e3)},
    sha256="gas and diesel",
)


def test_backup_is_built_beside_clean_supply_in_the_first_steps() -> None:
    """30 kW of the kiln; the other 45 kW are three sets and the tank, none of them there yet."""
    model, choices = state(network_of(SITE), "mean")
    solver_model = SolverModel(model, lambda v, t: [], Settings(node_limit=500), Clock(None))
    search_state = SearchState(solver_model, layout_of(model, choices), None)
    clean, served = goals_of(model, choices)[:2]
    assert (clean.name, served.name) == ("clean_power", "served_power")
    first = solve_goal(search_state, clean, None)
    assert first is not None
    hold(search_state, clean, first.value)
    _without(search_state, "set@works", "tank")
    steps = run_phases(STEPS, goal_search_of(search_state, served, None))
    assert steps.best is not None
    assert abs(-steps.best - 75e3) <= 1e-5 * 75e3
    assert search_state.point is not None
    assert value_at(search_state, clean, search_state.point) >= 30e3 * (1.0 - 1e-5)
    assert "built on" in {line.note for line in search_state.trail}


def test_a_goal_that_comes_too_late_still_has_time_for_its_first_steps() -> None:
    """A machine that stood still during the first goal must not cost all backup."""
    model, choices = state(network_of(SITE), "mean")
    settings = Settings(time_limit=40.0)
    solver_model = Watched(model, lambda v, t: [], settings, Clock(settings.time_limit))
    search_state = SearchState(solver_model, layout_of(model, choices), None)
    clean, served = goals_of(model, choices)[:2]
    first = solve_goal(search_state, clean, 10.0)
    assert first is not None
    hold(search_state, clean, first.value)
    _without(search_state, "set@works", "tank")
    solver_model.limits.clear()
    steps = run_phases(STEPS, goal_search_of(search_state, served, 0.0))
    assert steps.best is not None
    assert abs(-steps.best - 75e3) <= 1e-5 * 75e3
    # earlier plan, re-dispatch, built on, each with a repair of what it found
    assert min(solver_model.limits[:5]) >= 0.9 * GOAL.later_step * settings.time_limit


def test_less_emission_is_had_by_more_flares() -> None:
    """Gas that comes whatever is built is caught by more beside what is built."""
    gas = Fluid("gas", heating_value=50e6, vented_weight=27.0)
    flare = MachineType("flare", {"gas": 0.001}, {"ash": 0.003}, {"works": 9}, flare=True)
    vented = replace(
        SITE,
        fluids={"gas": gas, "ash": Fluid("ash")},
        sources={"kiln": Source("kiln", "kiln", "gas", 0.002, when_untapped="vents")},
        machines={"flare": flare, "engine": SITE.machines["engine"]},
        goals=("clean_power", "emissions"),
    )
    model, choices = state(network_of(vented), "firm")
    solver_model = SolverModel(model, lambda v, t: [], Settings(node_limit=500), Clock(None))
    search_state = SearchState(solver_model, layout_of(model, choices), None)
    nothing = np.array([column.low for column in model.columns])
    search_state.point = solver_model.repaired(nothing).point
    (goal,) = [one for one in goals_of(model, choices) if one.name == "emissions"]
    search = run_phases(STEPS, goal_search_of(search_state, goal, None))
    assert search.best == pytest.approx(0.0, abs=1e-9)
    assert "built on" in {line.note for line in search_state.trail}


def test_what_cuts_undo_is_looked_for_again() -> None:
    """Three sets would do, but a cut found late allows two: then it is two, and not none."""
    model, choices = state(network_of(SITE), "mean")
    sets = ("count", "set@works")
    late: list[bool] = []

    def separate(values: dict[Key, float], tolerance: float) -> list[Row]:
        if not late or values[sets] <= 2.0:
            return []
        row = model.scaled_row("late", [(1.0, sets)], high=2.0)
        assert row is not None
        return [row]

    solver_model = SolverModel(model, separate, Settings(node_limit=500), Clock(None))
    search_state = SearchState(solver_model, layout_of(model, choices), None)
    clean, served = goals_of(model, choices)[:2]
    first = solve_goal(search_state, clean, None)
    assert first is not None
    hold(search_state, clean, first.value)
    _without(search_state, "set@works", "tank")
    assert search_state.point is not None
    late.append(True)
    steps = goal_search_of(search_state, served, None)
    steps.search_near(search_state.point, np.zeros(0, dtype=np.int64), 0.4, "all free")
    assert steps.best is not None
    assert abs(-steps.best - 60e3) <= 1e-5 * 60e3


class Watched(SolverModel):
    """A program that keeps the limits of its runs."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self.limits: list[float] = []

    def run(self, **arguments: object) -> Solved:
        limit = arguments["time_limit"]
        self.limits.append(limit if isinstance(limit, float) else 0.0)
        return super().run(**arguments)


def _without(search_state: SearchState, *words: str) -> None:
    """Nothing of those names is built at the point: the first goal does not care."""
    model = search_state.solver_model.model
    assert search_state.point is not None
    point = search_state.point.copy()
    for word in words:
        named = [n for n, c in enumerate(model.columns) if c.integer and word in c.key]
        assert named
        point[named] = 0.0
    search_state.point = search_state.solver_model.repaired(point).point
    assert search_state.point is not None
