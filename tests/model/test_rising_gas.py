"""Gas that rises loses what its own pressure says, whatever else there is at another pressure."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from allocator.network.pressure_records import PipeLoss, Rise
from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.verify import audit

SITE = """format: allocator.site/2
name: Uphill
goals: [clean_power]
fluids:
  gas: {{phase: gas, heating_value: 20 MJ/kg, constants: {{density: {density} kg/m^3,
    viscosity: 1.3e-5, specific_heat: {heat}, conductivity: 0.03}}}}
  liquor: {{phase: liquid, heating_value: 10 MJ/kg}}
  co2: {{phase: gas, emission: biogenic}}
places:
  low: {{at: [0 m, 0 m]}}
  top: {{at: [400 m, 0 m], elevation: 60 m}}
  far: {{at: [0 m, 900 m]}}
sources:
  well: {{place: low, fluid: gas, flow: 80 g/s, pressure: 1.4 bar}}
{source}
pipes: {{dn50: {{bore: 52 mm, fluids: [gas]{pipe}}}}}
routes: {{up: {{between: [low, top], length: 410 m}}}}
storage:
  holder: {{holds: gas, places: [top], size: {{max: 1 kg}}, min_pressure: 1.04 bar,
    max_pressure: 1.2 bar}}
{store}
machines:
  engine: {{inputs: {{gas: 1 g/s}}, outputs: {{power: 8 kW, co2: 2 g/s}}, places: {{top: 90}},
    min_inlet_pressure: 1.035 bar}}
{machine}
demands: {{town: {{power: 900 kW}}}}
"""
UNUSED = {
    "a source without a route": {
        "source": "  other: {place: far, fluid: gas, flow: 1 g/s, pressure: 20 bar}"
    },
    "a store that nothing fills": {
        "store": "  bottle: {holds: gas, places: [top], size: {max: 1 kg}, min_pressure: 1.04 bar,"
        " max_pressure: 20 bar}"
    },
    "a machine without its fuel": {
        "machine": "  boiler: {inputs: {liquor: 20 g/s}, outputs: {gas: 1 g/s},"
        " outlet_pressure: 20 bar, places: {top: 1}}"
    },
    "a source of no stated pressure": {"source": "  other: {place: far, fluid: gas, flow: 1 g/s}"},
}


def power(folder: Path, density: float, **more: str) -> float:
    path = folder / "site.yaml"
    given = {"source": "", "store": "", "machine": "", "pipe": "", **more}
    path.write_text(SITE.format(**given, density=density, heat=14e3 if density < 0.5 else 1500))
    site = read_site(path)
    plan = make_plan(site, Settings(gap=1e-7, node_limit=2000)).plan
    assert plan is not None
    assert plan.goals[0].status == "optimal"
    assert audit(site, plan).accepted
    return plan.goals[0].value


@pytest.mark.parametrize("density", [0.09, 1.1, 1.9])
@pytest.mark.parametrize("unused", list(UNUSED))
def test_a_pressure_that_nothing_has_on_a_line_takes_nothing_there(
    unused: str, density: float, tmp_path: Path
) -> None:
    plain = power(tmp_path, density)
    assert plain > 30e3
    assert power(tmp_path, density, **UNUSED[unused]) == pytest.approx(plain, rel=1e-6)


def test_a_looser_velocity_never_gives_less(tmp_path: Path) -> None:
    """20 m/s keep it back a little; gas that is slower than a limit loses by its own speed."""
    found = [power(tmp_path, 1.1, pipe=f", max_velocity: {v} m/s") for v in (20, 80, 140)]
    assert found[0] < found[1] == pytest.approx(found[2], rel=1e-6)


@pytest.mark.parametrize("density", [0.09, 0.7, 1.1, 1.9])
@pytest.mark.parametrize("bar", [1.02, 1.4, 3.0, 20.0])
@pytest.mark.parametrize("friction", [0.0, 0.1])
def test_no_more_is_left_than_a_column_walked_upwards_leaves(
    density: float, bar: float, friction: float
) -> None:
    """``d(p^2) = -2 g (p^2 / (Rs T) - rho_air p) dh`` less friction, in small steps."""
    ambient, law, air, height = 101_325.0, 101_325.0 / density, 1.225, 80.0
    growth, floats = 2 * 9.80665 * height / law, 2 * 9.80665 * height * air
    least = max(air * law / 2, ambient)
    rise = Rise(growth, floats, max(0.0, floats * least - growth * least**2))
    head = growth * ambient**2 - floats * ambient
    pipe = PipeLoss(0.0, 0.0, 0.0, head, 0.0, math.inf, rise=rise)
    start = (bar * 1e5) ** 2
    lost = friction * (start - ambient**2)
    walked, steps = start, 2000
    for _ in range(steps):
        walked -= (growth * walked - floats * math.sqrt(walked) + lost) / steps
    left = pipe.after(start, lost)
    assert left <= walked + 1e-9 * start
    assert left == pytest.approx(walked, abs=5e-3 * start)
    assert pipe.before(left, lost) == pytest.approx(start, rel=1e-9)
    value, slope = pipe.head_at(start)
    for other in (ambient**2, 0.5 * start, 2.0 * start):
        assert pipe.head_at(other)[0] >= value + slope * (other - start) - 1e-9 * start
