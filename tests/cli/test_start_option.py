"""``allocator plan --start``: a plan to begin from."""

from pathlib import Path

import pytest

from allocator.cli.entry import main
from allocator.plans.file import read_plan

FIRST = str(Path(__file__).parents[2] / "networks" / "first.yaml")


def test_a_plan_may_begin_from_another(tmp_path: Path) -> None:
    folders = [str(tmp_path / name) for name in ("one", "two")]
    quick = ["--node-limit", "200", "--prove", "0", "--effort", "quick"]
    assert main(["plan", FIRST, "-o", folders[0], *quick]) == 0
    assert main(["plan", FIRST, "-o", folders[1], *quick, "--start", folders[0]]) == 0
    first, second = (read_plan(Path(folder) / "plan.json") for folder in folders)
    assert second.verified
    assert second.power.firm_clean == pytest.approx(first.power.firm_clean, rel=1e-6)


def test_a_start_that_is_no_plan_is_bad_input(tmp_path: Path) -> None:
    broken = tmp_path / "plan.json"
    broken.write_text('{"format": "something else"}', encoding="utf-8")
    assert main(["plan", FIRST, "-o", str(tmp_path / "out"), "--start", str(broken)]) == 2
    missing = str(tmp_path / "missing.json")
    assert main(["plan", FIRST, "-o", str(tmp_path / "out"), "--start", missing]) == 2
    assert not (tmp_path / "out").exists()


def test_a_start_of_another_site_is_refused(
    planned: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A changed file of the site is another version of it, as long as its name is the same."""
    other = tmp_path / "other.yaml"
    text = Path(FIRST).read_text(encoding="utf-8")
    other.write_text(text.replace("name: First site", "name: Other site"), encoding="utf-8")
    out = tmp_path / "out"
    assert main(["plan", str(other), "-o", str(out), "--start", str(planned)]) == 2
    assert "the plan is for 'First site', and the site is 'Other site'" in capsys.readouterr().err
    assert not out.exists()
