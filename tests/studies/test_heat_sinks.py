"""What baths do: against arithmetic by hand, closed forms, a second library and stored answers."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import HealthCheck, given, settings
from iapws import IAPWS97
from networks.stored_answers import answer, heat_sinks_of, site_of
from scipy.optimize import brentq
from strategies import sites_with_heat_sinks

from allocator.base.errors import SiteFileError
from allocator.network.heat_sink_body import HeatSinkError
from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.site.records import HeatSink, HeatSinkCooler, Site
from allocator.studies.heat_sink_words import heat_sink_cautions, verdict
from allocator.studies.heat_sinks_result import heat_sinks
from allocator.studies.sink_rows import HeatSinkRow, heat_sinks_table
from allocator.thermal.sink_temperatures import SinkState
from allocator.verify import audit

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
    with pytest.raises(SiteFileError, match=r"heat_sinks\.pool: .* above its boiling"):
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


PURGE = """
format: allocator.site/2
name: Hot purge
ambient: {temperature: 10 degC}
fluids:
  purge_gas: GAS
  bio_co2: {phase: gas, emission: biogenic}
places:
  kiln: {at: [0 m, 0 m]}
sources:
  furnace: {place: kiln, fluid: purge_gas, flow: 6 g/s, temperature: HOT}
machines:
  gas_set: {inputs: {purge_gas: 6 g/s}, outputs: {power: 4 kW, bio_co2: 6 g/s}, places: {kiln: 1}}
demands:
  village: {power: 4 kW, place: kiln}
heat_sinks:
  stones:
    {source: furnace, mass: 3 t, specific_heat: 850 J/(kg*K), loss_conductance: UA, max_temperature: LIMIT}
"""  # noqa: E501


def stones_of(path: Path, gas: str, hot: str, loss: str, limit: str) -> tuple[HeatSinkRow, Site]:
    """The stones beside a furnace, whose plan passes its audit."""
    text = PURGE.replace("GAS", gas).replace("HOT", hot).replace("UA", loss)
    file = path / "purge.yaml"
    file.write_text(text.replace("LIMIT", limit), encoding="utf-8")
    site = read_site(file)
    plan = make_plan(site, Settings(node_limit=50)).plan
    assert plan is not None
    assert audit(site, plan).breaches == ()
    (row,) = heat_sinks_table(site)
    (use,) = plan.heat_sinks
    assert use.high == row.given.high
    return row, site


@pytest.mark.parametrize("limit", ["430 degC", "60 degC", "500 degC"])
def test_gas_whose_specific_heat_rises(limit: str, tmp_path: Path) -> None:
    """At rest the enthalpy that CO2 leaves between 900 degC and the stones is what they lose."""
    gas = "{phase: gas, heating_value: 2 MJ/kg, substance: CarbonDioxide}"
    row, _ = stones_of(tmp_path, gas, "900 degC", "8 W/K", limit)

    def enthalpy(kelvin: float) -> float:
        return float(PropsSI("H", "T", kelvin, "P", 101325.0, "CarbonDioxide"))

    rest = brentq(
        lambda t: 0.006 * (enthalpy(1173.15) - enthalpy(t)) - 8 * (t - 283.15), 283.15, 1173.15
    )
    assert rest - 273.15 == pytest.approx(433.8, abs=0.1)
    # within its limit the heat a kelvin counts as at the limit, where it is greatest
    spare = 4.0 if limit == "500 degC" else 0.05
    assert rest - 0.01 <= row.given.high <= rest + spare
    assert row.given.keeps == (limit == "500 degC")


def test_vapour_brings_its_heat(tmp_path: Path) -> None:
    """40 % of vapour with gas of 25.9 g/mol: 0.464 kg with each kg, at about 1.93 kJ/(kg K)."""
    gas = (
        "{phase: gas, heating_value: 12 MJ/kg, "
        "constants: {specific_heat: 1000 J/(kg*K), density: 1.1 kg/m^3}}"
    )
    row, site = stones_of(tmp_path, gas, "300 degC, water: 40 %", "24 W/K", "90 degC")
    dry = 1.1 * 8.314462618 * 283.15 / site.ambient.pressure
    vapour = 0.4 / 0.6 * 0.018015268 / dry

    def brought(kelvin: float) -> float:
        water = [PropsSI("Cp0mass", "T", t, "P", 1e3, "Water") for t in (kelvin, 573.15)]
        return 0.006 * (1000.0 + vapour * sum(water) / 2) * (573.15 - kelvin)

    rest = brentq(lambda t: brought(t) - 24 * (t - 283.15), 283.15, 573.15)
    assert row.given.high == pytest.approx(rest, abs=1.0)
    assert row.given.high > 273.15 + 100
    assert not row.given.keeps
    cautions = " ".join(heat_sink_cautions(site, [row]))
    assert "condenses" in cautions
