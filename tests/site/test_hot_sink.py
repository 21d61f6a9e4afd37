"""Every key of temperature and of capacity by bore: read, and expanded into levels."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from fluids.friction import friction_factor

from allocator.network.deriving import network_of
from allocator.network.reading import check_site, read_site
from allocator.site.records import Cooler, Material, Site

KELVIN = 273.15
HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def site() -> Site:
    return network_of(read_site(HERE / "hot_sink.yaml"))


def test_nothing_is_odd() -> None:
    report = check_site(HERE / "hot_sink.yaml")
    assert report.faults == ()
    # vapour, a life without interest, and pressures along lines, as its sources have some
    wet, told, lives = report.warnings
    assert "4 g/s without its vapour, 4.73 g/s with it" in wet.problem
    assert "'life' has no effect" in lives.problem
    assert told.subject == "pipe 'dn50'"
    assert "'outlet_pressure' do not count for 'hydrogen', 'syngas'" in told.problem


def test_materials(site: Site) -> None:
    assert site.ambient.ground_conductivity == 1.6
    assert site.materials["steel"] == Material(
        "steel", 60_000.0, density=7850.0, conductivity=((0.0, 45.0),)
    )
    wool = site.materials["wool"]
    assert wool.conductivity[0] == (283.15, 0.033)
    assert wool.conductivity[-1] == (723.15, 0.15)
    assert (wool.density, wool.emissivity, wool.max_temperature) == (100.0, 0.3, 923.15)
    assert site.materials["gap"].vacuum


def test_places(site: Site) -> None:
    limits = {name: place.heat_limit for name, place in site.places.items()}
    assert limits.pop("kiln_hall") == 200_000
    assert set(limits.values()) == {None}


def test_builds(site: Site) -> None:
    build = site.pipes["dn50"]
    assert build.by_bore
    assert (build.inlet_pressure, build.outlet_pressure) == (130_000.0, 105_000.0)
    assert (build.max_velocity, build.max_mach, build.roughness) == (15.0, 0.2, 5e-5)
    assert build.max_temperature == 773.15
    # DN50 schedule 40 by ASME B36.10M: 5.44 kg/m; the wool around it by its volume
    steel, wool = build.layers
    assert steel.mass == pytest.approx(5.44, abs=0.006)
    inner = (0.0525 + 2 * 0.00391) / 2
    assert wool.mass == pytest.approx(math.pi * ((inner + 0.06) ** 2 - inner**2) * 100)


def test_equipment(site: Site) -> None:
    assert site.machines["cell"].max_inlet_temperature == 333.15
    assert site.machines["reformer"].outlet_temperature == 363.15
    assert site.storage["holder"].max_inlet_temperature == 323.15
    assert site.demands["kiln"].max_inlet_temperature == 333.15
    source = site.sources["north"]
    assert source.water == 0.02
    assert source.pump is not None
    assert source.pump.max_inlet_temperature == 363.15
    assert site.coolers["fin_fan"] == Cooler(
        "fin_fan",
        "hydrogen",
        323.15,
        {"kiln_hall": 3},
        rate=0.003,
        duty=20_000.0,
        conductance=200.0,
        coolant=288.15,
        coolant_capacity=400.0,
        power_share=0.02,
        materials={"fins": 40.0},
        price=2000.0,
        life=15 * 31_557_600.0,
        recovery=0.08,
        rejects_at="kiln_hall",
        threshold=423.15,
    )


def test_hot_gas_leaves_the_mouth_through_a_cooler_only(site: Site) -> None:
    """Its pump bears 90 degC and the gas comes with 380."""
    mouth = site.sources["north"].place
    ways = [r for r in site.routes.values() if mouth in (r.start, r.end)]
    assert ways
    assert all(r.stream is not None and r.stream.kind == "cooler" for r in ways)
    assert all(r.start == mouth and r.one_way for r in ways)
    assert site.places[mouth].part_of == "kiln_hall"


def test_routes_keep_what_is_around_them(site: Site) -> None:
    pipes = [r for r in site.routes.values() if r.stream is not None and r.stream.kind == "pipe"]
    assert pipes
    for route in pipes:
        assert (route.burial_depth, route.max_surface_temperature, route.heat_limit) == (
            1.2,
            328.15,
            80_000.0,
        )
        assert route.stream is not None
        assert route.stream.corridor == "lane"
        assert route.stream.outlet <= route.stream.inlet


def test_what_a_machine_gives_hot_does_not_enter_what_bears_less(site: Site) -> None:
    (reformer,) = site.machines["reformer"].places
    (cell,) = site.machines["cell"].places
    assert reformer != cell
    out = [r for r in site.routes.values() if r.start == reformer and r.one_way]
    assert [r.stream.outlet for r in out if r.stream is not None and r.stream.fluid] == [363.15]
    into = [r for r in site.routes.values() if r.end == cell and r.stream is not None]
    levels = [r.stream.inlet for r in into if r.stream is not None and r.stream.fluid == "hydrogen"]
    assert levels
    assert max(levels) <= 333.15


def test_capacity_of_a_bore_by_hand(site: Site) -> None:
    """All that 1.4 bar and a compressor can push to an end where the gas is at most 15 m/s fast.

    The pressure at the end follows from the speed there, the one at the mouth from friction with
    Colebrook's factor, raised by 1 / (1 - e) for the gas's acceleration.
    """
    route = next(
        r
        for r in site.routes.values()
        if r.stream is not None and r.stream.inlet == 323.15 and r.stream.kind == "pipe"
    )
    rate = site.capacity(route.name, "dn50", "hydrogen")
    # 2 % of vapour by volume come along: 18 % of the mass, in a gas that is as much heavier
    wet, bore = 0.98 * 2.01588e-3 + 0.02 * 18.015268e-3, 0.0525
    law = 8.314462618 / wet * 323.15
    dry = rate / (math.pi / 4 * bore**2)
    flux = dry * wet / (0.98 * 2.01588e-3)
    end = flux * law / 15
    factor = friction_factor(dry * bore / 9.4e-6, 5e-5 / bore)
    mouth = end**2 + factor * route.length / bore * flux**2 * law / (1 - 15**2 / law)
    compressor = (1.1**2 - 1) * 101_300.0**2  # at the ambient pressure, the least at its inlet
    assert mouth == pytest.approx(1.4e5**2 + compressor, rel=2e-3)
