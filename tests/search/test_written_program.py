"""A program written to a file has the answer of the plan, whoever reads it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import highspy
import pytest
from networks.stored_answers import NETWORKS, site_of

from allocator.cli.entry import main
from allocator.search import Settings, make_plan
from allocator.search.writing import ProgramFileError, written_program

SETTINGS = Settings(node_limit=1000, gap=1e-6)


def optimum(path: Path) -> float:
    """The least value of the program of a file, by HiGHS's own reader."""
    model = highspy.Highs()
    model.setOptionValue("output_flag", False)
    model.setOptionValue("mip_rel_gap", 1e-9)
    assert model.readModel(str(path)) == highspy.HighsStatus.kOk
    model.run()
    assert model.getModelStatus() == highspy.HighsModelStatus.kOptimal
    return float(model.getInfo().objective_function_value)


@pytest.mark.parametrize("suffix", [".lp", ".mps"])
@pytest.mark.parametrize(
    ("name", "basis"),
    [("first", "firm"), ("first", "mean"), ("two_bays", "firm"), ("cool_first", "firm")],
)
def test_its_optimum_is_the_goal(name: str, basis: str, suffix: str, tmp_path: Path) -> None:
    site, settings = site_of(name), replace(SETTINGS, basis=basis)
    plan = make_plan(site, settings).plan
    assert plan is not None
    written = written_program(site, settings, suffix)
    assert written.whole
    assert written.goal == plan.goals[0].name
    path = tmp_path / f"program{suffix}"
    path.write_bytes(written.text)
    assert -optimum(path) == pytest.approx(plan.goals[0].value, rel=1e-6)
    assert (written.cuts > 0) == (basis == "firm")
    assert written == written_program(site, settings, suffix)


def test_without_its_store_cuts_it_would_say_more(tmp_path: Path) -> None:
    text = written_program(site_of("first"), SETTINGS, ".lp").text.decode()
    before, cut, after = text.partition("r12_store_cut")
    assert cut
    path = tmp_path / "program.lp"
    _, row, rest = after.partition("r1_supply")
    path.write_text(before + row + rest, encoding="utf-8")
    plan = make_plan(site_of("first"), SETTINGS).plan
    assert plan is not None
    assert -optimum(path) > 1.2 * plan.goals[0].value


def test_what_is_cut_short_bounds_the_goal(tmp_path: Path) -> None:
    """With no time for store cuts the optimum is no less than the plan, nor called the goal's."""
    site = site_of("two_bays")
    plan = make_plan(site, SETTINGS).plan
    assert plan is not None
    written = written_program(site, Settings(time_limit=1e-6), ".mps")
    assert not written.whole
    path = tmp_path / "program.mps"
    path.write_bytes(written.text)
    assert -optimum(path) >= plan.goals[0].value


def test_other_files_are_refused() -> None:
    with pytest.raises(ProgramFileError, match=r"ends in \.lp or \.mps"):
        written_program(site_of("first"), SETTINGS, ".txt")


def test_the_command_writes_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, folder = tmp_path / "program.lp", tmp_path / "plan"
    site = str(NETWORKS / "first.yaml")
    arguments = ["plan", site, "-o", str(folder), "--node-limit", "1000", "--prove", "0"]
    assert main([*arguments, "--write-program", str(file)]) == 0
    said = capsys.readouterr().out
    assert f"Program: {file} (clean_power, 1 store cut; its optimum is the goal's)" in said
    assert -optimum(file) == pytest.approx(13374.486, abs=0.01)
    assert main([*arguments, "--write-program", str(tmp_path / "program.txt")]) == 2
    assert "ends in .lp or .mps" in capsys.readouterr().err
