"""The ways of a candidate: builds and boosters decided again where pressures count."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from pressed_sites import GAS

from allocator.base.clock import Clock
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import goals_of
from allocator.model.stating import offered, state
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.search import Settings, bound_phases
from allocator.search.paths.network import Candidate
from allocator.search.paths.repair import has_path_search, pipe_columns, point_of
from allocator.search.paths.ways import losses_along, other_ways
from allocator.search.strategy.phase import Budget
from allocator.solver.solver_model import SolverModel

SITE = f"""format: allocator.site/2
name: Two ways
goals: [clean_power]
fluids: {{gas: {GAS}, co2: {{phase: gas, emission: biogenic}}}}
materials: {{steel: {{stock: 90 t}}}}
places: {{mouth: {{at: [0 m, 0 m]}}, fork: {{at: [300 m, 0 m]}}, works: {{at: [600 m, 0 m]}}}}
sources: {{kiln: {{place: mouth, fluid: gas, flow: 6 g/s, pressure: 105 kPa}}}}
pipes:
  dn25: {{bore: 27.3 mm, layers: [{{material: steel, mass: 2.51 kg/m}}]}}
  dn50: {{bore: 52.5 mm, layers: [{{material: steel, mass: 5.44 kg/m}}]}}
routes:
  lane: {{between: [mouth, fork]}}
  trunk: {{between: [fork, works]}}
  bypass: {{between: [mouth, works], detour_factor: 1.1}}
BOOSTERS
machines:
  engine:
    inputs: {{gas: 1.5 g/s}}
    outputs: {{power: 10 kW, co2: 2.6 g/s}}
    min_inlet_pressure: 102 kPa
    places: {{works: 30}}
demands: {{town: {{power: 70 kW}}}}
"""
FAN = """boosters:
  fan: {kind: blower, fluids: [gas], places: {mouth: 1}, ratio: 1.3, efficiency: 90 %,
        discharge_temperature: 30 degC, materials: {steel: 20 kg}}
"""


@pytest.mark.parametrize("fan", [False, True])
def test_builds_and_boosters_of_a_candidate_are_decided_again(tmp_path: Path, fan: bool) -> None:
    """The candidate's pipes are too narrow for 6 g/s; wider ones carry it, or a fan blows it."""
    path = tmp_path / "site.yaml"
    text = SITE.replace("BOOSTERS\n", FAN if fan else "")
    path.write_text(text.replace("bore: 52.5", "bore: 28.0") if fan else text)
    model, sets = state(network_of(read_site(path)), "firm")
    solver_model = SolverModel(model, lazy_cuts(model, sets), Settings(), Clock(None))
    solver_model.aim(goals_of(model, sets)[0])
    flows = (("lane", "gas", True, False), ("trunk", "gas", True, False))
    pipes = {("lane", "gas"): "dn25", ("trunk", "gas"): "dn25"}
    candidate = Candidate(40e3, pipes, ("kiln",), {"engine@works": 4}, (), flows)
    point = point_of(model, sets, candidate)

    def best(held: np.ndarray) -> np.ndarray:
        """The best sound point with some columns held."""
        for _ in range(20):
            near = solver_model.near(point, held, None, 1e-6)
            assert near.point is not None
            rows = solver_model.broken(near.point)
            if not rows:
                return near.point
            solver_model.add(rows)
        raise AssertionError("rows without end")

    def power(at: np.ndarray) -> float:
        terms = goals_of(model, sets)[0].terms
        return model.value(terms, model.by_key(at))

    solver_model.add(losses_along(model, sets, candidate))
    if not fan:
        assert power(best(pipe_columns(model))) < 39e3
    opened = best(other_ways(model, sets, candidate))
    assert power(opened) > (39e3 if fan else 39.99e3)
    by_key = model.by_key(opened)
    for key, value in by_key.items():
        if isinstance(key, tuple) and key[0] in ("lay", "directed") and key[1] == "bypass":
            assert value == 0.0
        if isinstance(key, tuple) and key[0] == "directed" and key[2] == "fork":
            assert key[1] == "trunk" or value == 0.0
    assert fan == any(
        value > 0.5 for key, value in by_key.items() if isinstance(key, tuple) and key[0] == "boost"
    )


def test_nothing_is_waited_for_where_candidates_were_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sites with pressures come to this phase with their candidates tried."""
    solved = []
    monkeypatch.setattr(bound_phases, "integer_model", lambda search, budget: solved.append(search))
    search: Any = SimpleNamespace(untried=None, solver_model=None)
    bound_phases.integer_model_until_compiled(search, Budget(0.1))
    assert solved == [search]


def test_sites_with_pressures_have_a_path_search_sooner(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"

    def searched(sources: int, pressed: bool) -> bool:
        kilns = ", ".join(
            f"k{n}: {{place: mouth, fluid: gas, flow: 1 g/s, cycle: [{{on: 1 h, every: 3 h}}]"
            + (", pressure: 105 kPa}" if pressed else "}")
            for n in range(sources)
        )
        lines = SITE.replace("BOOSTERS\n", "").splitlines(keepends=True)
        lines = [f"sources: {{{kilns}}}\n" if "sources:" in one else one for one in lines]
        text = "".join(lines)
        if not pressed:
            text = text.replace("    min_inlet_pressure: 102 kPa\n", "")
            text = text.replace("bore: 27.3 mm", "capacity: 9 g/s")
            text = text.replace("bore: 52.5 mm", "capacity: 50 g/s")
        path.write_text(text)
        sets = offered(network_of(read_site(path)), "firm")
        assert (sets.pressures is not None) == pressed
        return has_path_search(sets)

    assert searched(8, True)
    assert not searched(7, True)
    assert not searched(8, False)
