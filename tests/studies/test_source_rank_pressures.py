"""What sources are worth alone where pressure counts, against plans proven to be the best."""

from __future__ import annotations

from pathlib import Path

import pytest
from pressed_sites import HUT, LINE, pressed_text

import allocator as al
from allocator.network.reading import read_site
from allocator.site.records import Site
from allocator.studies.sources_result import sources


def _site(text: str, folder: Path) -> Site:
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return read_site(path)


def _ranked(site: Site) -> dict[str, tuple[float, float, float, str]]:
    rows = (
        sources(site)["sources"]
        .select("source", "firm_clean", "stock_mass", "booster_power", "reason")
        .rows
    )
    return {row[0]: row[1:] for row in rows}


def _without_pressures(text: str) -> str:
    return (
        text.replace("bore: 52.5 mm", "capacity: 60 g/s")
        .replace(", pressure: 106 kPa", "")
        .replace("pressure: 103 kPa,", "")
    )


def test_a_holder_on_a_spur_is_reached(tmp_path: Path) -> None:
    """The mean of 10 g/s drives 6 2/3 engines of 10 kW; all 960 m of pipe are laid, and 20 of the
    60 g/s of the spur are for what fills the holder."""
    power, mass, boosters, reason = _ranked(_site(_without_pressures(LINE), tmp_path))["well"]
    assert (power, mass, boosters, reason) == (
        *(pytest.approx(2e5 / 3), pytest.approx(5.44 * 960)),
        *(0.0, ""),
    )


def test_a_spur_carries_what_fills_the_holder_and_what_it_gives(tmp_path: Path) -> None:
    """24 g/s of pipe leave 4 g/s for the engines beside the 20 g/s of the well, and 10 g/s beside
    0.7 of these, of which the mean is 7 g/s."""
    text = _without_pressures(LINE).replace("capacity: 60 g/s", "capacity: 24 g/s")
    assert _ranked(_site(text, tmp_path))["well"][0] == pytest.approx(7 / 1.5 * 1e4)


def test_under_pressure_a_source_gives_less_and_its_fan_takes_power(tmp_path: Path) -> None:
    power, mass, boosters, _ = _ranked(_site(LINE, tmp_path))["well"]
    assert 4e4 < power < 2e5 / 3
    assert boosters > 0
    assert mass == pytest.approx(5.44 * 960 + 40)  # both fans


@pytest.mark.parametrize("number", range(8))
def test_no_source_is_ranked_above_its_best_plan(number: int, tmp_path: Path) -> None:
    """What a source gives alone is some plan: no more than the limit of plans for it alone."""
    lines = pressed_text(number, any_pipe=True).splitlines(keepends=True)
    site = _site("".join(one for one in lines if not one.startswith("  s1:")), tmp_path)
    ((power, mass, _, reason),) = _ranked(site).values()
    result = al.plan(site, basis="firm", time_limit=60)
    assert result.bound is not None
    assert power <= result.bound * (1 + 1e-6)
    assert mass <= site.materials["steel"].stock
    assert (power > 0) == (reason == "")
    if result.bound <= 1e-3:
        assert power == 0.0


def test_the_end_of_a_pipe_into_a_vessel_is_as_slow_as_plans_have_it(tmp_path: Path) -> None:
    """A vessel that is nearly empty has little pressure, so that less may flow into it."""
    site = _site(HUT, tmp_path)
    ((power, _, boosters, _),) = _ranked(site).values()
    best = al.plan(site, basis="firm", time_limit=60)
    assert best.plan is not None
    firm = best.plan.power.firm_clean
    assert 0.84 * firm < power <= firm * (1 + 1e-9)
    assert boosters > 0


def test_a_vessel_that_does_not_bear_what_a_compressor_gives_shut_in(tmp_path: Path) -> None:
    """1.5 bar times 14 is 21 bar, 20.05 bar over the ambient 0.95 bar.

    What the air outside loses on the 60 m up to the mast counts as at ambient pressure: 0.3 %.
    """
    text = HUT.replace("max_pressure: 20 bar,", "max_pressure: 20 bar, pressure_rating: 20.5 bar,")
    ((power, _, _, reason),) = _ranked(_site(text, tmp_path)).values()
    assert power == 0
    assert "shut in: 2.01 MPa(g), 1.96 MPa(g) borne" in reason


def test_pressure_is_the_reason_where_it_is_too_low(tmp_path: Path) -> None:
    text = LINE[: LINE.index("boosters:")] + LINE[LINE.index("machines:") :]
    low = text.replace("pressure: 106 kPa", "pressure: 102.9 kPa")
    reason = _ranked(_site(low, tmp_path))["well"][3]
    assert reason.startswith("pressure at ")
    assert reason.endswith(" needed")


def test_pressure_is_no_reason_where_it_allows_a_way(tmp_path: Path) -> None:
    """The vessel feeds the cell by one way; its firm flow is less than the cell's minimum load."""
    text = HUT.replace("no_load: 5 %", "no_load: 5 %, min_load: 95 %").replace("12 kg", "1 kg")
    text = text.replace("flow: 0.9 g/s", "flow: 0.55 g/s")
    reason = _ranked(_site(text, tmp_path))["vent"][3]
    assert reason == "one cell: 91.2 % load, minimum 95 %"
    (row,) = _ranked(_site(text.replace(", min_load: 95 %", ""), tmp_path)).values()
    assert row[0] > 0  # the same ratings and pressures
