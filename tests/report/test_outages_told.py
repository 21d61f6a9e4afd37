"""The operation of a plan with units out of order, as text, as a file and on the page."""

from __future__ import annotations

from dataclasses import replace

from machine_sites import engines, named, planned

from allocator.base.rendering import csv_of
from allocator.network.deriving import network_of
from allocator.report.files import plan_tables
from allocator.report.outage_tables import outages
from allocator.report.page.listing import listing_of
from allocator.report.summary import full_summary
from allocator.site.records import POWER, Demand, Place


def test_who_stands_in_for_whom_is_told_of_each_outage() -> None:
    """An engine on each side of the town; either may be out, and the other stands in for it."""
    (kind,) = engines().machines.values()
    site = engines(
        places=named(Place("mill"), Place("quay", x=100.0)),
        machines={kind.name: replace(kind, places={"mill": 1, "quay": 1})},
        sources=named(
            replace(engines().sources["well"], flow=0.001),
            replace(engines().sources["well"], name="spring", place="quay", flow=0.001),
        ),
        demands=named(Demand("town", POWER, 10e3)),
    )
    plan = planned(site, 1)
    told = outages(plan)
    words = list(dict.fromkeys(row[0] for row in told.rows))
    assert words == ["1 engine at mill", "1 engine at quay"]
    assert {"engine at mill", "engine at quay"} & {row[1] for row in told.rows}
    text = full_summary(site, plan)
    assert "Operation with units out of order" in text
    assert all(len(line) <= 100 for line in text.splitlines())
    assert "outages" in {table.name for table in plan_tables(network_of(site), plan)}
    assert listing_of(told).rows
    assert csv_of(told).count("\n") == len(told.rows) + 1


def test_duties_and_draws_that_change_stand_beside_those_of_normal_operation() -> None:
    plan = planned(engines(machines=named(replace(engines().machines["engine"]))), 1)
    (outage,) = plan.outages
    (machine,) = outage.machines
    assert outages(plan).rows[0][3] == "as in normal operation"
    less = replace(outage, machines=(replace(machine, running=2, flat_load=1.5),))
    ((out, what, before, now),) = outages(replace(plan, outages=(less,))).rows
    assert (out, what) == ("1 engine at mill", "engine at mill")
    assert (before, now) == ("4 running, mean load 100 %", "2 running, mean load 75 %")


def test_a_plan_without_outages_has_no_such_table() -> None:
    plan = planned(engines(), 0)
    assert not outages(plan).rows
    assert "out of order" not in full_summary(engines(), plan)
    assert "outages" not in {table.name for table in plan_tables(network_of(engines()), plan)}
