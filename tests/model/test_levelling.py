"""Levelling constants against a plain march of the battery."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import allocator as al
from allocator.model.levelling import levelling
from allocator.plans.records import BatteryUse
from allocator.site.records import Profile
from allocator.verify.levelling import levelling_of


def profile_of(levels: list[float]) -> Profile:
    mean = math.fsum(levels) / len(levels)
    starts = tuple(3600.0 * number for number in range(len(levels)))
    return Profile(3600.0 * len(levels), starts, tuple(level / mean for level in levels))


def test_square_profile_by_hand() -> None:
    # 12 h at 0.5 and 12 h at 1.5: lossless, flat 1 W charges 0.5 W for 12 h.
    profile = Profile(86400.0, (0.0, 43200.0), (0.5, 1.5))
    found = levelling(profile, 1.0)
    assert found.generation == pytest.approx(1.0, rel=1e-8)
    assert found.size == pytest.approx(0.5 * 43200.0, rel=1e-8)
    # at 80 %: 0.8 (g - 0.5) = 1.5 - g gives g = 1.9 / 1.8
    assert levelling(profile, 0.8).generation == pytest.approx(1.9 / 1.8, rel=1e-8)


@given(
    st.lists(st.floats(0.1, 5.0), min_size=2, max_size=12).filter(lambda v: max(v) > min(v)),
    st.floats(0.5, 1.0),
)
def test_the_battery_lasts_and_no_smaller_one_would(levels: list[float], efficiency: float) -> None:
    profile = profile_of(levels)
    found = levelling(profile, efficiency)
    level = found.size
    lowest = level
    for _ in range(20):
        for share in profile.levels:
            surplus = found.generation - share
            level += 3600.0 * (efficiency * surplus if surplus > 0 else surplus)
            level = min(level, found.size)
            lowest = min(lowest, level)
    assert lowest >= -1e-6 * found.size
    assert lowest <= 1e-3 * found.size
    # in and out are counted without the margin that the generation has for rounding
    exact = found.generation / (1.0 + 1e-9)
    assert found.charge >= exact - min(profile.levels)
    assert found.discharge >= (max(profile.levels) - exact) * (1 - 1e-14)


def fallen(profile: Profile, efficiency: float, generation: float) -> float:
    """J a W by which a battery falls that is full again whenever it may, by a plain march."""
    level = lowest = 0.0
    for share in profile.levels * 3:
        surplus = generation - share
        level = min(0.0, level + 3600.0 * (efficiency * surplus if surplus > 0 else surplus))
        lowest = min(lowest, level)
    return -lowest


@given(
    st.lists(st.floats(0.1, 5.0), min_size=2, max_size=12).filter(lambda v: max(v) > 1.01 * min(v)),
    st.floats(0.5, 1.0),
    st.floats(0.0, 1.0),
)
def test_the_battery_is_smaller_with_more_generation(
    levels: list[float], efficiency: float, share: float
) -> None:
    profile = profile_of(levels)
    least = levelling(profile, efficiency)
    known = [least, *least.surplus]
    assert known[-1].generation == pytest.approx(max(profile.levels))
    assert known[-1].size == pytest.approx(0.0, abs=1e-6 * least.size)
    generations = [one.generation for one in known]
    assert generations == sorted(generations)
    asked = generations[0] + share * (generations[-1] - generations[0])
    mixed = float(np.interp(asked, generations, [one.size for one in known]))
    truth = fallen(profile, efficiency, asked)
    assert truth <= mixed + 1e-6 * least.size
    assert mixed <= truth + 1e-3 * least.size  # in proportion between so many, or exact
    extra = asked - levelling_of(profile, efficiency).generation
    if extra > 0.0:
        audited = levelling_of(profile, efficiency, extra)
        assert audited.fall == pytest.approx(truth, rel=1e-9, abs=1e-6)
        assert audited.generation == pytest.approx(asked)


SPARE = """
format: allocator.site/2
name: Spare engine
currency: EUR
limits: {emission: 1 kg/a}
fluids: {gas: {catalogue: landfill gas}, carbon_dioxide: {phase: gas, emission: biogenic}}
materials: {steel: {stock: 9 t}}
places: {yard: {at: [0 m, 0 m]}}
sources: {well: {place: yard, fluid: gas, flow: 20 g/s, when_untapped: vents}}
storage:
  battery: {holds: power, places: [yard], size: {max: MOST}, price: 300 /kWh,
    charge_efficiency: 90 %}
machines:
  engine: {inputs: {gas: 10 g/s}, outputs: {power: 48 kW, carbon_dioxide: 14.7 g/s}, price: 40000,
    places: {yard: 6}}
demands: {village: {power: 90 kW, place: yard, profile: [1, 1, 3, 3], period: 24 h}}
"""


@pytest.mark.parametrize("most", ["2000 kWh", "470 kWh"])
def test_generation_that_is_there_anyway_saves_battery(most: str, tmp_path: Path) -> None:
    """Two engines burn all of the gas, as they must, and give 96 kW. At 45 and 135 kW the battery

    gives 39 kW for 12 h, 468 kWh; with the 92.4 kW that are enough it would be 512 kWh.
    """
    (tmp_path / "site.yaml").write_text(SPARE.replace("MOST", most))
    site = al.read_site(tmp_path / "site.yaml")
    result = al.plan(site, node_limit=1000)
    assert result.audit.accepted
    assert result.status == "optimal"
    values = result.goals.to_frame().set_index("goal")["value"]
    assert values["clean_power"] == pytest.approx(90e3)
    assert result.plan is not None
    (battery,) = result.plan.batteries
    assert battery.size / 3.6e6 == pytest.approx(468.0, rel=1e-5)
    assert values["money"] == pytest.approx(2 * 40000 + 468 * 300, rel=1e-5)
    assert al.simulate(site, result.plan, days=10, draws=1).kept

    def rules(changed: BatteryUse) -> set[str]:
        assert result.plan is not None
        return {
            breach.rule
            for breach in al.audit(site, replace(result.plan, batteries=(changed,))).breaches
        }

    surplus = battery.level_surplus["village"]["clean"]

    def with_surplus(power: float) -> BatteryUse:
        return replace(battery, level_surplus={"village": {"clean": power}})

    assert rules(with_surplus(0.99 * surplus)) == {"level_part"}
    assert rules(with_surplus(1.01 * surplus)) == {"power_balance_flat"}
    assert "level_surplus" in rules(replace(battery, levelled={}, level_part=0.0))
