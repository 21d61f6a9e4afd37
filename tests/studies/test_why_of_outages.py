"""Why there is no plan that holds with units out: the number of units is one of the limits."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from machine_sites import engines, named

from allocator.cli.entry import main
from allocator.engine import NoPlanError, plan_site
from allocator.plans.records import Robustness
from allocator.search import Settings
from allocator.site.records import POWER, Demand, Material, Site
from allocator.site.writing import site_text
from allocator.studies.why_result import why

OUT = Settings(node_limit=200, threads=1, robustness=Robustness(machines=1))


def town(power: float, **changes: object) -> Site:
    site: Site = engines(demands=named(Demand("town", POWER, power, min_share=1.0)), **changes)
    return site


def changes_of(site: Site, settings: Settings = OUT) -> dict[str, float | None]:
    result = why(site, settings=settings)
    assert result.status == "conflict", result.summary()
    return {change.limit.kind: change.amount for change in result.conflict.changes}


def test_steel_for_a_spare_or_no_unit_out() -> None:
    """Four engines of 100 kg are needed; with one out, five."""
    site = town(40e3, materials=named(Material("steel", stock=450.0)))
    found = changes_of(site)
    assert found["lost_machines"] == pytest.approx(1.0)
    assert found["stock"] == pytest.approx(50.0, rel=1e-3)
    with pytest.raises(NoPlanError, match="machine units that may be out of order: 1"):
        plan_site(site, OUT)


def test_one_more_unit_at_a_place_is_enough_as_well() -> None:
    kind = engines().machines["engine"]
    site = town(10e3, machines=named(replace(kind, places={"mill": 1})))
    found = changes_of(site)
    assert found["lost_machines"] == pytest.approx(1.0)
    assert found["places"] == pytest.approx(1.0)


def test_of_two_units_out_one_may_be_enough() -> None:
    site = town(40e3, materials=named(Material("steel", stock=550.0)))
    found = changes_of(site, replace(OUT, robustness=Robustness(machines=2)))
    assert found["lost_machines"] == pytest.approx(1.0)
    assert found["stock"] == pytest.approx(50.0, rel=1e-3)


def test_the_command_asks_for_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = town(40e3, materials=named(Material("steel", stock=450.0)))
    path = tmp_path / "site.yaml"
    path.write_text(site_text(site), encoding="utf-8")
    assert main(["why", str(path), "--node-limit", "100"]) == 0
    assert main(["why", str(path), "--node-limit", "100", "--lose-machines", "1"]) == 3
    assert "machine units that may be out of order: 1" in capsys.readouterr().out
    assert main(["why", str(path), "--lose-machines", "11"]) == 2
    assert "at most 10" in capsys.readouterr().err
