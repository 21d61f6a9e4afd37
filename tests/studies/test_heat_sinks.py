"""What baths do: against arithmetic by hand, closed forms, a second library and stored answers."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace
from itertools import pairwise

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from iapws import IAPWS97
from networks.stored_answers import answer, heat_sinks_of, site_of
from scipy.optimize import brentq
from strategies import sites_with_heat_sinks

from allocator.network.heat_sink_body import HeatSinkError
from allocator.site.records import HeatSink, HeatSinkCooler, Site
from allocator.studies.heat_sink_words import heat_sink_cautions, verdict
from allocator.studies.heat_sinks_result import heat_sinks
from allocator.studies.sink_rows import HeatSinkRow, heat_sinks_table
from allocator.thermal.sink_temperatures import SinkState

DAY = 86_400.0


@pytest.fixture(scope="module")
def site() -> Site:
    return site_of("hot_purge")


@pytest.fixture(scope="module")
def rows(site: Site) -> dict[str, HeatSinkRow]:
    return {row.heat_sink.name: row for row in heat_sinks_table(site)}


def changed(site: Site, name: str, **facts: object) -> HeatSinkRow:
    """A bath of the site with some facts changed, worked out alone."""
    heat_sink = replace(site.heat_sinks[name], **facts)
    (row,) = heat_sinks_table(replace(site, heat_sinks={name: heat_sink}))
    return row


def test_stored_answers(site: Site) -> None:
    stored = answer("hot_purge")["baths"]
    found = heat_sinks_of(site)
    assert list(found) == list(stored)
    for name, facts in stored.items():
        for key, value in facts.items():
            if isinstance(value, float):
                assert found[name][key] == pytest.approx(value, rel=1e-6, abs=1e-9), (name, key)
            else:
                assert found[name][key] == value, (name, key)


def test_the_stones_by_hand(rows: dict[str, HeatSinkRow]) -> None:
    """The head of networks/hot_purge.yaml: (6 * 300 + 24 * 10) / 30 = 68 degC."""
    given = rows["stones"].given
    assert given.high == pytest.approx(273.15 + 68, abs=1e-9)
    assert given.margin == pytest.approx(22, abs=1e-9)
    assert given.came == pytest.approx(6 * (300 - 68), rel=1e-9)
    assert rows["stones"].least_mass == 0.0


def away(state: SinkState) -> float:
    """W that leave a bath."""
    return state.lost + state.recovered + state.cooled + state.boiled


def test_every_state_keeps_its_energy(rows: dict[str, HeatSinkRow]) -> None:
    for row in rows.values():
        for state in (row.given, *row.curve, *(choice.state for choice in row.choices)):
            assert away(state) == pytest.approx(state.came, rel=1e-9)


def test_laws_of_drawn_baths() -> None:
    """Energy is kept; more in the set is never hotter; the least mass and cooling do keep it."""

    @settings(
        max_examples=25,
        derandomize=True,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(site=sites_with_heat_sinks())
    def law(site: Site) -> None:
        for row in heat_sinks_table(site):
            for state in (*row.curve, *(choice.state for choice in row.choices)):
                assert away(state) == pytest.approx(state.came, rel=1e-9)
                if row.filling.boils is not None:
                    assert state.high <= row.filling.boils.at
            alone = row.choices[0].state
            for choice in row.choices:
                assert choice.state.high <= alone.high + 1e-9
            keeps = row.choices[-1].state.keeps
            assert (row.smallest is not None) or not keeps
            if row.needs is not None and row.needs > 0:
                assert row.given.margin < 0
            verdict(row)

    law()


def test_the_mass_that_never_boils_by_another_road(
    site: Site, rows: dict[str, HeatSinkRow]
) -> None:
    """The closed form of one burst and one quiet, with steam tables of another library."""
    around, hot, contact, loss = 283.15, 873.15, 300.0, 60.0
    on, off = 6 * 3600.0, 14 * DAY - 6 * 3600.0
    liquid, cold = IAPWS97(P=0.101325, x=0), IAPWS97(P=0.101325, T=around)
    heat = 1000 * (liquid.h - cold.h) / (liquid.T - around)
    top = (contact * hot + loss * around) / (contact + loss) - around

    def short(mass: float) -> float:
        x = math.exp(-on * (contact + loss) / (mass * heat))
        y = math.exp(-off * loss / (mass * heat))
        return around + top * (1 - x) / (1 - x * y) - liquid.T

    expected = brentq(short, 1000.0, 40_000.0)
    assert rows["pool"].never_boils == pytest.approx(expected, rel=1e-3)


def test_steam_of_the_pool_is_what_the_heat_makes(rows: dict[str, HeatSinkRow]) -> None:
    """Steam leaves with what warms cold make-up and boils it, by another library's tables."""
    given = rows["pool"].given
    steam, cold = IAPWS97(P=0.101325, x=1), IAPWS97(P=0.101325, T=283.15)
    assert given.steam == pytest.approx((given.came - given.lost) / 1000 / (steam.h - cold.h), 1e-3)
    assert rows["pool"].dry_after == pytest.approx(6000 / given.steam)
    assert given.high == pytest.approx(373.124, abs=0.001)


