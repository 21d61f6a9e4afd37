"""Pressures along lines in the path search: needs, enlargements, boosters, candidates that hold."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pressed_sites import LINE, pressed_text

from allocator.base.clock import Clock
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.network.pressure_curves import losses_at
from allocator.network.reading import read_site
from allocator.search import Settings
from allocator.search.paths.loads import carry
from allocator.search.paths.network import Names, candidate_of, path_network_of
from allocator.search.paths.packed import packed, packed_room, packed_state
from allocator.search.paths.pressing import bears, loss_of, needs
from allocator.search.paths.records import (
    HOPS,
    LENGTH,
    SINK,
    STORE,
    Arrays,
    PathState,
    Room,
    empty_room,
    empty_state,
)
from allocator.search.paths.repair import fixed_and_repaired, laid_columns, point_of
from allocator.search.paths.starts import begun, continued
from allocator.solver.solver_model import SolverModel

CHAIN = """format: allocator.site/2
name: Chain
goals: [clean_power]
fluids: {gas: {phase: gas, heating_value: 20 MJ/kg, constants: {density: 1.15 kg/m^3,
  viscosity: 1.2e-5, molar_mass: 0.027, specific_heat: 1500, conductivity: 0.03}},
  co2: {phase: gas, emission: biogenic}}
materials: {steel: {stock: 9 t}}
places: {mouth: {at: [0 m, 0 m]}, fork: {at: [300 m, 0 m]}, works: {at: [600 m, 0 m]}}
sources: {kiln: {place: mouth, fluid: gas, flow: 6 g/s, pressure: 105 kPa}}
pipes:
  dn25: {bore: 27.3 mm, layers: [{material: steel, mass: 2.51 kg/m}]}
  dn50: {bore: 52.5 mm, layers: [{material: steel, mass: 5.44 kg/m}]}
routes: {lane: {between: [mouth, fork]}, trunk: {between: [fork, works]}}
BOOSTERS
machines:
  engine: {inputs: {gas: 1.5 g/s}, outputs: {power: 10 kW, co2: 2.6 g/s},
    min_inlet_pressure: 102 kPa, places: {works: 30}}
demands: {town: {power: 70 kW}}
"""
FAN = """boosters:
  fan: {kind: blower, fluids: [gas], places: {fork: 1}, ratio: 1.3, efficiency: 90 %,
        discharge_temperature: 30 degC, materials: {steel: 20 kg}}
"""


def _made(folder: Path, text: str) -> tuple[Model, IndexSets, Arrays, Names]:
    path = folder / "site.yaml"
    path.write_text(text)
    model, sets = state(network_of(read_site(path)), "firm")
    made = path_network_of(sets, "clean_power")
    assert made is not None
    return model, sets, *made


def _chain(arrays: Arrays, rate: float) -> tuple[PathState, Room]:
    """A state with one path along both pipes, and room to look at it."""
    flows = empty_state(arrays)
    flows.ways[0, STORE], flows.ways[0, SINK], flows.ways[0, LENGTH] = -1, 0, 2
    flows.ways[0, HOPS : HOPS + 2] = (1, 3)
    flows.rates[0] = (rate, 1.0)
    flows.active[0] = True
    carry(packed(arrays), packed_state(flows), 0, 0, 1.0)
    return flows, empty_room(arrays)


def _bears(arrays: Arrays, flows: PathState, room: Room) -> bool:
    return bears(packed(arrays), packed_state(flows), packed_room(room))


def test_losses_are_those_of_the_exact_curve(tmp_path: Path) -> None:
    _, sets, arrays, names = _made(tmp_path, CHAIN.replace("BOOSTERS\n", ""))
    one = sets.site.pressures["gas"]
    for rate in (1e-5, 3e-4, 1e-3, 5e-3, 6e-2):
        for level, build in enumerate(names.builds[0]):
            exact = losses_at([one.losses["lane", "mouth", build]], [rate])[0][0]
            mine = loss_of(packed(arrays), 0, 0, level, rate) * (one.most - one.least)
            assert exact <= mine <= exact * 1.001


def test_a_way_needs_what_is_lost_on_it_and_pipes_are_enlarged_for_it(tmp_path: Path) -> None:
    _, _, arrays, _ = _made(tmp_path, CHAIN.replace("BOOSTERS\n", ""))
    rate = 0.9 * arrays.capacity[0, 0]  # of one pipe alone the narrow build could carry it
    flows, room = _chain(arrays, rate)
    assert needs(packed(arrays), packed_state(flows), packed_room(room))
    inlet = arrays.inlet[0]
    narrow = [loss_of(packed(arrays), e, 0, 0, rate) for e in range(2)]
    mouth = arrays.potential[arrays.tail[0]]
    assert room.need[2 * mouth] == pytest.approx(inlet + sum(narrow), rel=2e-3)
    assert room.need[2 * mouth] > inlet + sum(narrow)  # as it gains speed
    assert inlet + sum(narrow) > arrays.mouth[0]
    assert _bears(arrays, flows, room)
    assert flows.floor.max() == 1.0
    assert room.need[2 * mouth + 1] <= arrays.mouth[0] + 1e-6
    assert flows.used[0] == pytest.approx(
        sum(arrays.mass[e, int(flows.floor[e]), 0] for e in range(2)), rel=1e-9
    )


def test_a_booster_stands_where_it_is_lighter_than_pipes(tmp_path: Path) -> None:
    _, _, arrays, _ = _made(tmp_path, CHAIN.replace("BOOSTERS\n", FAN))
    flows, room = _chain(arrays, 0.9 * arrays.capacity[0, 0])
    assert _bears(arrays, flows, room)
    assert flows.boost.sum() == 1.0
    carry(packed(arrays), packed_state(flows), 0, 0, -1.0)
    assert flows.boost.sum() == flows.floor.sum() == 0.0
    assert np.abs(flows.used).max() < 1e-12


def test_what_cannot_have_its_pressure_is_refused(tmp_path: Path) -> None:
    text = CHAIN.replace("BOOSTERS\n", "").replace(
        "min_inlet_pressure: 102", "min_inlet_pressure: 106"
    )
    _, _, arrays, _ = _made(tmp_path, text)
    flows, room = _chain(arrays, 1e-4)
    assert not _bears(arrays, flows, room)


@pytest.mark.parametrize("number", [*range(12), -1])
def test_candidates_hold_in_the_whole_model(number: int, tmp_path: Path) -> None:
    """What the search finds with pressures is feasible there, within a little of its value."""
    text = LINE if number < 0 else pressed_text(number)
    path = tmp_path / "site.yaml"
    path.write_text(text)
    model, sets = state(network_of(read_site(path)), "firm")
    made = path_network_of(sets, "clean_power")
    if made is None or not made[0].pressed:
        pytest.skip("no path search there")
    arrays, names = made
    start = continued(arrays, begun(arrays, 1, arrays.weight), 200, 0)
    if start.value <= 0.0:
        pytest.skip("nothing to be had")
    solver_model = SolverModel(model, lazy_cuts(model, sets), Settings(), Clock(None))
    solver_model.aim(goals_of(model, sets)[0])
    candidate = candidate_of(arrays, names, start.best, start.value)
    point = point_of(model, sets, candidate)
    held = laid_columns(model)
    values = [
        -(solver_model.unscaled(solved.value) or 0.0)
        for solved in fixed_and_repaired(solver_model, held, point, 1e-6, lambda share: None)
    ]
    assert max(values) >= 0.9 * start.value
