"""What friction takes along whole ways: rows that cut off no plan, and bound the relaxation."""

from __future__ import annotations

from pathlib import Path

import pytest
from model.test_pressure import (
    ENGINE,
    HEAD,
    LOOP,
    WATTS,
    by_brute_force,
    carried,
    drawn_loop,
    losses,
    read,
)

from allocator.base.clock import Clock
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model
from allocator.model.pressure_reach import reach_of
from allocator.model.stating import offered, state, state_for_bound
from allocator.network.deriving import network_of
from allocator.search import Settings
from allocator.solver.solver_model import SolverModel

ROUNDS = 40
"""Of rows added where a point breaks a curve; the bound is one after any of them."""


def bound(stated: tuple[Model, IndexSets], *, relaxed: bool = False) -> float:
    """Firm power, W, that no point of a model has more of; of its relaxation."""
    model, sets = stated
    solver_model = SolverModel(model, lazy_cuts(model, sets), Settings(), Clock(None))
    solver_model.aim(goals_of(model, sets)[0])
    if relaxed:
        found = solver_model.relaxed()
        assert found.bound is not None
        return -(solver_model.unscaled(found.bound) or 0.0)
    for _ in range(ROUNDS):
        found = solver_model.run(gap=1e-8)
        assert found.point is not None
        rows = solver_model.broken(found.point, 1e-6)
        if not rows:
            break
        solver_model.add(rows)
    return -(solver_model.unscaled(found.bound) or 0.0)


@pytest.mark.parametrize("number", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_the_rows_cut_off_no_choice_of_builds(number: int, tmp_path: Path) -> None:
    numbers, need = drawn_loop(number)
    text = HEAD + LOOP.format(**numbers) + ENGINE.format(need=need, places="d: 40")
    site = read(tmp_path, text)
    best = WATTS * by_brute_force(site, numbers, need)
    assert bound(state_for_bound(network_of(site), "firm")) == pytest.approx(best, rel=1e-6)


LINE = """materials: {{steel: {{stock: {stock} kg}}}}
places:
{places}
sources: {{well: {{place: p0, fluid: gas, flow: 100 g/s, pressure: 110 kPa}}}}
pipes: {{dn25: {{bore: 27.3 mm, layers: [{{material: steel, mass: 2.51 kg/m}}]}}}}
routes:
{routes}
machines:
"""


def line(pieces: int, share: float, need: float) -> str:
    """A line of 1,200 m with steel for a share of it."""
    places = "\n".join(f"  p{n}: {{at: [{1200 * n / pieces} m, 0 m]}}" for n in range(pieces + 1))
    routes = "\n".join(f"  r{n}: {{between: [p{n}, p{n + 1}]}}" for n in range(pieces))
    stock = share * 1200 * 2.51
    return (
        HEAD
        + LINE.format(stock=stock, places=places, routes=routes)
        + ENGINE.format(need=need, places=f"p{pieces}: 40")
    )


def test_a_relaxed_line_of_pieces_carries_no_more_than_one_of_its_length(tmp_path: Path) -> None:
    """With steel for 40 % of it, the relaxation lays 0.4 of the pipe: 0.4 of what the line carries.

    By hand: its whole length loses what there is between the mouth and the engine.
    """
    need, share = 105.0, 0.4
    site = network_of(read(tmp_path, line(1, share, need)))
    (pipe,) = [p for (_, start, _), p in losses(site).items() if start == "p0"]
    flow = carried(pipe, 110e3**2, (1e3 * need) ** 2)
    for pieces in (1, 6):
        cut = network_of(read(tmp_path, line(pieces, share, need)))
        found = bound(state_for_bound(cut, "firm"), relaxed=True)
        assert share * WATTS * flow <= found * (1 + 1e-6)
        assert found <= 1.02 * share * WATTS * flow
    # the rows of single pipes take all the pressure anew on each of them
    assert bound(state(cut, "firm"), relaxed=True) > 1.5 * share * WATTS * flow


def test_tops_and_needs_add_static_heads_along_the_line(tmp_path: Path) -> None:
    """Water falls 30 m and rises 50 m; by hand with 9.80665 m/s2 and the file's density."""
    text = """format: allocator.site/2
name: Water
fluids: {water: {phase: liquid, constants: {density: 1000, viscosity: 1.0e-3}}}
places:
  tank: {at: [0 m, 0 m], elevation: 30 m}
  low: {at: [100 m, 0 m], elevation: 0 m}
  high: {at: [200 m, 0 m], elevation: 50 m}
sources: {tank: {place: tank, fluid: water, flow: 1 kg/s, pressure: 500 kPa}}
pipes: {dn50: {bore: 52.5 mm}}
routes: {fall: {between: [tank, low]}, rise: {between: [low, high]}}
demands: {tap: {fluid: water, place: high, flow: 1 g/s, min_inlet_pressure: 150 kPa}}
"""
    sets = offered(network_of(read(tmp_path, text)), "firm")
    assert sets.pressures is not None
    one = sets.pressures.fluids["water"]
    reach = reach_of(sets, sets.pressures, one)
    metre = 9.80665e3
    assert reach.plain["low"] + one.least == pytest.approx(500e3 + 30 * metre, rel=1e-9)
    assert reach.top["high"] + one.least == pytest.approx(500e3 - 20 * metre, rel=1e-9)
    assert reach.need["low"] + one.least == pytest.approx(150e3 + 50 * metre, rel=1e-9)
    assert reach.need["tank"] + one.least == pytest.approx(150e3 + 20 * metre, rel=1e-9)


def test_a_booster_raises_tops_and_lowers_needs(tmp_path: Path) -> None:
    text = line(2, 1.0, 112.0)
    for last in ("p1]", "p2]"):
        text = text.replace(last, f"{last}, one_way: true")
    text = text.replace(
        "machines:",
        "boosters: {fan: {kind: blower, fluids: [gas], places: [p1], ratio: 1.1, efficiency: 50 %,"
        " discharge_temperature: 20 degC, max_units: 1}}\nmachines:",
    )
    sets = offered(network_of(read(tmp_path, text)), "firm")
    assert sets.pressures is not None
    one = sets.pressures.fluids["gas"]
    reach = reach_of(sets, sets.pressures, one)
    gain = (1.1**2 - 1.0) * 101_325.0**2
    assert reach.plain["p2"] + one.least == pytest.approx(110e3**2, rel=1e-9)
    assert reach.top["p2"] + one.least == pytest.approx(110e3**2 + gain, rel=1e-9)
    assert reach.need["p2"] + one.least == pytest.approx(112e3**2)
    assert reach.need["p1"] + one.least == pytest.approx(max(101_325.0**2, 112e3**2 - gain))
    with_fan = bound(state_for_bound(network_of(read(tmp_path, text)), "firm"))
    without = network_of(read(tmp_path, line(2, 1.0, 112.0)))
    assert with_fan > 0.0
    assert bound(state_for_bound(without, "firm")) == pytest.approx(0.0, abs=1e-6)
