"""How much store could be built: limits, stocks, units, bases, what stands, where it can go."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from handmade_cove import COVE, named
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, milp

from allocator.site.records import Built, Limits, Material, Place, Route, Site, StoreType
from allocator.studies.store_room import store_room


def site_with(*stores: StoreType, steel: float | None = None, wool: float | None = None) -> Site:
    return replace(
        COVE,
        materials=named(Material("steel", steel), Material("wool", wool)),
        places=named(Place("works"), Place("hill"), Place("far")),
        routes=named(Route("track", "works", "hill", 10.0, ("dn25",))),
        storage=named(*stores),
        built=Built(),
        limits=Limits(),
    )


HOLDER = StoreType("holder", "gas", ("works", "hill"), max_size=400.0, materials={"steel": 2.0})


def test_size_limits_of_every_place_add_up() -> None:
    assert store_room(site_with(HOLDER), "gas").size == 800.0


def test_a_stock_binds() -> None:
    assert store_room(site_with(HOLDER, steel=500.0), "gas").size == 250.0


def test_a_base_is_paid_once_a_place() -> None:
    holder = replace(HOLDER, base_materials={"steel": 300.0})
    # one place: (500 - 300) / 2 = 100; two places would take 600 for the bases alone
    assert store_room(site_with(holder, steel=500.0), "gas").size == 100.0


def test_whole_units_and_a_least_size() -> None:
    units = replace(HOLDER, unit=60.0)
    assert store_room(site_with(units, steel=500.0), "gas").size == 240.0
    least = replace(HOLDER, min_size=260.0)
    assert store_room(site_with(least, steel=500.0), "gas").size == 0.0


def test_a_unit_that_divides_evenly_is_not_lost_to_rounding() -> None:
    vessels = replace(HOLDER, places=("works",), unit=0.1, max_size=0.3, materials={})
    assert store_room(site_with(vessels), "gas").size == pytest.approx(0.3)


def test_the_thrifty_store_goes_first() -> None:
    heavy = StoreType("heavy", "gas", ("works",), max_size=100.0, materials={"steel": 8.0})
    light = StoreType("light", "gas", ("works",), max_size=100.0, materials={"steel": 1.0})
    assert store_room(site_with(heavy, light, steel=180.0), "gas").size == 110.0


def test_what_stands_is_there_and_takes_nothing() -> None:
    site = replace(
        site_with(replace(HOLDER, base_materials={"steel": 300.0}), steel=0.0),
        built=Built(storage={("holder", "works"): 150.0}),
    )
    assert store_room(site, "gas").size == 150.0
    # with steel, what stands grows without another base
    more = replace(site, materials=named(Material("steel", 40.0)))
    assert store_room(more, "gas").size == 170.0


def test_only_what_the_fluid_can_get_to_counts() -> None:
    far = replace(HOLDER, places=("hill", "far"))
    assert store_room(site_with(far), "gas", "works").size == 400.0
    excluded = replace(site_with(HOLDER), limits=Limits(excluded_places=("hill",)))
    assert store_room(excluded, "gas").size == 400.0
    assert store_room(excluded, "oil").size == 0.0


def test_rates_and_losses_of_the_whole() -> None:
    one = StoreType("one", "gas", ("works",), max_size=100.0, loss=1e-6, fill_rate=0.01)
    two = StoreType("two", "gas", ("hill",), max_size=300.0, loss=2e-6, fill_rate=0.02)
    room = store_room(site_with(one, two), "gas")
    assert room.loss == pytest.approx(1.75e-6)
    assert room.fill_rate == pytest.approx(0.03)
    assert room.release_rate is None


masses = st.sampled_from([0.0, 0.5, 1.0, 3.0])
kinds = st.builds(
    lambda most, steel, wool, base: {"most": most, "steel": steel, "wool": wool, "base": base},
    st.sampled_from([50.0, 120.0, 400.0]),
    masses,
    masses,
    st.sampled_from([0.0, 40.0]),
)


def most_by_milp(parts: list[dict[str, float]], steel: float, wool: float) -> float:
    """The true most by scipy's mixed-integer program: sizes, then one 0-1 a base."""
    n = len(parts)
    rows = np.zeros((2 + n, 2 * n))
    for i, part in enumerate(parts):
        rows[0, i], rows[0, n + i] = part["steel"], part["base"]
        rows[1, i] = part["wool"]
        rows[2 + i, i], rows[2 + i, n + i] = 1.0, -part["most"]
    found = milp(
        np.r_[-np.ones(n), np.zeros(n)],
        constraints=LinearConstraint(rows, ub=np.r_[steel, wool, np.zeros(n)]),
        bounds=(0, np.r_[[p["most"] for p in parts], np.ones(n)]),
        integrality=np.r_[np.zeros(n), np.ones(n)],
    )
    return float(-found.fun)


@given(st.lists(kinds, min_size=1, max_size=3), st.sampled_from([60.0, 200.0, 1e4]))
def test_one_stock_that_binds_gives_the_true_most(
    parts: list[dict[str, float]], steel: float
) -> None:
    stores = [
        StoreType(
            f"s{i}",
            "gas",
            ("works",),
            max_size=part["most"],
            materials={"steel": part["steel"]},
            base_materials={"steel": part["base"]},
        )
        for i, part in enumerate(parts)
    ]
    found = store_room(site_with(*stores, steel=steel), "gas").size
    assert found == pytest.approx(most_by_milp([{**p, "wool": 0.0} for p in parts], steel, 1.0))


@given(
    st.lists(kinds, min_size=1, max_size=3),
    st.sampled_from([60.0, 200.0, 1e4]),
    st.sampled_from([30.0, 150.0]),
)
def test_several_stocks_never_give_more_than_could_be_built(
    parts: list[dict[str, float]], steel: float, wool: float
) -> None:
    stores = [
        StoreType(
            f"s{i}",
            "gas",
            ("works",),
            max_size=part["most"],
            materials={"steel": part["steel"], "wool": part["wool"]},
            base_materials={"steel": part["base"]},
        )
        for i, part in enumerate(parts)
    ]
    found = store_room(site_with(*stores, steel=steel, wool=wool), "gas").size
    most = most_by_milp(parts, steel, wool)
    assert found <= most * (1 + 1e-9)
    # and never less than the best single store
    singles = [most_by_milp([part], steel, wool) for (part,) in combinations(parts, 1)]
    assert found >= max(singles) * (1 - 1e-9)
