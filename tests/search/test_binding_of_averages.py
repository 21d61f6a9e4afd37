"""What is named where a firm plan has less than average flows would give."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.report.brief import power_words
from allocator.report.loads import served_in_shape
from allocator.search import Settings, make_plan

FARM = """
format: allocator.site/2
name: Farm
fluids: {gas: {heating_value: 20 MJ/kg}}
materials: {steel: {stock: 40 t}}
places: {works: {at: [0, 0]}}
sources:
  d1: {place: works, fluid: gas, flow: 25 g/s, cycle: [{on: 18 h, every: 24 h}]}
  d2: {place: works, fluid: gas, flow: 18 g/s}
storage: {holder: {holds: gas, places: [works], size: {max: 1200 kg}, materials: {steel: 4 kg/kg}}}
machines:
  chp: {inputs: {gas: 14.1 g/s}, outputs: {power: 100 kW}, places: {works: 5}, KEYS}
demands: {mill: {power: 320 kW, PROFILE}}
"""
OUTAGES = "up to 6 h ('d1')"


def _limits(text: str, tmp_path: Path) -> list[str]:
    path = tmp_path / "site.yaml"
    path.write_text(text)
    outcome = make_plan(read_site(path), Settings(node_limit=500, threads=1))
    assert outcome.plan is not None
    return [line for line in outcome.plan.limits if "average flows would give" in line]


@pytest.mark.parametrize(
    ("keys", "profile", "size", "said"),
    [
        ("", "", "100 kg", f"outages: {OUTAGES}; average"),
        (
            "no_load: 40 %, min_load: 40 %",
            "",
            "1200 kg",
            "minimum load and no-load consumption of 'chp'; average",
        ),
        (
            "no_load: 10 %",
            "",
            "100 kg",
            f"outages of {OUTAGES}, or no-load consumption of 'chp'; average",
        ),
        ("no_load: 40 %", "profile: [0.6, 0.9, 1.2, 1.3]", "1200 kg", "no-load consumption of"),
    ],
)
def test_outages_are_named_only_where_a_larger_store_may_help(
    keys: str, profile: str, size: str, said: str, tmp_path: Path
) -> None:
    text = FARM.replace(", KEYS", f", {keys}" if keys else "")
    text = text.replace(", PROFILE", f", {profile}" if profile else "").replace("1200 kg", size)
    (line,) = _limits(text, tmp_path)
    assert said in line
    assert ("outages" in line) == (size == "100 kg")


MILL = """
format: allocator.site/2
name: Mill
fluids: {gas: {heating_value: 40 MJ/kg}}
places: {works: {at: [0, 0]}}
sources: {well: {place: works, fluid: gas, flow: 40 g/s}}
machines: {engine: {inputs: {gas: 40 g/s}, outputs: {power: 500 kW}, places: {works: 1}}}
demands: {mill: {power: 1100 kW, profile: [0.8, 1.2]}}
"""


def test_a_demand_that_is_served_in_part_has_its_shape(tmp_path: Path) -> None:
    """500 kW at its peak, which is 1.2 of its mean: 417 kW; 880 kW of it are constant."""
    (line,) = _limits(MILL, tmp_path)
    assert line.startswith("demands.mill.profile: the part that is served has the shape of the ")
    assert "417 kW on average for 500 kW at its peak; average flows would give 500 kW" in line
    constant = "{base: {power: 880 kW}, day: {power: 220 kW, profile: [0, 1]}}"
    assert (
        _limits(MILL.replace("{mill: {power: 1100 kW, profile: [0.8, 1.2]}}", constant), tmp_path)
        == []
    )


def test_limits_of_any_control_say_what_they_keep(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(MILL)
    site = network_of(read_site(path))
    plan = make_plan(site, Settings(node_limit=500, threads=1)).plan
    assert plan is not None
    assert served_in_shape(site, plan)
    words = " ".join(power_words(plan, None, served_in_shape(site, plan)))
    assert "Limit, profiles kept: clean 417 kW" in words
    path.write_text(MILL.replace("1100 kW", "300 kW"))
    site = network_of(read_site(path))
    plan = make_plan(site, Settings(node_limit=500, threads=1)).plan
    assert plan is not None
    assert not served_in_shape(site, plan)
