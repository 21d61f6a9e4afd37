"""Ranges in a site file, and every number of a site by its address."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from allocator.network.facts import FactError, changed, fact_named, facts_of
from allocator.network.reading import read_site
from allocator.site.addresses import AddressError
from allocator.site.kinds import RANGE_KEYS
from allocator.site.records import Site, Spread, Stage

NETWORKS = Path(__file__).parents[2] / "networks"


@pytest.fixture
def site(kitchen_sink: Path) -> Site:
    return read_site(kitchen_sink)


def test_what_is_planned_with_and_what_may_be(site: Site) -> None:
    assert site.machines["gas_engine"].outputs["bio_co2"] == 0.021
    assert site.machines["diesel_set"].outputs["fossil_co2"] == 0.0063
    assert site.spreads == {
        "machines.gas_engine.outputs.bio_co2": Spread(0.02, 0.021, 0.024, peaked=True),
        "machines.diesel_set.outputs.fossil_co2": Spread(
            0.0063 - 3 * 1e-4, 0.0063, 0.0063 + 3 * 1e-4, sd=1e-4
        ),
    }


def test_an_even_range_is_planned_with_in_the_middle(tmp_path: Path) -> None:
    text = (NETWORKS / "first.yaml").read_text(encoding="utf-8")
    path = tmp_path / "site.yaml"
    path.write_text(text.replace("flow: 12 g/s", "flow: {low: 10 g/s, high: 14 g/s}"), "utf-8")
    read = read_site(path)
    assert read.sources["digester"].flow == pytest.approx(0.012)
    assert read.spreads["sources.digester.flow"] == Spread(0.01, 0.012, 0.014)


@pytest.mark.parametrize("name", sorted(RANGE_KEYS))
def test_a_place_may_be_named_as_a_key_of_ranges(tmp_path: Path, name: str) -> None:
    text = (NETWORKS / "first.yaml").read_text(encoding="utf-8")
    path = tmp_path / "site.yaml"
    path.write_text(re.sub(r"\bmill\b", name, text), "utf-8")
    assert read_site(path).machines["small_engine"].places == {name: 4}


def test_every_fact_reads_back_and_changes_alone(site: Site) -> None:
    """Each one, put to a value that it may have: that one changes and no other."""
    before = {address: fact.value for address, fact in facts_of(site).items()}
    assert len(before) > 40
    for address, fact in facts_of(site).items():
        value = 0.5 * fact.value if fact.value else 0.01
        after = {a: f.value for a, f in facts_of(fact.change(site, value)).items()}
        assert after.pop(address) == pytest.approx(value)
        others = {a: v for a, v in before.items() if a != address}
        assert after == pytest.approx(others)


def test_every_spread_has_a_fact(site: Site) -> None:
    assert set(site.spreads) <= set(facts_of(site))
    stages = {f"sources.north_well.cycle[{n}].{key}" for n in (1, 2) for key in ("on", "every")}
    assert stages <= set(facts_of(site))


def test_a_delivery_keeps_its_batch_when_its_flow_changes(site: Site) -> None:
    after = changed(site, {"sources.tank_farm.flow": 0.08})
    assert after.sources["tank_farm"].stages == (Stage(2000 / 0.08, 14 * 86_400.0),)


def test_names(site: Site) -> None:
    facts = facts_of(site)
    assert fact_named(facts, "stock.pipe_steel").address == "stock.pipe_steel"
    with pytest.raises(AddressError, match=r"did you mean .*stock\.pipe_steel"):
        fact_named(facts, "stock.pipe_stel")
    with pytest.raises(AddressError, match=r"no number 'zzz'; there are "):
        fact_named(facts, "zzz")
    with pytest.raises(FactError, match="expects a mass"):
        fact_named(facts, "stock.pipe_steel").read("4 kW")
    with pytest.raises(FactError, match="must be above 0"):
        fact_named(facts, "sources.north_well.flow").read("0 g/s")


def test_values_that_do_not_go_together(site: Site) -> None:
    with pytest.raises(FactError, match="longer than its period"):
        changed(site, {"sources.north_well.cycle[1].on": 500.0})
    with pytest.raises(FactError, match="more energy than it takes"):
        changed(site, {"machines.diesel_set.outputs.power": 90_000.0})


RANGES = {
    "flow: 3.2 g/s": "flow: {low: 3 g/s, high: 4 g/s}",
    "{on: 310 s, every: 470 s}": "{on: {low: 200 s, high: 310 s}, every: {mean: 470 s, sd: 5 s}}",
    "{on: 80 d, every: 160 d}": "{on: {low: 70 d, high: 80 d}, every: {low: 160 d, high: 161 d}}",
    "every: 14 d, batch: 2 t": "every: {low: 14 d, high: 15 d}, batch: {low: 1 t, high: 2 t}",
    "loss: 0.1 %/d": "loss: {low: 0.1 %/d, high: 0.2 %/d}",
    "charge_efficiency: 90 %": "charge_efficiency: {low: 80 %, high: 90 %}",
    "    loss: 2 %": "    loss: {low: 1 %, high: 3 %}",
    "inputs: {well_gas: 12 g/s}": "inputs: {well_gas: {low: 12 g/s, high: 13 g/s}}",
    "power: 70 kW": "power: {low: 65 kW, high: 75 kW}",
    "heat: 90 kW": "heat: {low: 80 kW, high: 95 kW}",
    "no_load: 15 %": "no_load: {mean: 15 %, sd: 1 %}",
    "inputs: {power: 50 kW}": "inputs: {power: {low: 50 kW, high: 55 kW}}",
    "power: 60 kW\n": "power: {mean: 60 kW, sd: 2 kW}\n",
    "flow: 0.1 g/s": "flow: {low: 0.1 g/s, high: 0.2 g/s}",
}


def test_whatever_may_have_a_range_has_a_fact_to_draw(kitchen_sink: Path, tmp_path: Path) -> None:
    """Every key that takes ranges at once: each is found again by its address, and changes."""
    (tmp_path / "hall_load.csv").write_bytes(kitchen_sink.with_name("hall_load.csv").read_bytes())
    text = kitchen_sink.read_text(encoding="utf-8")
    for old, new in RANGES.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    read = read_site(path)
    assert len(read.spreads) == len(RANGES) + 3 + 2  # three with two ranges, two in the file
    facts = facts_of(read)
    for address, spread in read.spreads.items():
        assert facts[address].value == pytest.approx(spread.middle)
        low = changed(read, {address: spread.low})
        assert facts_of(low)[address].value == pytest.approx(spread.low)
