"""Units that nothing uses are left out of a plan, however the search came by them."""

from __future__ import annotations

from pathlib import Path

import pytest
from flared_site import WELLS

from allocator.base.clock import Clock
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import goals_of
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.search.clean_up import trimmed
from allocator.search.neighbourhoods import layout_of
from allocator.search.paths.known import point_of_plan
from allocator.search.state import SearchState, hold
from allocator.solver.solver_model import SolverModel


@pytest.mark.parametrize("guarded", [0.0, 150.0])
def test_flares_that_nothing_uses_are_trimmed(guarded: float, tmp_path: Path) -> None:
    """Units that turn may have the room for what is burnt, and what is guarded has no upper end."""
    path = tmp_path / "site.yaml"
    text = WELLS.replace("{works: 1}", "{works: 9}").replace(
        "power: 400 kW, place", "power: 200 kW, place"
    )
    path.write_text(text)
    site, settings = network_of(read_site(path)), Settings(node_limit=500, threads=1)
    plan = make_plan(site, settings).plan
    assert plan is not None
    assert {use.type: use.count for use in plan.machines} == {"engine": 1, "flare": 1}
    model, sets = state(site, "firm")
    solver_model = SolverModel(model, lazy_cuts(model, sets), settings, Clock(None))
    clean, emissions = goals_of(model, sets)[:2]
    hold(SearchState(solver_model, layout_of(model, sets), None), clean, 200e3)
    solver_model.aim(emissions)
    point = solver_model.exact(point_of_plan(model, sets, plan), None).point
    assert point is not None
    more = point.copy()
    flare = "flare@works"
    more[model.index(("running", flare))] = more[model.index(("count", flare))] = 1000.0
    more[model.index(("count", "engine@works"))] = 9.0
    more[model.index(("beside", flare))] = 0.0
    more[model.index(("guarded", flare, "holder@works"))] += guarded
    assert solver_model.exact(more, None).point is not None
    found = solver_model.exact(trimmed(solver_model, sets, more), None).point
    assert found is not None
    # the holder is not built, and the flare beside it burns what overflows there
    assert found[model.index(("guards", flare, "holder@works"))] == 1.0
    assert [found[model.index(("count", name))] for name in ("engine@works", flare)] == [1.0, 1.0]
