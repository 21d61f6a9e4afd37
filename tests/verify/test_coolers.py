"""Coolers in the audit: the UA of each arrangement by its own relations, and faults of physics."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import ht
import numpy as np
import pytest
from changed_sites import changed_site

from allocator.network import coolers
from allocator.network.deriving import network_of
from allocator.network.reading import check_site
from allocator.physics.exchangers import duty, transfer_units
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.verify import audit
from allocator.verify.coolers import _conductance

KILN = """
format: allocator.site/2
name: One retort and a cooler
ambient: {temperature: 10 degC}
fluids:
  gas:
    heating_value: 12 MJ/kg
    constants: {specific_heat: 1300 J/(kg*K), molar_mass: 24 g/mol}
  bio_co2: {emission: biogenic}
materials: {steel: {stock: 8 t}}
places:
  retort: {at: [0 m, 0 m]}
  shed: {at: [20 m, 0 m]}
sources:
  kiln: {place: retort, fluid: gas, flow: 40 g/s, temperature: 420 degC}
pipes:
  dn100: {capacity: 60 g/s, layers: [{material: steel, mass: 16 kg/m}]}
routes: {walk: {between: [retort, shed]}}
coolers:
  fan:
    fluid: gas
    set_point: 70 degC
    places: [retort]
    conductance: 25 W/K
    coolant: {temperature: 15 degC, capacity: 20 W/K}
machines:
  gas_set:
    inputs: {gas: 10 g/s}
    outputs: {power: 40 kW, bio_co2: 10 g/s}
    places: {shed: 6}
    max_inlet_temperature: 90 degC
demands: {town: {power: 300 kW}}
"""


def needed(
    arrangement: str, hot: tuple[float, float], cold: tuple[float, float], heat: float = 1e3
) -> float:
    """UA, W/K, for 1 kW; K of both streams as they come and as they leave."""
    capacity = heat / (cold[1] - cold[0])
    return _conductance(1.0, heat, 0.0, *hot, cold[0], capacity, arrangement)


@pytest.mark.parametrize(
    ("hot", "cold", "mean", "factor", "read"),
    [
        # Incropera and others, Fundamentals of Heat and Mass Transfer: oil warms water, 8 passes
        ((433.15, 373.15), (288.15, 358.15), 79.9, 0.87, 0.01),
        # Kern, Process Heat Transfer, Example 7.3: kerosene of 390 degF warms crude oil
        ((472.04, 366.48), (310.93, 349.82), 84.72, 0.905, 0.015),
    ],
)
def test_published_exchangers_of_one_shell_pass(
    hot: tuple[float, float], cold: tuple[float, float], mean: float, factor: float, read: float
) -> None:
    """Means of counter flow, and F that the books read off the chart; figures from memory."""
    counter = needed("counter", hot, cold)
    assert 1e3 / counter == pytest.approx(mean, rel=0.003)
    assert counter / needed("shell", hot, cold) == pytest.approx(factor, abs=read)


def test_one_shell_pass_needs_what_other_relations_say() -> None:
    """Fakheri's F (library ht), and the number of transfer units of the planning side."""
    draw = np.random.default_rng(3)
    cases = 0
    for _ in range(200):
        coolant, outlet, inlet = 288.15 + np.cumsum(10 ** draw.uniform(0, 2.3, 3))
        capacity, flow = 10 ** draw.uniform(0, 2, 2)
        heat = flow * (inlet - outlet)
        warm = coolant + heat / capacity
        found = _conductance(flow, inlet - outlet, 0.0, inlet, outlet, coolant, capacity, "shell")
        least, most = sorted((flow, capacity))
        share = heat / least / (inlet - coolant)
        ratio = least / most
        if share >= 2.0 / (1.0 + ratio + np.sqrt(1.0 + ratio**2)):
            assert found == np.inf
            continue
        cases += 1
        assert found == pytest.approx(least * transfer_units(share, ratio, "shell"), rel=1e-9)
        counter = heat / ht.LMTD(Thi=inlet, Tho=outlet, Tci=coolant, Tco=warm)
        factor = ht.F_LMTD_Fakheri(Thi=inlet, Tho=outlet, Tci=coolant, Tco=warm, shells=1)
        assert found == pytest.approx(counter / factor, rel=1e-6)
    assert 50 < cases < 150


