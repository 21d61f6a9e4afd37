"""What each source is worth, against closed forms for one stage and the laws of stores."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from handmade_cove import COVE, named
from hypothesis import given
from hypothesis import strategies as st

from allocator.network.reading import read_site
from allocator.site.records import (
    Built,
    Limits,
    Material,
    Place,
    Pump,
    Route,
    Site,
    Source,
    Stage,
    StoreType,
)
from allocator.studies.source_worth import SourceRow, fluid_rows, source_rows

NETWORKS = Path(__file__).parents[2] / "networks"
HOUR = 3600.0


def farm(store: float, *sources: Source, **store_keys: float) -> Site:
    """Sources of gas at one place with a store there of at most ``store`` kg."""
    return replace(
        COVE,
        materials={**COVE.materials, "steel": Material("steel")},
        sources=named(*sources),
        storage=named(StoreType("holder", "gas", ("works",), max_size=store, **store_keys)),
        routes={},
        demands={},
        built=Built(),
        limits=Limits(),
    )


DIGESTER = Source("digester", "works", "gas", flow=0.012, stages=(Stage(6 * HOUR, 24 * HOUR),))


def row_of(site: Site) -> SourceRow:
    (row,) = source_rows(site)
    return row


@pytest.mark.parametrize("store", [10.0, 130.0, 194.4, 500.0])
def test_one_stage_by_the_closed_form(store: float) -> None:
    """d = min(r a / T, B / (T - a)), and T - a seconds of quiet ask for 1 / (T - a) a kg.

    The same sum as in the head of networks/first.yaml."""
    row = row_of(farm(store, DIGESTER))
    assert row.firm_draw == pytest.approx(min(0.003, store / (18 * HOUR)))
    assert row.full_store == pytest.approx(0.003 * 18 * HOUR)
    assert row.longest_quiet == 18 * HOUR
    assert row.per_store == pytest.approx(1 / (18 * HOUR) if store < 194.4 else 0.0, abs=1e-12)
    assert (row.duty, row.mean_flow, row.store) == (0.25, pytest.approx(0.003), store)


def test_the_first_network() -> None:
    row = row_of(read_site(NETWORKS / "first.yaml"))
    # 1060 kg of steel at 2 kg a kg would be 530 kg of holder; 400 kg is the most that may stand
    assert row.store == 400.0
    assert [(c.machine, c.mean, c.firm, c.at_load_factor) for c in row.carries] == [
        ("small_engine", pytest.approx(2.0), pytest.approx(2.0), pytest.approx(2.0))
    ]


def test_without_a_store_only_a_steady_source_is_firm() -> None:
    site = replace(farm(1.0, DIGESTER, Source("kiln", "works", "gas", 0.001)), storage={})
    digester, kiln = source_rows(site)
    assert (digester.store, digester.firm_draw) == (0.0, 0.0)
    assert digester.per_store == pytest.approx(1 / (18 * HOUR), rel=1e-6)
    assert (kiln.firm_draw, kiln.longest_quiet, kiln.full_store) == (0.001, 0.0, 0.0)


def test_a_pump_is_the_most_that_can_be_had() -> None:
    pumped = replace(DIGESTER, pump=Pump(energy=1e3, rate=0.009))
    assert row_of(farm(500.0, pumped)).mean_flow == pytest.approx(0.009 / 4)


def test_a_slow_store_fills_at_its_own_rate_and_gives_at_its_own() -> None:
    assert row_of(farm(500.0, DIGESTER, fill_rate=0.006)).firm_draw == pytest.approx(0.0015)
    slow = row_of(farm(500.0, DIGESTER, release_rate=0.002))
    assert (slow.firm_draw, slow.per_store) == (0.002, 0.0)


def test_what_is_always_on_passes_the_store_by() -> None:
    kiln = Source("kiln", "works", "gas", 0.001)
    slow = farm(500.0, DIGESTER, kiln, fill_rate=0.006, release_rate=0.0012)
    assert [row.firm_draw for row in source_rows(slow)] == pytest.approx([0.0012, 0.001])
    (fluid,) = fluid_rows(slow)
    assert fluid.together == pytest.approx(0.0022)


def test_equal_shares_of_a_store_have_equal_shares_of_its_rates() -> None:
    """Two like digesters: all storage gives 2 g/s, or 5.5 g/s of what it takes in, 22 for 6 h."""
    two = (DIGESTER, replace(DIGESTER, name="second"))
    (fluid,) = fluid_rows(farm(5000.0, *two, release_rate=0.002))
    assert fluid.apart == fluid.together == pytest.approx(0.002)
    (fluid,) = fluid_rows(farm(5000.0, *two, fill_rate=0.022))
    assert fluid.apart == fluid.together == pytest.approx(0.0055)


def test_a_leaky_store_is_built_no_larger_than_it_pays() -> None:
    leaky = row_of(farm(5000.0, DIGESTER, loss=1e-6))
    tight = row_of(farm(5000.0, DIGESTER))
    # 5000 kg would lose 5 g/s, more than the source gives; the best is where quiet and mean meet:
    # B (1 - 64800 loss) = 64800 d and 0.003 = d + loss B
    best = 0.003 * 18 * HOUR
    assert leaky.store == pytest.approx(best, rel=1e-6)
    assert leaky.firm_draw == pytest.approx(0.003 - 1e-6 * best, rel=1e-6)
    assert leaky.firm_draw < tight.firm_draw


def test_excluded_sources_are_not_listed() -> None:
    site = replace(
        farm(10.0, DIGESTER, Source("bog", "marsh", "gas", 0.01)),
        places={**COVE.places, "marsh": Place("marsh")},
        routes=named(Route("bank", "marsh", "works", 10.0, ("dn25",))),
        limits=Limits(excluded_places=("marsh",)),
    )
    assert [row.source for row in source_rows(site)] == ["digester"]


def test_carried_by_hand() -> None:
    """0.003 kg/s on the mean; a set burns 0.004 at full load; machines run at half load."""
    row = row_of(replace(farm(65.0, DIGESTER), load_factor=0.5))
    (carries,) = row.carries
    assert carries.machine == "set"
    assert carries.mean == pytest.approx(0.75)
    assert carries.firm == pytest.approx(65.0 / (18 * HOUR) / 0.004)
    assert carries.at_load_factor == pytest.approx(1.5)


def test_a_flare_is_no_generator() -> None:
    site = farm(65.0, DIGESTER)
    flare = replace(
        site.machines["set"], name="flare", power_out=0.0, no_load=0.0, min_load=0.0, flare=True
    )
    site = replace(site, machines={**site.machines, "flare": flare})
    assert [carries.machine for carries in row_of(site).carries] == ["set"]


spells = st.tuples(st.sampled_from([1.0, 3.0, 6.0]), st.sampled_from([8.0, 13.0, 24.0]))


@given(st.lists(spells, min_size=2, max_size=3), st.sampled_from([20.0, 90.0, 400.0]))
def test_a_shared_store_is_never_worse_than_shares_of_it(
    cycles: list[tuple[float, float]], store: float
) -> None:
    sources = [
        Source(f"s{i}", "works", "gas", 0.01, (Stage(on * HOUR, every * HOUR),))
        for i, (on, every) in enumerate(cycles)
    ]
    (fluid,) = fluid_rows(farm(store, *sources))
    assert fluid.sources == len(sources)
    assert fluid.together >= fluid.apart * (1 - 1e-9)
    assert fluid.together <= fluid.mean_flow * (1 + 1e-9)


def test_one_source_of_a_fluid_has_nothing_to_share_with() -> None:
    assert fluid_rows(farm(10.0, DIGESTER)) == []


def test_every_network_has_a_row_a_source_and_keeps_its_laws() -> None:
    for path in sorted(NETWORKS.glob("*.yaml")):
        site = read_site(path)
        rows = source_rows(site)
        assert [row.source for row in rows] == list(site.sources)
        for row in rows:
            assert 0.0 <= row.firm_draw <= row.mean_flow * (1 + 1e-9)
            if row.store >= row.full_store * (1 + 1e-9):
                assert row.firm_draw == pytest.approx(row.mean_flow)
