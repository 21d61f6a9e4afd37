"""``simulate``: output, files, exit codes, and plans that it refuses."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from allocator.cli.entry import main

Told = pytest.CaptureFixture[str]
QUICK = ("--days", "20", "--phases", "2", "--foresight", "5")


def changed(planned: Path, folder: Path, change: Callable[[dict], object]) -> Path:  # type: ignore[type-arg]
    """The plan with something changed in its file."""
    plan = json.loads((planned / "plan.json").read_text())
    change(plan)
    path = folder / "changed.json"
    path.write_text(json.dumps(plan))
    return path


def smaller(plan: dict) -> None:  # type: ignore[type-arg]
    """A store that is too small for its promise, in a plan that says it was not verified."""
    plan["stores"][0]["size_kg"] *= 0.8
    plan["stores"][0]["new_size_kg"] *= 0.8
    plan["verified"] = False


def test_a_kept_promise(networks: Path, planned: Path, tmp_path: Path, capsys: Told) -> None:
    site, folder = str(networks / "first.yaml"), tmp_path / "simulated"
    assert main(["simulate", site, str(planned), "-o", str(folder), *QUICK]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "KEPT" in out.splitlines()[0]
    assert "No control of this plan could give more firm power" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 100
    assert sorted(p.name for p in folder.iterdir()) == [
        "events.csv",
        "levels.csv",
        "manifest.json",
        "simulation.json",
    ]
    told = json.loads((folder / "simulation.json").read_text())
    assert told["kept"] is True
    # Promise, worst instant, the best that any control could promise, and what no plan can pass.
    chain = [told[k] for k in ("promised_firm_w", "worst_firm_w", "firm_foresight_w", "ceiling_w")]
    assert chain == pytest.approx(sorted(chain), rel=1e-6)
    assert told["plan_sha256"]


def test_the_same_bytes_by_two_workers(networks: Path, planned: Path, tmp_path: Path) -> None:
    site = str(networks / "first.yaml")
    for name, more in (("one", []), ("two", ["--workers", "2"])):
        given = ["simulate", site, str(planned), "-o", str(tmp_path / name), *QUICK, *more]
        assert main(given) == 0
    for name in ("simulation.json", "levels.csv", "events.csv"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_a_broken_promise_can_be_run_again(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    site, folder = str(networks / "first.yaml"), tmp_path / "simulated"
    plan = str(changed(planned, tmp_path, smaller))
    given = ["simulate", site, plan, "-o", str(folder), *QUICK, "--from-now"]
    assert main(given) == 1
    out, err = capsys.readouterr()
    assert "NOT KEPT" in out
    assert "run dry" in out
    assert "From empty stores" in out
    assert "FIRM OUTPUT WAS NOT KEPT" in err
    broken = folder / "broken.json"
    found = json.loads(broken.read_text())["draws"]
    assert {draw["name"] for draw in found} >= {"against gas_holder@mill"}

    again = tmp_path / "again"
    assert main(["simulate", site, plan, "-o", str(again), "--replay", str(broken)]) == 1
    once_more = json.loads((again / "broken.json").read_text())["draws"]
    assert once_more == found
    assert main(["simulate", site, str(planned), "-o", str(again), "--replay", str(broken)]) == 0
    assert not (again / "broken.json").exists()


def test_outages_are_no_part_of_the_promise(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    site, folder = str(networks / "first.yaml"), str(tmp_path / "simulated")
    given = ["simulate", site, str(planned), "-o", folder, *QUICK, "--hold", "need"]
    assert main([*given, "--no-adversarial", "--outages", "40 h", "4 h"]) == 0
    told = capsys.readouterr()
    assert "which firm output does not cover" in told.out
    assert "FIRM OUTPUT WAS NOT KEPT" not in told.err
    assert "reproduces it" in told.err
    broken = Path(folder) / "broken.json"
    found = json.loads(broken.read_text())
    again = ["simulate", site, str(planned), "-o", folder, "--replay", str(broken)]
    assert main(again) == 0
    assert json.loads(broken.read_text()) == found


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda plan: plan["site"].update(sha256="0" * 64), "another site"),
        (lambda plan: plan["stores"][0].update(size_kg=1e9), "changed after it was made"),
        (lambda plan: plan.update(format="allocator.plan/0"), "allocator.plan/0"),
        (lambda plan: plan["stores"][0].update(size_kg=float("nan")), "not a finite number"),
        (lambda plan: plan["stores"][0].pop("size_kg"), "size_kg"),
        (lambda plan: plan.update(basis="mean", verified=False), "has no firm output to simulate"),
    ],
)
def test_plans_that_are_refused(
    networks: Path,
    planned: Path,
    tmp_path: Path,
    capsys: Told,
    change: Callable[[dict], object],  # type: ignore[type-arg]
    said: str,
) -> None:
    site, folder = str(networks / "first.yaml"), tmp_path / "simulated"
    plan = str(changed(planned, tmp_path, change))
    assert main(["simulate", site, plan, "-o", str(folder), *QUICK]) == 2
    assert said in capsys.readouterr().err
    assert not folder.exists()


def test_files_that_are_cut_off_or_not_there(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    site, folder = str(networks / "first.yaml"), str(tmp_path / "simulated")
    cut = tmp_path / "cut.json"
    cut.write_text((planned / "plan.json").read_text()[:-40])
    assert main(["simulate", site, str(cut), "-o", folder, *QUICK]) == 2
    assert "cut off" in capsys.readouterr().err
    assert main(["simulate", site, str(tmp_path / "none"), "-o", folder, *QUICK]) == 2
    given = ["simulate", site, str(planned), "-o", folder, "--replay"]
    assert main([*given, str(cut)]) == 2
    assert main([*given, str(planned / "plan.json")]) == 2
    assert "no file of broken draws" in capsys.readouterr().err
    strange = {
        "format": "allocator.broken/1",
        "site": json.loads((planned / "plan.json").read_text())["site"],
        "seed": 0,
        "surplus": True,
        "outages_s": None,
        "reserves": {},
        "draws": [
            {"name": "a", "number": 0, "seconds": 9.0, "shares": {}, "phases_s": {"moon": 1.0}}
        ],
    }
    cut.write_text(json.dumps(strange))
    assert main([*given, str(cut)]) == 2
    assert "'moon'" in capsys.readouterr().err


def test_arguments_that_make_no_sense(networks: Path, planned: Path, tmp_path: Path) -> None:
    given = ["simulate", str(networks / "first.yaml"), str(planned), "-o", str(tmp_path / "s")]
    for more in (["--days", "0"], ["--outages", "2 kg", "1 h"], ["--hold", "half"]):
        with pytest.raises(SystemExit) as stopped:
            main([*given, *more])
        assert stopped.value.code == 2