def test_more_than_one_shell_pass_can_do_is_refused() -> None:
    """An effectiveness of 0.79 where 0.654 is the most: counter flow would take 151 W/K."""
    asked = (0.05, 330e3, 0.0, 673.15, 373.15, 293.15, 70.0)
    assert _conductance(*asked, "counter") == pytest.approx(151.374, rel=1e-5)
    assert _conductance(*asked, "shell") == np.inf


def planned(site: Site) -> Plan:
    plan = make_plan(site, Settings(gap=1e-3, node_limit=50)).plan
    assert plan is not None
    return plan


def test_coolant_that_boils_has_no_capacity(tmp_path: Path) -> None:
    """NTU = -ln(1 - (420 - 70)/(420 - 15)) of gas alone, and what the loop would take is told."""
    boils = ("    conductance", "    arrangement: condenser\n    conductance")
    with_it = changed_site(KILN, tmp_path, boils)
    without = changed_site(KILN, tmp_path, boils, (", capacity: 20 W/K", ""))
    rate = 25 / 1300 / -np.log(1 - 350 / 405)
    for site in (with_it, without):
        network = network_of(site)
        unit = coolers.unit_of(network, network.coolers["fan"], 693.15)
        assert unit.rate == pytest.approx(rate, rel=1e-6)
    plan = planned(with_it)
    assert audit(with_it, plan).breaches == ()
    assert plan.power.firm_clean == pytest.approx(planned(without).power.firm_clean)
    file = tmp_path / "boils.yaml"
    file.write_text(KILN.replace(*boils), encoding="utf-8")
    assert any("coolant.capacity has no effect" in str(w) for w in check_site(file).warnings)


@pytest.mark.parametrize(
    ("true", "taken"),
    [
        ("shell", "counter"),
        ("parallel", "counter"),
        ("shell", "parallel"),
        ("counter", "condenser"),
    ],
)
def test_a_fault_of_the_exchangers_of_planning_is_found(
    true: str, taken: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = changed_site(
        KILN, tmp_path, ("    conductance", f"    arrangement: {true}\n    conductance")
    )
    plan = planned(site)
    assert audit(site, plan).breaches == ()
    monkeypatch.setattr(coolers, "duty", lambda *given: duty(*given[:5], taken))
    mistaken = planned(replace(site))
    if taken == "parallel":  # errs on the safe side
        assert mistaken.power.firm_clean < 0.99 * plan.power.firm_clean
        assert audit(replace(site), mistaken).accepted
        return
    assert mistaken.power.firm_clean > 1.01 * plan.power.firm_clean
    assert audit(replace(site), mistaken).rules == ("cooler_conductance",)
    monkeypatch.undo()
    assert {"cooler_conductance", "pipe_capacity"} <= set(audit(replace(site), mistaken).rules)


@pytest.mark.parametrize(("key", "rule"), [("rate", "cooler_rate"), ("duty", "cooler_duty")])
def test_limits_of_a_cooler_hold_to_the_last_digits(key: str, rule: str, tmp_path: Path) -> None:
    """The rate of the file as closely as any limit; the duty as two integrals agree."""
    given = {"rate": "rate: 5 g/s", "duty": "duty: 2275 W"}[key]
    site = changed_site(KILN, tmp_path, ("    conductance", f"    {given}\n    conductance"))
    plan = planned(site)
    assert audit(site, plan).accepted
    cooler = site.coolers["fan"]
    most = getattr(cooler, key)
    assert most is not None
    share = {"rate": 1e-8, "duty": 2e-4}[key]
    less = replace(cooler, **{key: most * (1 - share)})
    assert rule in audit(replace(site, coolers={"fan": less}), plan).rules
