"""The mean equivalent of a site: all that comes and goes is levelled out, all else is kept."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.model.mean_basis import mean_equivalent
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.site.records import Pump

DUTY = {"north_well": 0.25, "tank_farm": 0.05}


def test_mean_equivalent(kitchen_sink: Path) -> None:
    site = network_of(read_site(kitchen_sink))
    mean = mean_equivalent(site, DUTY)
    well = mean.sources["north_well"]
    assert well == replace(
        site.sources["north_well"],
        flow=0.0008,
        stages=(),
        next_start=None,
        pump=Pump(350_000.0, 0.00075),
    )
    assert well.steady
    assert mean.sources["tank_farm"].flow == 0.002
    assert mean.sources["tank_farm"].delivered
    assert mean.storage == {}
    assert mean.built == replace(site.built, storage={})
    for name, machine in mean.machines.items():
        assert machine == replace(
            site.machines[name],
            no_load=0.0,
            min_load=0.0,
            min_up_time=0.0,
            min_down_time=0.0,
            min_burst_time=0.0,
        )
    for name, demand in mean.demands.items():
        assert demand == replace(site.demands[name], profile=None)
    assert (
        replace(
            mean,
            sources=site.sources,
            storage=site.storage,
            machines=site.machines,
            demands=site.demands,
            built=site.built,
        )
        == site
    )


def test_the_site_itself_is_left_alone(kitchen_sink: Path) -> None:
    site = read_site(kitchen_sink)
    mean_equivalent(network_of(site), DUTY)
    assert site == read_site(kitchen_sink)


def test_twice_is_the_same_as_once(kitchen_sink: Path) -> None:
    once = mean_equivalent(network_of(read_site(kitchen_sink)), DUTY)
    assert mean_equivalent(once, dict.fromkeys(DUTY, 1.0)) == once


def test_every_source_needs_its_duty(kitchen_sink: Path) -> None:
    with pytest.raises(KeyError, match="tank_farm"):
        mean_equivalent(network_of(read_site(kitchen_sink)), {"north_well": 0.25})
