"""One address for one thing, in all commands; old spellings are read and name the address."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.base.errors import OldSpelling
from allocator.network.deriving import network_of
from allocator.network.facts import fact_named, facts_of
from allocator.network.reading import read_site
from allocator.network.records import Network
from allocator.search import Settings, make_plan
from allocator.site.addresses import AddressError, address_of, given_address, resolved
from allocator.studies.lifting import LiftError, lift_of, liftable
from allocator.studies.trade_off import given_of
from allocator.studies.wanted import WantError, want_of, wantable

KITCHEN_SINK = Path(__file__).parent / "kitchen_sink.yaml"
NETWORKS = Path(__file__).parents[2] / "networks"


@pytest.fixture(scope="module")
def site() -> Network:
    return network_of(read_site(KITCHEN_SINK))


def test_every_command_means_the_same_by_an_address(site: Network) -> None:
    assert fact_named(facts_of(site), "stock.pipe_steel").path[1:] == ("pipe_steel", "stock")
    assert lift_of(site, "stock.pipe_steel=1t").name == "pipe_steel"
    assert given_of(site, "stock.pipe_steel") == "pipe_steel"
    assert given_address("pipe_steel") == "stock.pipe_steel"
    assert given_address("emissions") == "limits.emission"


def test_every_number_has_an_address_of_its_own(site: Network) -> None:
    for known in (liftable(site), wantable(site), [f.path for f in facts_of(site).values()]):
        paths = list(known)
        assert len({address_of(path) for path in paths}) == len(paths)
        assert [resolved(address_of(path), paths) for path in paths] == paths


def test_old_spellings_name_the_address(site: Network) -> None:
    with pytest.warns(OldSpelling, match=r"'flow.north_well' is now written 'sources.north_well"):
        fact_named(facts_of(site), "flow.north_well")
    with pytest.warns(OldSpelling, match=r"now written 'stock.pipe_steel'"):
        given_of(site, "pipe_steel")
    with pytest.warns(OldSpelling, match=r"'emissions' is now written 'limits.emission'"):
        given_of(site, "emissions")
    with pytest.warns(OldSpelling, match=r"now written 'storage.gas_holder.size.max'"):
        assert lift_of(site, "size.gas_holder=1t").kind == "size"
    with pytest.warns(OldSpelling, match=r"'tap:north_well' is now written 'connect:"):
        assert want_of(site, "tap:north_well").kind == "connect"
    with pytest.warns(OldSpelling, match=r"now written 'machines.gas_engine'"):
        assert want_of(site, "machines:gas_engine=2").amount == 2


def test_unknown_addresses_name_near_ones(site: Network) -> None:
    with pytest.raises(LiftError, match=r"no limit 'stock.pipe_stel'; did you mean stock.pipe_st"):
        lift_of(site, "stock.pipe_stel=1t")
    with pytest.raises(WantError, match=r"did you mean sources.north_well"):
        want_of(site, "connect:north_wel")
    with pytest.raises(AddressError, match=r"'loss.y' may be storage.y.loss or power_lines.y.loss"):
        resolved("loss.y", [("storage", "y", "loss"), ("power_lines", "y", "loss")])


def test_what_limits_a_plan_is_said_by_its_address() -> None:
    """So that 'frontier', 'sweep' and 'plan --lift' take what the summary names."""
    site = network_of(read_site(NETWORKS / "first.yaml"))
    plan = make_plan(site, Settings(node_limit=200, prices=False)).plan
    assert plan is not None
    named = [line.partition(": ")[0] for line in plan.limits]
    known = liftable(site)
    assert "stock.steel" in named
    assert [resolved(name, known) for name in named if name not in ("outages", "demand")]
