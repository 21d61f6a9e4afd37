"""Inexact cycles beside a chamber or a heat sink, and known phases of cycles that vary."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import allocator as al
from allocator.network.deriving import network_of
from allocator.network.sinks import guaranteed
from allocator.site.records import Spread
from allocator.studies.source_worth import source_rows
from allocator.verify.case import case_of
from allocator.verify.tanks.true_clocks import drawn_cycle
from tests.search.test_known_phases import HALF, HOUR, planned, site_of, source

CASES = Path(__file__).parents[1] / "cases"
UNEVEN = [{"drift": 0.02}, {"jitter": 60.0}, {"drift": 0.02, "jitter": 60.0}]


def uneven(site: al.Site, **known: float) -> al.Site:
    (name,) = site.sources
    return replace(site, sources={name: replace(site.sources[name], **known)})


@pytest.mark.parametrize("known", UNEVEN)
def test_a_chamber_of_an_inexact_source_is_not_drawn_on_through_pauses(
    known: dict[str, float],
) -> None:
    """The plan is that of the same pump without the chamber, and true clocks do not break it."""
    site = uneven(al.read_site(CASES / "chamber_bridges_gap.yaml"), **known)
    exact = uneven(site, drift=0.0, jitter=0.0)
    result, best = (al.plan(one, node_limit=2000).plan for one in (site, exact))
    assert [use.name for use in result.sources] == ["cell_purge"]
    (own,) = site.sources.values()
    assert own.pump is not None
    bare = replace(site, sources={own.name: replace(own, pump=replace(own.pump, chamber=None))})
    alone = al.plan(bare, node_limit=2000).plan
    assert result.power.firm_clean == pytest.approx(alone.power.firm_clean, rel=1e-6)
    assert 0 < result.power.firm_clean < best.power.firm_clean
    assert al.audit(site, result).accepted
    assert not al.audit(site, replace(best, site_sha256=site.sha256, set_points=None)).accepted
    trace = al.simulate(site, result, draws=20, days=1, foresight=0)
    assert trace.kept
    (row,) = source_rows(site)
    (apart,) = source_rows(bare)
    assert row.firm_draw == pytest.approx(apart.firm_draw, rel=1e-12)


@pytest.mark.parametrize(
    ("known", "spread"),
    [
        *((known, None) for known in UNEVEN),
        ({}, ("on", Spread(250.0, 310.0, 400.0, varies=True))),
        ({}, ("every", Spread(500.0, 640.0, 700.0, varies=True))),
    ],
)
def test_no_true_clock_makes_a_heat_sink_hotter_than_its_bound(
    known: dict[str, float], spread: tuple[str, Spread] | None
) -> None:
    """C dT/dt of true clocks, drawn burst by burst over a thousand bursts, in steps of exp."""
    read = al.read_site(CASES / "heat_sink_cools.yaml")
    read = replace(
        read,
        heat_sinks={"sink": replace(read.heat_sinks["sink"], loss_conductance=400.0)},
        sources={name: replace(one, stages=one.stages[:1]) for name, one in read.sources.items()},
        spreads={}
        if spread is None
        else {f"sources.furnace_purge.cycle[1].{spread[0]}": spread[1]},
    )
    site = uneven(read, **known)
    network = network_of(site)
    heat_sink = site.heat_sinks["sink"]
    sure = guaranteed(network, heat_sink, 5000.0, False)
    plain = guaranteed(
        network_of(uneven(replace(site, spreads={}), drift=0.0, jitter=0.0)),
        heat_sink,
        5000.0,
        False,
    )
    assert not isinstance(sure, str)
    assert not isinstance(plain, str)
    assert sure.outlet > plain.outlet
    result = al.plan(site, node_limit=500).plan
    assert al.audit(site, result).accepted
    case = case_of(network, result)
    hot, around = site.sources["furnace_purge"].temperature, site.ambient.temperature
    assert hot is not None
    contact, loss, capacity = 0.0095 * 14.4e3 * heat_sink.effectiveness, 400.0, 5000.0 * 4180.0
    rng = np.random.default_rng(5)
    high = heat_sink.initial_temperature
    for _ in range(3):
        cycle = drawn_cycle(case, "furnace_purge", rng)
        spans = np.diff(np.append(cycle.times, cycle.period))
        kelvin = heat_sink.initial_temperature
        for _ in range(int(8 * capacity / loss / cycle.period) + 1):
            for span, rate in zip(spans, cycle.rates, strict=True):
                taken = loss + contact * rate
                settled = (loss * around + contact * rate * hot) / taken
                kelvin = settled + (kelvin - settled) * np.exp(-span * taken / capacity)
                high = max(high, kelvin)
    assert hot - heat_sink.effectiveness * (hot - high) <= sure.outlet


def test_wet_gas_of_an_inexact_source_does_not_count_on_a_warm_sink() -> None:
    """How cold a sink gets is not bounded then: its gas is as wet as beside a cold one."""
    site = al.read_site(CASES / "heat_sink_cools.yaml")
    site = replace(
        site, heat_sinks={"sink": replace(site.heat_sinks["sink"], loss_conductance=400.0)}
    )
    (own,) = site.sources.values()
    for water, counts in ((None, True), (0.05, False)):
        wet = replace(site, sources={own.name: replace(own, water=water, jitter=60.0)})
        network = network_of(wet)
        found = guaranteed(network, wet.heat_sinks["sink"], 5000.0, False)
        assert isinstance(found, str) is not counts


def test_a_known_phase_of_a_cycle_that_varies_is_any_phase() -> None:
    """The same plan as without the clock; drawn worlds and the store's worst window keep it."""
    site = site_of(source("a", 0.0, clock="calendar", error=0.0), source("b", 12 * HOUR))
    spreads = {"sources.a.cycle[1].on": Spread(10 * HOUR, 12 * HOUR, 14 * HOUR, varies=True)}
    known = replace(site, spreads=spreads)
    free = replace(known, sources={n: source(n, 0.0, stages=HALF) for n in ("a", "b")})
    power, _, size = planned(known)
    least, _, same = planned(free)
    assert power == pytest.approx(least, rel=1e-9)
    assert size == pytest.approx(same, rel=1e-9)
