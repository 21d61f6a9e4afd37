"""``compare`` and the other studies: output, files and exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from allocator.base.folders import MANIFEST
from allocator.cli.entry import main
from allocator.studies.compare_result import CompareResult
from allocator.studies.frontier_result import FrontierResult
from allocator.studies.sweep_cases import STORE
from allocator.studies.sweep_result import SweepResult

Told = pytest.CaptureFixture[str]


def files_in(folder: Path) -> set[str]:
    """Those of a study, but for its plans."""
    return {path.name for path in folder.iterdir() if path.is_file()} - {MANIFEST}


def test_compare_writes_tables_and_a_plan_for_each_mix(
    networks: Path, tmp_path: Path, capsys: Told
) -> None:
    folder = tmp_path / "mixes"
    site = str(networks / "first.yaml")
    assert main(["compare", site, "-o", str(folder), "--node-limit", "200", "--progress"]) == 0
    out, err = capsys.readouterr()
    assert (
        "Clean supply alone serves 53.5 % of the demand; emitting supply adds no firm power." in out
    )
    assert "4 of 4 mixes" in err
    assert json.loads((folder / "comparison.json").read_text())["mixes"][0]["mix"] == "clean only"
    assert (folder / "comparison.txt").read_text() in out
    assert files_in(folder) <= CompareResult.usual_files()
    assert main(["audit", site, str(folder / "clean_first")]) == 0


def test_compare_of_a_site_without_a_plan(networks: Path, tmp_path: Path, capsys: Told) -> None:
    folder = tmp_path / "mixes"
    site = str(networks / "dry_valley.yaml")
    assert main(["compare", site, "-o", str(folder), "--node-limit", "200"]) == 3
    assert "No plan" in capsys.readouterr().out


def test_compare_on_a_cluster_that_is_not_there(
    networks: Path, tmp_path: Path, capsys: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("allocator.studies.running.ANSWER", 0.3)
    arguments = ["compare", str(networks / "first.yaml"), "-o", str(tmp_path / "x")]
    assert main([*arguments, "--cluster", "tcp://127.0.0.1:9"]) == 2
    assert "does not answer" in capsys.readouterr().err
    assert not (tmp_path / "x").exists()


def test_why_names_limits_with_their_lines_and_what_would_do(networks: Path, capsys: Told) -> None:
    site = networks / "dry_valley.yaml"
    assert main(["why", str(site), "--node-limit", "1000"]) == 3
    out, err = capsys.readouterr()
    line = next(n for n, t in enumerate(site.read_text().splitlines(), 1) if "stock: 3.5 t" in t)
    assert f"stock.steel is 3.5 t ({site}:{line})" in out
    assert "sufficient: 6.28 t (+2.78 t)" in out
    assert err == ""


def test_why_of_what_is_wanted(networks: Path, capsys: Told) -> None:
    site = str(networks / "first.yaml")
    assert main(["why", site]) == 0
    assert "a plan is possible" in capsys.readouterr().out
    assert main(["why", site, "--want", "firm_clean=13kW", "--want", "connect:digester"]) == 0
    assert "what is wanted is possible" in capsys.readouterr().out
    assert main(["why", site, "--want", "firm_clean=19 kW", "--json"]) == 3
    found = json.loads(capsys.readouterr().out)
    assert found["status"] == "conflict"
    stock = next(limit for limit in found["limits"] if limit["kind"] == "stock")
    assert stock["least_change"] == pytest.approx(109.36, rel=1e-4)
    assert main(["why", site, "--want", "firm_clean=40 kW"]) == 3  # the demand is 25 kW
    assert "One limit alone" in capsys.readouterr().out
    assert (
        main(["why", site, "--want", "machines.small_engine=2", "--want", "limits.money=1000"]) == 3
    )


@pytest.mark.parametrize(
    ("want", "told"),
    [
        ("firm_claen=3kW", "did you mean firm_clean"),
        ("connect:digestr", "did you mean sources.digester?"),
        ("connect:digester=2", "a connection has no amount"),
        ("demands.mill_drive.min_share=120 %", "no more than 100 %"),
        ("firm_clean=3kg", "expects a power"),
        ("firm_clean", "has no amount"),
        ("machines.small_engine=0", "must be above 0"),
    ],
)
def test_a_want_that_cannot_be_read(networks: Path, want: str, told: str, capsys: Told) -> None:
    assert main(["why", str(networks / "first.yaml"), "--want", want]) == 2
    assert told in capsys.readouterr().err


def test_carry(networks: Path, capsys: Told) -> None:
    site = str(networks / "first.yaml")
    assert main(["carry", site, "--node-limit", "1000", "--progress"]) == 0
    out, err = capsys.readouterr()
    assert "Limits of the next unit" in out
    assert "1 of 1 cases" in err
    assert main(["carry", site, "--node-limit", "1000", "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["carried"]
    assert row["next"] == 2
    assert main(["carry", site, "--solver", "none of that name"]) == 2
    assert capsys.readouterr().err.count("is not available here") == 1


def test_frontier(networks: Path, tmp_path: Path, capsys: Told) -> None:
    site, folder = str(networks / "first.yaml"), tmp_path / "frontier"
    arguments = [
        "frontier",
        site,
        "--give",
        "stock.steel",
        "-o",
        str(folder),
        "--node-limit",
        "1000",
    ]
    assert main([*arguments, "--steps", "4"]) == 0
    assert "firm clean power against stock.steel" in capsys.readouterr().out
    assert main(["audit", site, str(folder / "point_02")]) == 0
    assert (folder / "frontier.csv").read_text().startswith("steel_kg,firm_power_w,bound_w,")
    assert files_in(folder) <= FrontierResult.usual_files()
    assert main([*arguments, "--steps", "1"]) == 2
    arguments[3] = "stel"
    assert main(arguments) == 2
    assert "did you mean stock.steel?" in capsys.readouterr().err


def test_frontier_of_a_site_without_a_plan(networks: Path, tmp_path: Path, capsys: Told) -> None:
    site, folder = str(networks / "dry_valley.yaml"), tmp_path / "frontier"
    assert main(["frontier", site, "--give", "stock.steel", "-o", str(folder), "--steps", "3"]) == 4
    assert "allocator why" in capsys.readouterr().err
    assert not folder.exists()


@pytest.fixture(scope="session")
def ranged(tmp_path_factory: pytest.TempPathFactory, networks: Path) -> Path:
    """The first network with a range for its flow, and a plan for it beside."""
    folder = tmp_path_factory.mktemp("ranged")
    text = (networks / "first.yaml").read_text(encoding="utf-8")
    path = folder / "site.yaml"
    path.write_text(text.replace("flow: 12 g/s", "flow: {low: 4 g/s, high: 20 g/s}"), "utf-8")
    assert main(["plan", str(path), "-o", str(folder / "plan")]) == 0
    return path


def test_sweep_of_a_plan(ranged: Path, tmp_path: Path, capsys: Told) -> None:
    folder = tmp_path / "swept"
    arguments = ["sweep", str(ranged), "--plan", str(ranged.parent / "plan"), "--workers", "1"]
    arguments.append("--progress")
    assert main([*arguments, "--draws", "6", "-o", str(folder)]) == 0
    out, err = capsys.readouterr()
    assert "Firm clean power of the plan: 13.4 kW." in out
    assert "Firm output kept" in out
    assert "sources.digester.flow" in out
    assert "7 of 7 cases" in err
    rows = (folder / "cases.csv").read_text(encoding="utf-8").splitlines()
    assert rows[0].startswith("case,draw,sources.digester.flow [kg/s],status,")
    assert rows[1].startswith("1,0,0.012,optimal,yes,")
    assert len(rows) == 8
    assert json.loads((folder / "sweep.json").read_text())["mode"] == "re-checked"
    assert files_in(folder) - {STORE} <= SweepResult.usual_files()
    assert main([*arguments, "--draws", "6", "-o", str(folder)]) == 0
    assert "7 of 7 cases are known already" in capsys.readouterr().err
    assert main([*arguments, "--draws", "6", "--seed", "9", "-o", str(folder)]) == 2
    assert "another site, plan or settings" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "nothing to vary; give --draws N, --grid ADDRESS=VALUES, or both"),
        (["--grid", "stock.stel=1t"], "no number 'stock.stel'; did you mean stock.steel"),
        (["--grid", "stock.steel"], "has no values; write 'stock.steel=4t,6t'"),
        (["--grid", "stock.steel=1t,2kW"], "expects a mass"),
        (["--grid", "stock.steel=-1t"], "must not be negative"),
        (["--grid", "stock.steel=1t,1000kg"], "holds a value twice"),
        (["--grid", "stock.steel=1t", "--grid", "stock.steel=2t"], "has a grid already"),
        (["--draws", "2"], "gives no ranges to draw from"),
        (["--grid", "stock.steel=1t", "--simulate", "3"], "name one with --plan"),
        (["--grid", "stock.steel=1t", "--cluster", "tcp://127.0.0.1:9"], "does not answer"),
    ],
)
def test_sweeps_that_cannot_be(
    arguments: list[str],
    told: str,
    networks: Path,
    tmp_path: Path,
    capsys: Told,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("allocator.studies.running.ANSWER", 0.3)
    command = ["sweep", str(networks / "first.yaml"), "-o", str(tmp_path / "x"), *arguments]
    assert main(command) == 2
    assert told in capsys.readouterr().err
    assert not (tmp_path / "x").exists()


def test_sweep_of_a_plan_does_not_see_stocks(
    planned: Path, networks: Path, tmp_path: Path, capsys: Told
) -> None:
    site = str(networks / "first.yaml")
    command = ["sweep", site, "--plan", str(planned), "-o", str(tmp_path / "x")]
    assert main([*command, "--grid", "stock.steel=1t"]) == 2
    assert "an existing plan does not depend on it; leave --plan out" in capsys.readouterr().err


def test_plan_tells_what_more_is_worth(networks: Path, tmp_path: Path, capsys: Told) -> None:
    site, folder = str(networks / "first.yaml"), tmp_path / "plan"
    arguments = ["plan", site, "-o", str(folder), "--node-limit", "1000", "--lift"]
    assert main([*arguments, "stock.steel=250 kg"]) == 0
    out = capsys.readouterr().out
    assert "Marginal values" in out
    assert "6.63 kW" in out
    assert main([*arguments, "stock.steal=250 kg"]) == 2
    assert "did you mean stock.steel?" in capsys.readouterr().err
    assert main([*arguments, "stock.steel=250 W"]) == 2
    assert main([*arguments, "stock.steel"]) == 2
    assert main([*arguments, "stock.steel=0 kg"]) == 2
    assert main(["audit", site, str(folder)]) == 0


def test_names_of_mixes_never_lead_out_of_the_folder(
    cases: Path, tmp_path: Path, capsys: Told
) -> None:
    out = tmp_path / "one" / "two"
    out.parent.mkdir()
    assert main(["compare", str(cases / "mix_names.yaml"), "-o", str(out)]) == 0
    assert [path.name for path in tmp_path.iterdir()] == ["one"]
    assert [path.name for path in out.parent.iterdir()] == ["two"]
    plans = {path.parent.name for path in out.rglob("plan.json")}
    assert {"escaped", "nowhere_absolute"} < plans
    assert any(name.startswith("page.html_") for name in plans)
    assert (out / "page.html").is_file()
    capsys.readouterr()


@pytest.mark.parametrize(
    ("names", "problem"),
    [
        (("a b", "a_b"), "would get the same folder, 'a_b', as mix 'a b'"),
        (("Clean", "clean"), "would get the same folder, 'clean', as mix 'Clean'"),
        (("..",), "nothing of it can name one"),
    ],
)
def test_mixes_that_would_share_a_folder_are_refused(
    cases: Path, tmp_path: Path, capsys: Told, names: tuple[str, ...], problem: str
) -> None:
    text = (cases / "mix_names.yaml").read_text().partition("mixes:")[0] + "mixes:\n"
    site = tmp_path / "site.yaml"
    site.write_text(text + "".join(f"  {name!r}: {{about: x}}\n" for name in names))
    assert main(["check", str(site)]) == 2
    error = capsys.readouterr().err
    assert problem in error
    assert error.startswith(f"{site}:{len(text.splitlines()) + len(names)}:")
