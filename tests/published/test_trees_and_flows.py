"""Greatest flows and a least-length tree with a published optimum, put as sites and planned."""

from __future__ import annotations

import pytest
from transport_sites import GOODS, Arc, flow_site, goal, planned

from allocator.site.records import (
    Demand,
    Fluid,
    Layer,
    Material,
    PipeType,
    Place,
    Route,
    Site,
    Source,
)

# Christofides, Graph Theory: An Algorithmic Approach, 1975: from 1 to 9; optimum 29.
CHRISTOFIDES = """1-2 14, 1-4 23, 2-3 10, 2-4 9, 3-5 12, 3-8 18, 4-5 26, 5-2 11, 5-6 25, 5-7 4,
6-7 7, 6-8 8, 7-9 15, 8-9 20"""

# Taha, Operations Research, Example 6.4-2: from 0 to 4; optimum 60.
TAHA = "0-1 20, 0-2 30, 0-3 10, 1-2 40, 1-4 30, 2-3 10, 2-4 20, 3-2 5, 3-4 20"


@pytest.mark.parametrize(
    ("data", "start", "end", "optimum"),
    [(CHRISTOFIDES, "1", "9", 29.0), (TAHA, "0", "4", 60.0)],
    ids=["Christofides", "Taha"],
)
def test_greatest_flow(data: str, start: str, end: str, optimum: float) -> None:
    arcs = []
    for part in data.split(","):
        ends, capacity = part.split()
        arcs.append(Arc(*ends.split("-"), capacity=float(capacity)))
    plenty = sum(arc.capacity or 0.0 for arc in arcs)
    plan = planned(flow_site(arcs, {start: plenty}, {end: plenty}, ("served_fluid",)))
    assert goal(plan, "served_fluid") == pytest.approx(optimum, rel=1e-6)
    assert plan.goals[0].bound == pytest.approx(optimum, rel=1e-6)


# SteinLib b01 (Koch, Martin & Voss 2001; Beasley, Networks 19 (1989) 147-159): the least length
# that joins all terminals is 82.
TERMINALS = ["48", "49", "22", "35", "27", "12", "37", "34", "24"]
EDGES = """2 8 8; 2 21 7; 2 32 2; 4 5 8; 7 29 7; 11 3 7; 14 31 9; 17 6 7; 17 42 6; 18 19 2; 18 28 1;
18 43 1; 19 2 5; 20 7 3; 20 14 7; 20 16 8; 20 27 2; 20 38 8; 20 40 10; 20 48 2; 21 12 7; 21 17 5;
21 18 10; 22 10 6; 22 20 2; 22 21 2; 22 40 8; 22 43 7; 25 34 4; 27 34 4; 28 5 8; 28 24 5; 29 9 5;
29 33 7; 30 5 4; 30 15 1; 30 16 2; 33 35 3; 34 20 10; 34 30 2; 36 2 8; 36 4 6; 36 11 9; 36 39 7;
36 49 9; 36 50 10; 40 15 10; 40 23 3; 41 1 5; 41 22 8; 41 25 5; 41 36 2; 41 44 7; 41 47 7; 42 6 9;
42 46 10; 44 24 8; 44 39 3; 45 26 6; 45 28 1; 47 37 3; 47 45 10; 50 13 1"""


def test_least_length_tree() -> None:
    pipe = PipeType("pipe", 20.0, (Layer("steel", 1.0),))
    root, *others = TERMINALS
    routes, places = {}, {}
    for edge in EDGES.split(";"):
        start, end, length = edge.split()
        name = f"{start} to {end}"
        routes[name] = Route(name, start, end, float(length), (pipe.name,))
        places |= {start: Place(start), end: Place(end)}
    site = Site(
        name="b01",
        fluids={GOODS: Fluid(GOODS)},
        materials={"steel": Material("steel")},
        places=places,
        sources={"spring": Source("spring", root, GOODS, 20.0)},
        storage={},
        pipes={pipe.name: pipe},
        routes=routes,
        machines={},
        demands={end: Demand(end, GOODS, 1.0, end, min_share=1.0) for end in others},
        goals=("scarce_material",),
    )
    plan = planned(site)
    assert plan.status == "optimal"
    assert goal(plan, "scarce_material") == pytest.approx(82.0, rel=1e-9)
    assert sum(routes[run.route].length for run in plan.runs) == pytest.approx(82.0, rel=1e-9)
