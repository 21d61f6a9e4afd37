"""What ``fit`` makes of flow between bursts, and of flow that falls over the record."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import allocator as al
from allocator.cli.entry import main
from allocator.intake.change_rows import Floats
from allocator.intake.fitting import CycleFit, fit_cycle
from allocator.intake.logs import read_log

Said = pytest.CaptureFixture[str]
TIMES = np.arange(0, 60 * 86_400.0, 600.0)
PLACE = TIMES % 21_600.0
ON = PLACE < 5400.0
SITE = """\
format: allocator.site/2
name: Fitted
fluids: {gas: {phase: gas, heating_value: 18 MJ/kg}}
places: {farm: {}}
machines:
  engine: {inputs: {gas: 1 g/s}, outputs: {power: 6 kW}, places: [farm]}
demands: {mill: {power: 2 kW}}
"""


def fitted(folder: Path, flows: Floats, capsys: Said) -> tuple[CycleFit, str]:
    """The fit of flows in g/s, and what the command prints."""
    file = folder / "well.csv"
    rows = (f"{t:g},{v:.4f}" for t, v in zip(TIMES, flows, strict=True))
    file.write_text("time [s],flow [g/s]\n" + "\n".join(rows) + "\n")
    assert main(["fit", str(file), "--place", "farm", "--fluid", "gas"]) == 0
    return fit_cycle(read_log(file)), capsys.readouterr().out


def sources_of(out: str, folder: Path) -> dict[str, al.Source]:
    file = folder / "site.yaml"
    file.write_text(SITE + out[out.index("sources:") :])
    return dict(al.read_site(file).sources)


@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_a_flow_that_goes_on_between_bursts_is_a_steady_source(
    noise: float, tmp_path: Path, capsys: Said
) -> None:
    flows = 2 + 8.0 * ON + np.random.default_rng(1).normal(0, noise, len(TIMES))
    fit, out = fitted(tmp_path, flows, capsys)
    assert 1000 * fit.mean == pytest.approx(4.0, rel=0.01)
    found = sources_of(out, tmp_path)
    assert 1000 * found["well"].flow == pytest.approx(8.0, rel=0.01)
    assert 1000 * found["well_steady"].flow == pytest.approx(2.0, rel=0.01)
    assert found["well_steady"].stages == ()
    assert "Between bursts 2 g/s go on" in out
    assert "the rest kept 100.00 %" in out


def test_noise_between_bursts_is_no_source(tmp_path: Path, capsys: Said) -> None:
    flows = 8.0 * ON + np.abs(np.random.default_rng(1).normal(0, 0.05, len(TIMES)))
    fit, out = fitted(tmp_path, flows, capsys)
    assert (fit.base, fit.missed) == (None, 0.0)
    assert [*sources_of(out, tmp_path)] == ["well"]
    assert "Left out" not in out


def test_a_second_level_that_is_left_out_is_reported(tmp_path: Path, capsys: Said) -> None:
    """10 g/s for an hour and 4 g/s for the next one, of six: 0.67 of 2.33 g/s are not in it."""
    fit, out = fitted(tmp_path, np.where(PLACE < 3600, 10.0, 4.0 * (PLACE < 7200)), capsys)
    assert 1000 * fit.missed == pytest.approx(4 / 6, rel=0.01)
    assert "Left out: flow between bursts, 667 mg/s" in out
    assert "of the record's mean of 2.33 g/s" in " ".join(out.split())


@pytest.mark.parametrize("steady", [False, True])
def test_a_flow_that_falls_is_that_of_the_last_third(
    steady: bool, tmp_path: Path, capsys: Said
) -> None:
    flows = (10 - 5 * TIMES / TIMES[-1]) * (steady | ON)
    fit, out = fitted(tmp_path, flows, capsys)
    assert 1000 * fit.flow.value == pytest.approx(10 - 5 * 5 / 6, rel=0.01)
    assert "The flow falls: 9.17 g/s in the first third of the record, 5.8" in out
    assert 1000 * sources_of(out, tmp_path)["well"].flow == pytest.approx(5.83, rel=0.01)
    assert ("less than it should" in out) == (not steady)
    # what goes on between bursts may fall too
    if not steady:
        fit, out = fitted(tmp_path, 2 - TIMES / TIMES[-1] + 8.0 * ON, capsys)
        assert 1000 * sources_of(out, tmp_path)["well_steady"].flow == pytest.approx(7 / 6, 0.01)


def test_a_flow_that_rises_or_differs_by_chance_does_not_fall(tmp_path: Path, capsys: Said) -> None:
    for seed in range(20):
        each = np.random.default_rng(seed).uniform(6, 14, 240)
        fit, out = fitted(tmp_path, each[(TIMES // 21_600).astype(int)] * ON, capsys)
        assert fit.falls is None, seed
    fit, out = fitted(tmp_path, (5 + 5 * TIMES / TIMES[-1]) * ON, capsys)
    assert fit.falls is None
    assert 1000 * fit.flow.value == pytest.approx(7.5, rel=0.01)
    assert "less than it should" not in out


def test_a_source_that_is_always_on_at_a_flow_that_varies(tmp_path: Path, capsys: Said) -> None:
    _, out = fitted(tmp_path, np.where(TIMES % 86_400 < 43_200, 6.0, 4.0), capsys)
    assert "Always on" in out
    assert "The flow varies, from 4 g/s to 6 g/s" in out
