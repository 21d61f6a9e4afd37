"""A site built in Python is checked as its file would be: clear errors, never a crash."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import allocator as al
from allocator.site.by_hand import UNCHECKED, _parts, faults_of_site, kinds_of

NETWORKS = Path(__file__).parents[2] / "networks"
HERE = Path(__file__).parent
FIRST = al.read_site(NETWORKS / "first.yaml")
FILES = [*NETWORKS.glob("*.yaml"), HERE / "kitchen_sink.yaml", HERE / "hot_sink.yaml"]


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.stem))
def test_what_a_file_says_has_no_fault(file: Path) -> None:
    assert faults_of_site(al.read_site(file)) == []


def test_every_field_of_every_record_is_checked() -> None:
    """A new field needs a key of its name, or a kind in the table of other fields."""
    seen: set[type] = set()
    for file in FILES:
        for _, record, table in _parts(al.read_site(file)):
            if record is None or isinstance(record, al.Site) or type(record) in seen:
                continue
            kind = type(record)
            seen.add(kind)
            fields = {field.name for field in dataclasses.fields(record)}
            assert fields == {*kinds_of(kind, table), *UNCHECKED.get(kind, ())} | fields & {"name"}
    assert len(seen) >= 15


def source(**changes: Any) -> Callable[[al.Site], al.Site]:
    return lambda site: replace(
        site, sources={"digester": replace(site.sources["digester"], **changes)}
    )


def machine(**changes: Any) -> Callable[[al.Site], al.Site]:
    return lambda site: replace(
        site, machines={"small_engine": replace(site.machines["small_engine"], **changes)}
    )


def demand(**changes: Any) -> Callable[[al.Site], al.Site]:
    return lambda site: replace(
        site, demands={"mill_drive": replace(site.demands["mill_drive"], **changes)}
    )


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (source(flow=-0.012), "sources.digester: flow must be above 0 (got -0.012)"),
        (source(flow=math.nan), "sources.digester: flow must be a finite number in SI"),
        (source(flow="12 g/s"), "sources.digester: flow must be a finite number in SI"),
        (source(flow=None), "sources.digester: flow must be a finite number in SI"),
        (
            source(place="fram"),
            "sources.digester: place names the unknown place 'fram'; did you mean 'farm'?",
        ),
        (source(fluid="wine"), "sources.digester: fluid names the unknown fluid 'wine'"),
        (source(name="north"), "sources.digester: has another key than its name, 'north'"),
        (source(stages=(al.Stage(0.0, 5.0),)), "sources.digester: stages[0].on must be above 0"),
        (source(stages=(al.Stage(9.0, 5.0),)), "sources.digester: is on for longer than its"),
        (
            source(stages=(al.Stage(2.0, 5.0), al.Stage(4.0, 9.0))),
            "sources.digester: Stage(on=2.0, every=5.0) does not fit into the on-time of",
        ),
        (source(stages=[al.Stage(2.0, 5.0)]), "sources.digester: stages must be a tuple"),
        (source(stages=((2.0, 5.0),)), "sources.digester: stages must be a Stage, got"),
        (source(pump=5.0), "sources.digester: pump must be a Pump, got"),
        (source(temperature=5000.0), "sources.digester: temperature must be at most 3273.15 K"),
        (source(pump=al.Pump(-1.0)), "sources.digester: pump.energy must not be negative"),
        (
            source(pump=al.Pump(1e3, chamber=al.Chamber(5.0, 2e5)), pressure=1.5e5),
            "sources.digester: needs a pressure above the min_pressure of its chamber",
        ),
        (machine(inputs={"wine": 1.0}), "machines.small_engine: inputs names the unknown fluid"),
        (machine(inputs={}), "machines.small_engine: takes nothing"),
        (machine(places={"mill": 0}), "places['mill'] must be a whole number from 1 on (got 0)"),
        (machine(power_out=1e6), "machines.small_engine: gives more energy than it takes"),
        (machine(power_in=5.0), "machines.small_engine: takes and gives power"),
        (machine(materials={"steel": -1.0}), "materials['steel'] must not be negative"),
        (demand(mean=0.0), "demands.mill_drive: mean must be above 0 (got 0)"),
        (demand(wants="heat"), "demands.mill_drive: wants names the unknown fluid 'heat'"),
        (demand(wants="biogas", place=None), "demands.mill_drive: needs a place"),
        (demand(priority=1.5), "demands.mill_drive: priority must be a whole number from 1 on"),
        (
            demand(profile=al.Profile(100.0, (0.0, 50.0), (1.0, 2.0))),
            "demands.mill_drive: profile must have the mean 1 over its period (got 1.5)",
        ),
        (
            demand(profile=al.Profile(100.0, (0.0, 50.0), (1.0,))),
            "demands.mill_drive: profile needs a level of 0 or more for each start",
        ),
        (
            lambda site: replace(site, sources={"a@b": replace(site.sources["digester"])}),
            "sources.a@b: the name must not hold '@'",
        ),
        (lambda site: replace(site, sources=[]), "sources: must be a mapping of names, got []"),
        (lambda site: replace(site, fluids=None), "fluids: must be a mapping of names, got None"),
        (
            lambda site: replace(site, sources={"digester": site.places["farm"]}),
            "sources.digester: must be a Source, got",
        ),
        (
            lambda site: replace(site, sources={"farm": site.places["farm"]}),
            "sources.farm: must be a Source, got",
        ),
        (lambda site: replace(site, goals=("fame",)), "site: goals[0] must be one of clean_power"),
        (lambda site: replace(site, goal_slack=1.0), "site: goal_slack must be below 100 %"),
        (
            lambda site: replace(site, ambient=al.Ambient(temperature=-3.0)),
            "ambient: temperature must be above 0 (got -3)",
        ),
        (
            lambda site: replace(site, routes={"lane": replace(site.routes["lane"], end="farm")}),
            "routes.lane: joins 'farm' to itself",
        ),
        (
            lambda site: replace(site, pipes={"dn25": replace(site.pipes["dn25"], by_bore=True)}),
            "pipes.dn25: needs a bore",
        ),
        (
            lambda site: replace(site, built=al.Built(sources=("well",))),
            "built: sources[0] names the unknown source 'well'",
        ),
        (
            lambda site: replace(site, built=al.Built(machines={("engine", "farm"): 1})),
            "built.machines: names the unknown 'engine' at 'farm'",
        ),
    ],
)
def test_what_cannot_be_is_said_with_its_name(
    change: Callable[[al.Site], al.Site], words: str
) -> None:
    with pytest.raises(al.SiteFileError) as raised:
        al.plan(change(FIRST), node_limit=100)
    text = str(raised.value)
    assert text.startswith("site 'First site': ")
    assert words in text


def test_all_faults_are_told_at_once() -> None:
    site = source(flow=-1.0)(demand(mean=-1.0)(machine(price=-1.0)(FIRST)))
    with pytest.raises(al.SiteFileError) as raised:
        al.plan(site, node_limit=100)
    assert [fault.subject for fault in raised.value.faults] == [
        "sources.digester",
        "machines.small_engine",
        "demands.mill_drive",
    ]


def test_a_heat_sink_that_starts_above_its_boiling() -> None:
    site = al.read_site(NETWORKS / "hot_purge.yaml")
    sinks = {**site.heat_sinks, "pool": replace(site.heat_sinks["pool"], initial_temperature=423.0)}
    (fault,) = faults_of_site(replace(site, heat_sinks=sinks))
    assert fault.subject == "heat_sinks.pool"
    assert "initial_temperature is above its boiling" in fault.problem
