"""Rooms: conductances add, faces, the least mass against all combinations."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st
from physics.pipes_by_hand import solid

from allocator.physics.enclosures import Side, Slab, lightest_sides, side_build
from allocator.physics.faults import PhysicsError

AIR = 283.15


def test_a_cavity_wall_by_hand() -> None:
    """ISO 6946 as it is worked by hand: 0.13 + 0.102/0.77 + 0.18 + 0.1/0.04 + 0.04."""
    slabs = (
        Slab(solid(0.77), (0.102,), 1700.0),
        Slab(solid(1.0), (0.18,)),  # an air gap, as thick as it resists
        Slab(solid(0.04), (0.1,), 30.0),
    )
    wall = Side("wall", 12.0, "wall", AIR, slabs)
    found = side_build(wall, [0.102, 0.18, 0.1], 293.15)
    total = 0.13 + 0.102 / 0.77 + 0.18 + 0.1 / 0.04 + 0.04
    assert found.resistance == pytest.approx(total)
    assert found.heat == pytest.approx(12 * 10 / total)
    assert found.faces[0] == pytest.approx(293.15 - 0.13 * 10 / total)
    assert found.faces[-1] == pytest.approx(AIR + 0.04 * 10 / total)
    assert found.mass == pytest.approx(12 * (0.102 * 1700 + 0.1 * 30))


def test_a_double_window_of_a_handbook() -> None:
    """Cengel, Heat and Mass Transfer, example 3-2 (from memory): 69.2 W, inner face 14.2 degC."""
    slabs = (Slab(solid(0.78), (0.004,)), Slab(solid(0.026), (0.01,)), Slab(solid(0.78), (0.004,)))
    pane = Side("window", 0.8 * 1.5, "wall", 263.15, slabs, inner=1 / 10, outer=1 / 40)
    found = side_build(pane, [0.004, 0.01, 0.004], 293.15)
    assert found.heat == pytest.approx(69.2, abs=0.1)
    assert found.faces[0] - 273.15 == pytest.approx(14.2, abs=0.05)


def test_a_room_by_hand() -> None:
    """A shed at 20 degC in air of 0 degC, worked by ISO 6946 on paper: every layer by d / lambda.

    Walls 30 m2, brick outside of wool and of wool outside of brick alike: 0.13 + 0.1/0.7 +
    0.08/0.04 + 0.04 = 2.3129 m2 K/W. Roof 12 m2: 0.10 + 0.15/0.15 + 0.04 = 1.14. Floor 12 m2 on
    ground of 10 degC: 0.17 + 0.1/2 + 0.04 = 0.26. Door 2 m2 of 0.6, a machine opening of 0.5 m2
    and 0.2, and a party wall that passes nothing. Areas side by side add.
    """
    brick, wool = Slab(solid(0.7), (0.1,), 1800.0), Slab(solid(0.04), (0.08,), 40.0)
    cold, ground = 273.15, 283.15
    sides = [
        Side("wall", 20.0, "wall", cold, (brick, wool)),
        Side("turned wall", 10.0, "wall", cold, (wool, brick)),
        Side("roof", 12.0, "roof", cold, (Slab(solid(0.15), (0.15,), 500.0),)),
        Side("floor", 12.0, "floor", ground, (Slab(solid(2.0), (0.1,), 2300.0),)),
        Side("door", 2.0, "wall", cold, resistance=0.6),
        Side("opening", 0.5, "wall", cold, resistance=0.2),
        Side("party wall", 15.0, "wall", cold, (brick,), closed=True),
    ]
    builds = lightest_sides(sides, 293.15)
    expected = [172.946, 86.473, 210.526, 461.538, 66.667, 50.0, 0.0]
    assert [build.heat for build in builds] == pytest.approx(expected, abs=1e-3)
    assert sum(build.mass for build in builds) == pytest.approx(
        30 * (180 + 3.2) + 12 * 75 + 12 * 230 + 15 * 180
    )
    # wool inside keeps the brick cold, wool outside keeps it warm: 20 / 2.3129 = 8.647 W/m2
    assert builds[0].faces[1] - cold == pytest.approx(20 - 8.6473 * (0.13 + 0.142857), abs=1e-3)
    assert builds[1].faces[1] - cold == pytest.approx(20 - 8.6473 * (0.13 + 2.0), abs=1e-3)


@pytest.mark.parametrize(
    ("part", "inside", "inner"),
    [
        ("wall", 293.15, 0.13),
        ("roof", 293.15, 0.10),
        ("floor", 293.15, 0.17),
        ("wall", 273.15, 0.13),
        ("roof", 273.15, 0.17),
        ("floor", 273.15, 0.10),
    ],
)
def test_surface_resistances_go_with_the_heat(part: str, inside: float, inner: float) -> None:
    side = Side("side", 1.0, part, AIR, (Slab(solid(1.0), (1.0,)),))  # type: ignore[arg-type]
    assert side_build(side, [1.0], inside).resistance == pytest.approx(inner + 1.0 + 0.04)


def test_areas_without_layers() -> None:
    door = side_build(Side("door", 2.0, "wall", AIR, resistance=0.5), [], 293.15)
    assert door.heat == pytest.approx(40.0)
    assert door.faces == pytest.approx((293.15 - 20 * 0.13, AIR + 20 * 0.04))
    hole = side_build(Side("hole", 2.0, "wall", AIR, resistance=0.1), [], 293.15)
    assert hole.faces == pytest.approx((AIR + 10 * 0.04 / 0.1,) * 2)
    assert side_build(Side("party wall", 9.0, "wall", AIR, closed=True), [], 300.0).heat == 0.0


def test_limits_of_faces_choose_as_well() -> None:
    slab = Slab(solid(0.04), (0.02, 0.05, 0.2), 100.0, 340.0)
    side = Side("wall", 10.0, "wall", AIR, (slab,))
    assert lightest_sides([side], 333.15)[0].thicknesses == (0.02,)
    hot = side_build(side, [0.02], 333.15).faces[-1]
    (found,) = lightest_sides([side], 333.15, max_surface=hot - 0.5)
    assert found.thicknesses == (0.05,)
    (too_hot,) = lightest_sides([side], 373.15)
    assert "hot" in too_hot.broken[0]  # no thickness helps: the layer bears 340 K


def test_too_many_combinations() -> None:
    slab = Slab(solid(0.04), tuple(0.001 * n for n in range(1, 30)), 50.0)
    with pytest.raises(PhysicsError, match="too many"):
        lightest_sides([Side("wall", 1.0, "wall", AIR, (slab,) * 4)], 300.0)


THICKNESSES = st.lists(st.integers(1, 30), min_size=1, max_size=4, unique=True)
SIDES = st.lists(
    st.tuples(st.integers(1, 20), st.sampled_from([20.0, 90.0, 2000.0]), THICKNESSES),
    min_size=1,
    max_size=4,
)


@given(SIDES, st.floats(0.0, 1.2))
def test_the_least_mass_of_all_combinations(
    drawn: list[tuple[int, float, list[int]]], share: float
) -> None:
    sides = [
        Side(str(n), area, "wall", AIR, (Slab(solid(0.05), tuple(t / 100 for t in ts), rho),))
        for n, (area, rho, ts) in enumerate(drawn)
    ]
    offers = [[side_build(s, [t], 313.15) for t in s.slabs[0].thicknesses] for s in sides]
    everything = [(sum(b.mass for b in w), sum(b.heat for b in w)) for w in product(*offers)]
    least, most = (pick(heat for _, heat in everything) for pick in (min, max))
    limit = least + share * (most - least)
    found = lightest_sides(sides, 313.15, limit)
    best = min(mass for mass, heat in everything if heat <= limit * (1 + 1e-9))
    assert sum(build.mass for build in found) == pytest.approx(best)
    assert sum(build.heat for build in found) <= limit * (1 + 1e-8)
    none = lightest_sides(sides, 313.15, 0.9 * least)
    assert sum(build.heat for build in none) == pytest.approx(least)


def test_a_resistance_less_than_that_of_its_surfaces_is_still_checked() -> None:
    """190 K through 0.16 m2 K/W of which 0.04 are outside: 190 * 0.04 / 0.16 = 47.5 K above."""
    sheet = Side("sheet", 1.0, "wall", AIR, resistance=0.16)
    found = side_build(sheet, [], AIR + 190.0, AIR + 45.0)
    assert found.faces[-1] == pytest.approx(AIR + 47.5)
    assert found.faces[0] >= found.faces[-1]
    assert found.broken == ("outer surface too hot",)
    bare = replace(sheet, resistance=0.02)  # less than outside alone: as hot as the room
    assert side_build(bare, [], AIR + 190.0).faces == pytest.approx((AIR + 190.0, AIR + 190.0))


def test_a_conductance_without_any_difference() -> None:
    """An area whose outside is as warm as the room lets no heat out and conducts all the same."""
    wall = Side("wall", 3.0, "wall", AIR, (Slab(solid(0.04), (0.1,)),))
    found = side_build(wall, [0.1], AIR)
    assert found.heat == 0.0
    assert found.conductance == pytest.approx(3.0 / (0.13 + 0.1 / 0.04 + 0.04))
