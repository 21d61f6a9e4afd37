"""Transport problems with a published optimum, put as sites and planned.

Flows of a linear program are often not unique, so the objective is tested, at full service.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from transport_sites import Arc, fixed_charge_site, flow_site, goal, planned

from allocator.site.records import Site

LEAST_MONEY = ("served_fluid", "money")
TOLERANCE = 1e-5
"""Relative. The second goal may give up a share of 1e-6 of the first, by the program's rules."""


def _served_and_money(site: Site) -> tuple[float, float]:
    plan = planned(site)
    assert plan.status == "optimal"
    return goal(plan, "served_fluid"), goal(plan, "money")


def test_dantzig_canned_goods() -> None:
    # Dantzig, Linear Programming and Extensions, 1963, section 3-3: two canneries, three
    # warehouses; 90 dollars a case and thousand miles; optimum 153.675 thousand dollars.
    supply = {"Seattle": 350.0, "San Diego": 600.0}
    demand = {"New York": 325.0, "Chicago": 300.0, "Topeka": 275.0}
    distance = {"Seattle": (2.5, 1.7, 1.8), "San Diego": (2.5, 1.8, 1.4)}
    arcs = [
        Arc(start, end, cost=90.0 * miles)
        for start, row in distance.items()
        for end, miles in zip(demand, row, strict=True)
    ]
    served, money = _served_and_money(flow_site(arcs, supply, demand, LEAST_MONEY))
    assert served == pytest.approx(900.0, rel=1e-6)
    assert money == pytest.approx(153_675.0, rel=TOLERANCE)


def test_winston_transshipment() -> None:
    # Winston, Operations Research, p. 400: two plants, two transshipment points, two customers;
    # optimum 6370.
    costs = {
        "Memphis": {"New York": 8, "Chicago": 13, "Los Angeles": 25, "Boston": 28},
        "Denver": {"New York": 15, "Chicago": 12, "Los Angeles": 26, "Boston": 25},
        "New York": {"Chicago": 6, "Los Angeles": 16, "Boston": 17},
        "Chicago": {"New York": 6, "Los Angeles": 14, "Boston": 16},
    }
    arcs = [Arc(a, b, cost=float(c)) for a, row in costs.items() for b, c in row.items()]
    site = flow_site(
        arcs,
        {"Memphis": 150.0, "Denver": 200.0},
        {"Los Angeles": 130.0, "Boston": 130.0},
        LEAST_MONEY,
    )
    served, money = _served_and_money(site)
    assert served == pytest.approx(260.0, rel=1e-6)
    assert money == pytest.approx(6370.0, rel=TOLERANCE)


def test_winston_power_company() -> None:
    # Winston, Operations Research, the power company: three plants, four cities, supply equal to
    # demand; optimum 1020.
    costs = ((8, 6, 10, 9), (9, 12, 13, 7), (14, 9, 16, 5))
    arcs = [
        Arc(f"plant {i}", f"city {j}", cost=float(cost))
        for i, row in enumerate(costs)
        for j, cost in enumerate(row)
    ]
    supply = {f"plant {i}": flow for i, flow in enumerate((35.0, 50.0, 40.0))}
    demand = {f"city {j}": flow for j, flow in enumerate((45.0, 20.0, 30.0, 30.0))}
    served, money = _served_and_money(flow_site(arcs, supply, demand, LEAST_MONEY))
    assert served == pytest.approx(125.0, rel=1e-6)
    assert money == pytest.approx(1020.0, rel=TOLERANCE)


def test_bradley_minimum_cost_flow() -> None:
    # Bradley, Hax & Magnanti, Applied Mathematical Programming, 1977, Fig. 8.1: optimum 150.
    data = (
        """0-1 15 4; 0-2 8 4; 1-2 20 2; 1-3 4 2; 1-4 10 6; 2-3 15 1; 2-4 4 3; 3-4 20 2; 4-2 5 3"""
    )
    site = flow_site(_arcs(data), {"0": 20.0}, {"3": 5.0, "4": 15.0}, LEAST_MONEY)
    served, money = _served_and_money(site)
    assert served == pytest.approx(20.0, rel=1e-6)
    assert money == pytest.approx(150.0, rel=TOLERANCE)


def _arcs(text: str) -> list[Arc]:
    """Arcs of ``from-to capacity [cost]``, with semicolons between."""
    found = []
    for part in text.split(";"):
        ends, *numbers = part.split()
        start, end = ends.split("-")
        capacity, cost = (*map(float, numbers), 0.0)[:2]
        found.append(Arc(start, end, capacity, cost))
    return found


PRACTICE = os.environ.get("ALLOCATOR_PRACTICE_NETWORKS")
"""The folder of fixed-charge networks for practice; they are not part of the repository."""

FIVE_SMALLEST = {
    # Ortega & Wolsey, Networks 41 (2003) 143-158: single-commodity fixed-charge network flow.
    "k10x90": 568.0,
    "r20x100": 15_603.0,
    "l61x114": 60_085.0,
    "g40x132": 26_629.0,
    "sp80x160": 19_549.0,
}


@pytest.mark.skipif(PRACTICE is None, reason="ALLOCATOR_PRACTICE_NETWORKS names no folder")
@pytest.mark.parametrize("name", FIVE_SMALLEST)
def test_fixed_charge_network(name: str) -> None:
    path = Path(PRACTICE or ".") / f"fixed_charge_{name}.csv"
    if not path.exists():
        pytest.skip(f"{path.name} is not there")
    plan = planned(fixed_charge_site(path), gap=1e-7, time_limit=600.0)
    assert goal(plan, "money") == pytest.approx(FIVE_SMALLEST[name], rel=TOLERANCE)
    assert plan.goals[0].bound == pytest.approx(FIVE_SMALLEST[name], rel=TOLERANCE)
