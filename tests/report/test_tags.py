"""Tags of valves: by place and thing, the same in all lists, the same for another plan."""

from __future__ import annotations

from dataclasses import replace

import pytest
from handmade_cove import COVE, COVE_PLAN
from handmade_ridge import RIDGE, RIDGE_PLAN

from allocator.network.deriving import network_of
from allocator.plans.records import Plan
from allocator.report.handover.lists import build_order_table, cut_list_table, set_points_table
from allocator.report.tags import valve_tags, valves_of, valves_of_runs
from allocator.site.records import Site

BOTH = pytest.mark.parametrize(
    ("site", "plan"), [(COVE, COVE_PLAN), (RIDGE, RIDGE_PLAN)], ids=["cove", "ridge"]
)


def test_tags_count_places_and_things_in_the_order_of_the_file() -> None:
    tags = valve_tags(network_of(COVE), COVE_PLAN)
    # places: well 1, works 2, yard 3, pond 4; at the works the drum, the holder and the tank
    assert tags["tap:north"].tag == "HV-0101"
    assert tags["send:north>store:holder@works"].tag == "FCV-0101"
    assert tags["tap:drum"].tag == "HV-0201"
    assert tags["release:holder@works"].tag == "FCV-0202"
    assert tags["reserve:holder@works"].tag == "LS-0202"
    assert tags["release:tank@works"].tag == "FCV-0203"
    assert tags["supply:kiln"].tag == "FCV-0301"
    assert valves_of(tags, "north") == ("HV-0101", "FCV-0101")


def test_the_valves_of_a_run_are_those_at_its_ends_whose_flow_it_carries() -> None:
    network = network_of(COVE)
    found = valves_of_runs(network, COVE_PLAN, valve_tags(network, COVE_PLAN))
    # the lane brings gas from the north to the holder; what the holder gives stays at the works
    assert found["lane", "gas"] == ("FCV-0101", "HV-0101")
    assert found["quay", "gas"] == ("FCV-0301", "HV-0301")


def test_several_valves_of_a_thing_have_letters() -> None:
    (holder,) = (use for use in COVE_PLAN.stores if use.type == "holder")
    filled = replace(COVE_PLAN, stores=(replace(holder, inflow=0.001),))
    tags = valve_tags(network_of(COVE), filled)
    assert tags["release:holder@works"].tag == "FCV-0202A"
    assert tags["fill:holder@works"].tag == "FCV-0202B"


@BOTH
def test_no_two_valves_share_a_tag(site: Site, plan: Plan) -> None:
    tags = [valve.tag for valve in valve_tags(network_of(site), plan).values()]
    assert len(tags) == len(set(tags))


@BOTH
def test_every_list_uses_the_same_tags(site: Site, plan: Plan) -> None:
    network = network_of(site)
    known = {valve.tag for valve in valve_tags(network, plan).values()}
    for table, name in (
        (set_points_table(network, plan, {"holder@works": (1.0, "kg")}), "tag"),
        (build_order_table(network, plan), "valves"),
        (cut_list_table(network, plan), "valves"),
    ):
        used = {tag for cell in table.column(name) if cell for tag in str(cell).split("; ")}
        assert used, table.name
        assert used <= known


def test_another_plan_of_the_file_has_the_same_tags() -> None:
    fewer = replace(COVE_PLAN, sources=COVE_PLAN.sources[1:], stores=COVE_PLAN.stores[1:])
    few, all_of_them = valve_tags(network_of(COVE), fewer), valve_tags(network_of(COVE), COVE_PLAN)
    assert few == {key: all_of_them[key] for key in few}
    assert len(few) < len(all_of_them)


def test_a_source_may_be_named_as_a_kind_of_store() -> None:
    sources = {name: one for name, one in COVE.sources.items() if name != "bog"}
    sources["holder"] = replace(COVE.sources["bog"], name="holder")
    uses = tuple(
        replace(use, name="holder", tapped=True) if use.name == "bog" else use
        for use in COVE_PLAN.sources
    )
    (store,) = (use for use in COVE_PLAN.stores if use.type == "holder")
    plan = replace(
        COVE_PLAN, sources=uses, stores=(replace(store, name="holder@pond", place="pond"),)
    )
    tags = valve_tags(network_of(replace(COVE, sources=sources)), plan)
    assert tags["tap:holder"].tag == "HV-0401"
    assert tags["reserve:holder@pond"].tag == "LS-0402"


def test_set_points_are_in_units_that_fit_beside_exact_si() -> None:
    rows = set_points_table(network_of(COVE), COVE_PLAN).records()
    release = next(r for r in rows if (r["thing"], r["value"]) == ("holder", 0.0012))
    assert (release["unit"], release["at_peak"]) == ("kg/s", pytest.approx(0.0018))
    assert (release["set_to"], release["set_unit"], release["set_at_peak"]) == (1.2, "g/s", 1.8)
    output = next(r for r in rows if r["setting"] == "power output" and r["value"] == 4000.0)
    assert (output["set_to"], output["set_unit"]) == (4.0, "kW")