def test_recovered_steam_takes_its_latent_heat_alone(site: Site) -> None:
    row = changed(site, "pool", steam_recovered=True)
    assert row.filling.boils is not None
    assert row.filling.per_kg == row.filling.boils.latent
    assert row.dry_after == math.inf
    assert "condensed and led back" in verdict(row)


def test_more_mass_swings_less_and_recovers_later(rows: dict[str, HeatSinkRow]) -> None:
    curve = rows["oil_tank"].curve
    for earlier, later in pairwise(curve):
        assert earlier.mass < later.mass
        assert earlier.high > later.high
        assert earlier.burst > later.burst
        assert earlier.drives_after is not None
        assert later.drives_after is not None
        assert earlier.drives_after < later.drives_after


def test_least_sizes_are_least(site: Site, rows: dict[str, HeatSinkRow]) -> None:
    mass, duty = rows["oil_tank"].least_mass, rows["quench"].needs
    assert mass is not None
    assert duty is not None
    assert changed(site, "oil_tank", mass=mass, max_mass=20e3).given.margin == pytest.approx(
        0, abs=1e-5
    )
    assert changed(site, "oil_tank", mass=0.999 * mass, max_mass=20e3).given.margin < 0
    enough = changed(site, "quench", cooler=HeatSinkCooler(duty, 313.15))
    assert enough.smallest is not None
    assert enough.smallest.state.margin == pytest.approx(0, abs=1e-5)
    assert changed(site, "quench", cooler=HeatSinkCooler(0.999 * duty, 313.15)).smallest is None


def test_recovery_that_too_much_mass_keeps_from_running(site: Site) -> None:
    row = changed(site, "oil_tank", loss_conductance=20.0, mass=15e3)
    assert row.given.drives_after is None
    assert row.drives_up_to is not None
    assert (
        changed(site, "oil_tank", loss_conductance=20.0, mass=1.001 * row.drives_up_to).given.power
        == 0
    )
    assert (
        changed(site, "oil_tank", loss_conductance=20.0, mass=0.999 * row.drives_up_to).given.power
        > 0
    )
    assert "Recovery never runs" in verdict(row)


def test_power_of_the_cooler_is_counted(rows: dict[str, HeatSinkRow]) -> None:
    cooled = rows["quench"].choices[2].state
    assert cooled.cooled == pytest.approx(cooled.came - cooled.lost, rel=1e-9)
    assert cooled.spent == pytest.approx(0.03 * cooled.cooled)


def test_a_bath_that_starts_hot_is_judged_by_its_start(site: Site) -> None:
    row = changed(site, "stones", initial_temperature=372.15)
    assert row.given.high == pytest.approx(372.15)
    assert row.given.margin == pytest.approx(-9.0)


