"""What studies say of machines that fail: a column of the comparison, and of what is carried."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from machine_sites import engines

from allocator.base.errors import SiteFileError
from allocator.network.deriving import network_of
from allocator.search import Settings
from allocator.site.records import MachineType, Site
from allocator.studies.carry_result import carry
from allocator.studies.compare_result import compare

HOUR = 3600.0
NODES = Settings(node_limit=200, threads=1)


def failing(**changes: float) -> Site:
    (kind,) = engines().machines.values()
    kind = replace(kind, mtbf=500 * HOUR, mttr=50 * HOUR, **changes)
    return engines(machines={kind.name: kind})


@pytest.mark.slow
def test_the_comparison_has_the_hours_of_each_mix_below_firm_output_and_demand() -> None:
    result = compare(failing(), settings=NODES, simulated_days=10)
    rows = {row["mix"]: row for row in result.comparison.records()}
    assert rows["clean only"]["hours_below_demand_per_year"] == pytest.approx(8766)
    assert 100 < rows["clean only"]["hours_below_firm_output_per_year"] < 8766
    # the same units of the same plan fail at the same times in every mix
    assert len({row["hours_below_firm_output_per_year"] for row in rows.values()}) == 1
    assert "hours a year below firm output" in result.summary()
    (first, *_) = json.loads(result.to_json())["mixes"]
    assert first["adequacy_per_year"]["promise_short_s"]["by_cause"]["machine"] > 0


def test_without_failures_the_comparison_is_as_before() -> None:
    result = compare(engines(), settings=NODES, simulated_days=10)
    assert "hours_below_demand_per_year" not in [c.name for c in result.comparison.columns]
    assert "adequacy_per_year" not in result.to_json()


def test_what_is_carried_with_any_one_unit_out() -> None:
    """Seven engines of steel and gas for four: as many with one out. Of four places, three."""
    table = carry(failing(), settings=NODES).generators
    (row,) = table.records()
    assert row["units_firm"] == pytest.approx(4.0)
    assert row["units_firm_one_out"] == pytest.approx(4.0)
    few = failing(places={"mill": 4})  # type: ignore[arg-type]
    (row,) = carry(few, settings=NODES).generators.records()
    assert row["units_firm"] == pytest.approx(4.0)
    assert row["units_firm_one_out"] == pytest.approx(3.0)
    plain = carry(engines(), settings=NODES)
    assert "units_firm_one_out" not in [column.name for column in plain.generators.columns]


def faults(kind: MachineType) -> list[str]:
    with pytest.raises(SiteFileError) as caught:
        network_of(engines(machines={kind.name: kind}))
    return [str(fault) for fault in caught.value.faults]


def test_sites_built_in_python_have_both_times_and_less_than_a_year_of_service() -> None:
    (kind,) = engines().machines.values()
    (fault,) = faults(replace(kind, mtbf=500 * HOUR))
    assert "has one of 'mtbf' and 'mttr': give both or neither" in fault
    (fault,) = faults(replace(kind, service=9000 * HOUR))
    assert "is a year or more" in fault
