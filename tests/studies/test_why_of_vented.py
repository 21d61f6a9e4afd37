"""What is said of larger flows of a gas that counts when vented, against plans of such sites."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.studies.carrying import carried_rows
from allocator.studies.why_result import conflict_for

EXACT = Settings(node_limit=100_000, gap=5e-7)
SITE = """
format: allocator.site/2
name: Clean and emitting
goals: [served_power, emissions]
fluids:
  biogas: {phase: gas, catalogue: biogas}
  diesel: {catalogue: diesel}
  bio_co2: {phase: gas, emission: biogenic}
  fossil_co2: {phase: gas, emission: counted}
materials: {steel: {stock: 3 t}}
places: {farm: {at: [0 m, 0 m]}, works: {at: [150 m, 0 m]}}
sources:
  digester: {place: farm, fluid: biogas, flow: 4 g/s, when_untapped: vents}
  lagoon: {place: farm, fluid: biogas, flow: 6 g/s, cycle: [{on: 4 h, every: 12 h}],
    when_untapped: vents}
  depot: {place: works, fluid: diesel, flow: 50 g/s}
storage:
  holder: {holds: biogas, places: [works], size: {max: 200 kg}, materials: {steel: 5 kg/kg}}
pipes: {dn50: {capacity: 20 g/s, layers: [{material: steel, mass: 5.03 kg/m}]}}
routes: {lane: {between: [farm, works]}}
machines:
  gas_set: {inputs: {biogas: 2.5 g/s}, outputs: {power: 15 kW, bio_co2: 4.05 g/s},
    places: {works: 4}}
  diesel_set: {inputs: {diesel: 2 g/s}, outputs: {power: 32 kW, fossil_co2: 6.38 g/s},
    places: {works: 2}}
  flare: {inputs: {biogas: 8 g/s}, outputs: {bio_co2: 12.96 g/s}, places: [farm, works],
    flare: true}
demands: {town: {power: 60 kW}}
"""


def with_limit(tmp_path: Path, emission: str, share: str = "100 %") -> Site:
    """The site with a cap, and so much of its demand that must be served."""
    text = SITE.replace("60 kW", f"60 kW, min_share: {share}")
    file = tmp_path / "site.yaml"
    file.write_text(f"{text}limits: {{emission: {emission}}}\n", encoding="utf-8")
    return read_site(file)


def with_flows(site: Site, factor: float) -> Site:
    """The site with so many times the biogas of its file."""
    sources = {
        name: replace(s, flow=s.flow * factor) if s.fluid == "biogas" else s
        for name, s in site.sources.items()
    }
    return replace(site, sources=sources)


def test_a_sufficient_flow_suffices_and_no_less(tmp_path: Path) -> None:
    """More flow is more that is vented for as long as nobody takes it."""
    site = with_limit(tmp_path, "4 g/s")
    assert site.fluids["biogas"].vented_weight > 0
    found = conflict_for(site, EXACT, [])
    (flow,) = [change for change in found.changes if change.limit.kind == "flow"]
    assert flow.amount is not None
    assert flow.proven
    assert make_plan(with_flows(site, 1 + flow.amount), EXACT).plan is not None
    assert make_plan(with_flows(site, 1 + 0.98 * flow.amount), EXACT).plan is None


def test_what_stops_the_next_generator(tmp_path: Path) -> None:
    """A larger flow of gas that must be flared lets no further engine of oil run."""
    site = with_limit(tmp_path, "12 g/s", "0 %")

    def units(kind: str, factor: float) -> float:
        rows = carried_rows(with_flows(site, factor), EXACT)
        return next(row.firm for row in rows if row.machine == kind)

    rows = carried_rows(site, EXACT)
    assert {row.machine for row in rows} == {"gas_set", "diesel_set"}
    for row in rows:
        for stop in row.stops:
            if stop.limit.kind == "flow" and stop.more is not None:
                assert units(row.machine, 1 + stop.more) >= row.firm // 1 + 1 - 1e-4


def test_the_marginal_value_of_a_flow_that_is_vented(tmp_path: Path) -> None:
    """What one percent more brings, with the same whole things: planned with a little more."""
    site = with_limit(tmp_path, "12 g/s", "0 %")
    plan = make_plan(site, replace(EXACT, prices=True)).plan
    assert plan is not None
    (flow,) = [price for price in plan.prices if price.kind == "flow"]
    assert flow.goal == "emissions"
    little = 1e-3
    more = make_plan(with_flows(site, 1 + little), EXACT).plan
    assert more is not None
    assert [m.count for m in more.machines] == [m.count for m in plan.machines]
    gained = plan.emissions.counted - more.emissions.counted
    assert flow.rate * little == pytest.approx(gained, rel=1e-3)