def test_verdicts(site: Site, rows: dict[str, HeatSinkRow]) -> None:
    assert verdict(rows["stones"]) == (
        "No active cooling is needed: heat sink and losses keep every limit, with a margin of 22 K."
    )
    assert verdict(rows["oil_tank"]) == (
        "No active cooling is needed: heat sink, losses and recovery keep every limit, with a "
        "margin of 28 K. Without recovery the heat sink reaches 178 degC."
    )
    assert verdict(rows["pool"]).endswith("It boils: 32.3 kg of steam a day, vented and made up.")
    assert verdict(rows["quench"]).startswith(
        "Active cooling is needed: with losses and recovery alone the heat sink lets its gas out "
        "at 84.1 degC against 60 degC. With the cooler, without recovery, every limit is kept with "
        "a margin of 5.9 K; 18.4 kW of its 40 kW is sufficient."
    )
    without = changed(
        site, "quench", cooler=None, max_outlet_temperature=None, max_temperature=340.15
    )
    assert verdict(without) == (
        "Active cooling is needed: with losses and recovery alone the heat sink reaches 70.9 degC "
        "against 67 degC. A cooler of 15.5 kW that runs above 66 degC is sufficient for every "
        "limit."
    )
    small = changed(site, "quench", cooler=HeatSinkCooler(10e3, 313.15))
    assert verdict(small).endswith(
        "The cooler of the site is too small: a cooler of 18.4 kW that runs above "
        "40 degC is sufficient for every limit."
    )
    hopeless = changed(
        site, "quench", max_outlet_temperature=290.0, cooler=None, max_temperature=360.0
    )
    assert verdict(hopeless).endswith("Neither the maximum mass nor any cooler keeps every limit.")
    short = changed(site, "oil_tank", mass=100.0)
    assert "156 kg in it is sufficient for every limit" in verdict(short)


def test_cautions(site: Site, rows: dict[str, HeatSinkRow]) -> None:
    told = " ".join(heat_sink_cautions(site, list(rows.values())))
    for word in (
        "burn at a touch",
        "boiling heat sink",
        "never enter alone",
        "pressure",
        "Local codes",
    ):
        assert word in told
    calm = " ".join(heat_sink_cautions(site, [changed(site, "stones", loss_conductance=1000.0)]))
    assert "burn at a touch" not in calm
    assert "boiling" not in calm
    frost = replace(site, ambient=replace(site.ambient, temperature=260.0))
    cold = changed(frost, "pool", initial_temperature=260.0)
    assert "below freezing" in " ".join(heat_sink_cautions(frost, [cold]))


def test_what_is_not_known_is_told(site: Site) -> None:
    fluids = {**site.fluids, "oil": replace(site.fluids["oil"], constants={})}
    with pytest.raises(
        HeatSinkError, match="heat sink 'oil_tank': fluid 'oil' has no known specific heat"
    ):
        heat_sinks_table(replace(site, fluids=fluids))
    fluids = {**site.fluids, "purge_gas": replace(site.fluids["purge_gas"], constants={})}
    with pytest.raises(HeatSinkError, match="of source 'low_furnace' has no known specific heat"):
        heat_sinks_table(replace(site, fluids=fluids))
    with pytest.raises(HeatSinkError, match="heat sink 'stones': neither loses"):
        changed(site, "stones", loss_conductance=0.0, heat_while_on=100.0)
    with pytest.raises(HeatSinkError, match="heat sink 'pool': is warmer than it boils"):
        changed(site, "pool", initial_temperature=400.0)
    with pytest.raises(HeatSinkError, match="no warmer than its make-up"):
        changed(site, "pool", pressure=1000.0)


def test_tables_for_programs(site: Site) -> None:
    frame = pd.read_csv(io.StringIO(heat_sinks(site).to_csv()))
    assert set(frame["bath"]) == set(site.heat_sinks)
    sets = frame[frame["what"].str.startswith("set: ")]
    assert len(sets) == 1 + 2 + 1 + 4
    assert (frame["what"] == "curve").sum() >= 4 * 13
    data = json.loads(heat_sinks(site).to_json())
    assert data["format"] == "allocator.baths/1"
    assert [heat_sink["smallest_set"] for heat_sink in data["baths"]] == [
        facts["smallest_set"] for facts in answer("hot_purge")["baths"].values()
    ]
    assert heat_sinks(site).summary() == heat_sinks(site).summary()


def test_heat_while_on(site: Site) -> None:
    """A steady heat by hand: T = Ta + Q / UA."""
    (row,) = heat_sinks_table(
        replace(
            site,
            heat_sinks={
                "tub": HeatSink(
                    "tub",
                    source="low_furnace",
                    mass=100.0,
                    max_mass=200.0,
                    loss_conductance=50.0,
                    initial_temperature=283.15,
                    pressure=101_325.0,
                    max_temperature=350.0,
                    specific_heat=900.0,
                    heat_while_on=2000.0,
                )
            },
        )
    )
    assert row.given.high == pytest.approx(283.15 + 2000 / 50)
    assert row.given.outlet is None
