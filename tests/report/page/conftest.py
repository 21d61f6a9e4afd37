"""Plans to look at."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.engine import plan_site
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.search import Settings
from allocator.site.records import Site

NETWORKS = Path(__file__).parents[3] / "networks"


def planned(name: str) -> tuple[Site, Plan]:
    """A network and a quick plan for it."""
    site = network_of(read_site(NETWORKS / f"{name}.yaml"))
    return site, plan_site(site, Settings(node_limit=50)).plan


@pytest.fixture(scope="session")
def first() -> tuple[Site, Plan]:
    """One source, one store, one machine."""
    return planned("first")


@pytest.fixture(scope="session")
def inlet_nodes() -> tuple[Site, Plan]:
    """Power lines, a by-product, a converter."""
    return planned("two_bays")
