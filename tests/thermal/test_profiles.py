"""Temperature along pipes: the ends of the plan, one law from point to point, the exponential."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import FlowHeat
from allocator.site.records import Site
from allocator.thermal import profiles_of

NETWORKS = Path(__file__).resolve().parents[2] / "networks"


@pytest.fixture(scope="module")
def site() -> Site:
    return network_of(read_site(NETWORKS / "cool_first.yaml"))


def flow_of(site: Site, build: str, inlet: float = 323.15, rate: float = 0.01) -> FlowHeat:
    """A flow along the track; its outlet and losses are for the profile to find."""
    route = next(name for name, r in site.routes.items() if r.stream and r.stream.kind == "pipe")
    start = site.routes[route].start
    return FlowHeat(route, build, "hydrogen", start, "busiest", rate, inlet, math.nan, 0.0)


@pytest.mark.parametrize("build", ["bare", "thin", "thick"])
def test_a_run_begun_anew_at_any_point_ends_the_same(site: Site, build: str) -> None:
    (whole,) = profiles_of(network_of(site), [flow_of(site, build)])
    route = site.routes[whole.flow.route]
    for k in (4, 12, 20):
        rest = replace(route, length=route.length - whole.metres[k])
        shorter = replace(site, routes={**site.routes, route.name: rest})
        (again,) = profiles_of(network_of(shorter), [flow_of(site, build, inlet=whole.fluid[k])])
        assert again.fluid[-1] == pytest.approx(whole.fluid[-1], abs=0.05)
        assert again.surface[0] == pytest.approx(whole.surface[k], abs=0.05)


def test_it_cools_towards_the_surroundings_and_its_surface_is_no_warmer(site: Site) -> None:
    around = site.ambient.temperature
    for build in site.pipes:
        for found in profiles_of(network_of(site), [flow_of(site, build)]):
            assert found.metres[0] == 0.0
            assert found.metres[-1] == pytest.approx(site.routes[found.flow.route].length)
            assert found.fluid[0] == found.flow.inlet
            assert all(np.diff(found.fluid) < 0)
            assert found.fluid[-1] >= around
            outside = zip(found.surface, found.fluid, strict=True)
            assert all(around <= surface <= fluid + 1e-6 for surface, fluid in outside)


def test_a_well_insulated_run_is_the_exponential(site: Site) -> None:
    """Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, internal flow with a constant

    ambient temperature: ln((Ta - T(x)) / (Ta - T0)) falls straight with x (from memory). Layers
    that hold most of the resistance make it nearly constant, so the straight line holds to 3 %.
    """
    thick = max(site.pipes.values(), key=lambda b: sum(y.thickness or 0.0 for y in b.layers))
    (found,) = profiles_of(network_of(site), [flow_of(site, thick.name)])
    around = site.ambient.temperature
    falls = np.log((np.array(found.fluid) - around) / (found.fluid[0] - around))
    assert falls[-1] < -0.01
    slope = falls[-1] / found.metres[-1]
    assert falls[1:] == pytest.approx(slope * np.array(found.metres)[1:], rel=0.03)


def test_what_is_not_known_has_no_profile(site: Site) -> None:
    still = replace(flow_of(site, "bare"), rate=0.0)
    assert profiles_of(network_of(site), [still]) == []
    cooler = next(name for name, r in site.routes.items() if r.stream and r.stream.kind == "cooler")
    assert profiles_of(network_of(site), [replace(flow_of(site, "bare"), route=cooler)]) == []
