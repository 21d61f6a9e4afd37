"""Power that nobody uses, of gas that counts when it is vented: a load bank takes it."""

from __future__ import annotations

from pathlib import Path

import pytest

import allocator as al
from allocator.network.cautions import cautions_for
from allocator.network.deriving import network_of
from allocator.report.bill import bill_of_materials
from allocator.report.handover.set_points import set_points
from allocator.report.load_bank import load_banks
from allocator.report.summary import full_summary
from allocator.report.words import quantity

SITE = """
format: allocator.site/2
name: Profile
limits: {emission: 1 kg/a}
fluids:
  gas: {phase: gas, heating_value: 13 MJ/kg, vented_weight: 7}
materials: {steel: {stock: 9 t}}
places: {yard: {at: [0 m, 0 m]}}
sources: {w1: {place: yard, fluid: gas, flow: 20 g/s, when_untapped: vents}}
storage:
  battery: {holds: power, places: [yard], size: {max: 470 kWh}, charge_efficiency: 90 %}
machines: {engine: {inputs: {gas: 10 g/s}, outputs: {power: 48 kW}, places: {yard: 6}}}
demands: {village: {power: 90 kW, place: yard, profile: [1, 1, 3, 3], period: 24 h}}
"""


def _planned(tmp_path: Path, *changes: tuple[str, str]) -> tuple[al.Site, al.Plan]:
    text = SITE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    site = al.read_site(path)
    plan = al.plan(site, node_limit=500, prove=0).plan
    assert plan is not None
    return site, plan


def test_what_engines_give_beyond_use_needs_a_load_bank(tmp_path: Path) -> None:
    """Two engines give 96 kW. At 45 and 135 kW the battery gives 39 kW for 12 h, 468 of 470 kWh.

    It is full again after 468 / (0.9 * 51) = 10.2 h of 12: then 51 kW are left.
    """
    site, plan = _planned(tmp_path)
    left = 96.0 - 45.0
    network = network_of(site)
    (bank,) = load_banks(network, plan)
    assert bank.place == "yard"
    assert left - 1e-3 <= bank.power / 1e3 <= left + 1.0
    said = full_summary(site, plan)
    assert f"load bank of at least {quantity(bank.power, 'power')} at yard" in " ".join(
        said.split()
    )
    (setting,) = [one for one in set_points(network, plan) if one.thing == "load bank"]
    assert (setting.place, setting.value, setting.unit) == ("yard", bank.power, "W")
    (line,) = [one for one in bill_of_materials(network, plan) if "load bank" in one.item]
    assert (line.where, line.quantity) == ("yard", 1.0)
    assert any("load bank" in text for text in cautions_for(site))


@pytest.mark.parametrize(
    "changes",
    [
        [("power: 90 kW", "power: 190 kW"), (", profile: [1, 1, 3, 3], period: 24 h", "")],
        [(", vented_weight: 7", ""), ("limits: {emission: 1 kg/a}\n", "")],
        [(", when_untapped: vents", "")],
    ],
    ids=["all is used", "venting does not count", "what is not taken stays"],
)
def test_no_load_bank_where_none_is_needed(changes: list[tuple[str, str]], tmp_path: Path) -> None:
    site, plan = _planned(tmp_path, *changes)
    assert list(load_banks(network_of(site), plan)) == []
