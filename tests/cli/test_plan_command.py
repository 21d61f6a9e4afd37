"""``allocator plan``: what it prints, what it writes, and its exit codes."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from handmade_cove import COVE_PLAN

from allocator.cli.entry import main
from allocator.cli.plan import nothing_served
from allocator.engine import planning
from allocator.plans.file import read_plan
from allocator.plans.records import GoalResult, Plan
from allocator.search import Outcome
from allocator.site.records import Site
from allocator.verify import AuditReport, Breach

FILES = {
    "manifest.json",
    "plan.json",
    "run.json",
    "sources_used.csv",
    "store_sizes.csv",
    "runs.csv",
    "machine_counts.csv",
    "bill_of_materials.csv",
    "cut_list.csv",
    "build_order.csv",
    "set_points.csv",
    "stock_list.csv",
    "plan.geojson",
    "plan.graphml",
    "plan.xlsx",
    "simulation.json",
    "levels.csv",
    "events.csv",
    "page.html",
    "summary.txt",
    "cautions.txt",
}


def test_a_plan_is_told_and_written(
    networks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "plan"
    assert main(["plan", str(networks / "first.yaml"), "-o", str(folder)]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("First site: firm plan")
    # 13.374 kW by hand in the head of the file; the mean basis says 20
    assert "Firm clean power 13.4 kW" in out
    assert "Average-flow estimate: clean 20 kW" in out
    assert out.endswith(f"Files: {folder}\n")
    assert err == ""
    assert {path.name for path in folder.iterdir()} == FILES
    plan = read_plan(folder / "plan.json")
    assert plan.verified
    assert plan.cautions


def test_the_same_site_and_nodes_give_the_same_bytes(networks: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        arguments = ["--node-limit", "50", "--seed", "3", "-o", str(tmp_path / name)]
        assert main(["plan", str(networks / "two_bays.yaml"), *arguments]) == 0
    for name in FILES - {"run.json"}:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_what_differs_between_runs_is_in_run_json_alone(planned: Path) -> None:
    run = json.loads((planned / "run.json").read_text())
    assert run["seconds"]["total"] > 0
    assert run["versions"]["allocator"]
    assert set(run["files_sha256"]) == FILES - {"run.json", "manifest.json"}
    assert "seconds" not in (planned / "plan.json").read_text()


def test_progress_goes_to_stderr_on_request(
    networks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["plan", str(networks / "first.yaml"), "-o", str(tmp_path), "--progress"]
    assert main(arguments) == 0
    out, err = capsys.readouterr()
    assert "clean_power  plan 13\u00a0374" in err
    assert "clean_power" not in out


def test_the_mean_basis_says_that_it_promises_nothing(
    networks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["plan", str(networks / "first.yaml"), "-o", str(tmp_path), "--basis", "mean"]
    assert main(arguments) == 0
    assert "not firm" in capsys.readouterr().out
    assert read_plan(tmp_path / "plan.json").basis == "mean"


def test_no_plan_exists(networks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "plan"
    assert main(["plan", str(networks / "dry_valley.yaml"), "-o", str(folder)]) == 3
    out, err = capsys.readouterr()
    assert out == ""
    assert "stock.steel" in err
    assert not folder.exists()


def test_none_found_in_the_time(
    networks: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(planning, "make_plan", lambda *_: Outcome(None, False, "allow more time"))
    assert main(["plan", str(networks / "first.yaml"), "-o", str(tmp_path)]) == 4
    assert capsys.readouterr().err == "allow more time\n"
    assert os.listdir(tmp_path) == []


def test_a_plan_that_fails_its_audit_is_kept_and_marked(
    networks: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    breach = Breach("stock", "material 'steel'", 3.0, "kg", "3 kg too much")
    monkeypatch.setattr(planning, "audit", lambda *_: AuditReport((breach,)))
    assert main(["plan", str(networks / "first.yaml"), "-o", str(tmp_path)]) == 5
    out, err = capsys.readouterr()
    assert "NOT VERIFIED" in out
    assert "material 'steel': 3 kg too much" in err
    assert "FAILED ITS AUDIT" in err
    assert read_plan(tmp_path / "plan.json").verified is False


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--basis", "hopeful"], "invalid choice: 'hopeful'"),
        (["--time-limit", "0"], "must be above 0, got '0'"),
        (["--time-limit", "nan"], "must be above 0, got 'nan'"),
        (["--time-limit", "soon"], "invalid number value: 'soon'"),
        (["--gap", "1"], "must be from 0 up to 1, got '1'"),
        (["--threads", "0"], "must be 1 or more, got '0'"),
        (["--node-limit", "2.5"], "invalid whole number value: '2.5'"),
        (["--seed", "-1"], "must be from 0 to 2147483647, got '-1'"),
        (["--sped", "1"], "unrecognized arguments: --sped 1"),
    ],
)
def test_arguments_that_cannot_be(
    arguments: list[str],
    told: str,
    networks: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["plan", str(networks / "first.yaml"), "-o", str(tmp_path), *arguments])
    assert stopped.value.code == 2
    assert told in capsys.readouterr().err


def test_a_solver_that_is_not_there(
    networks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["-o", str(tmp_path), "--solver", "abacus"]
    assert main(["plan", str(networks / "first.yaml"), *arguments]) == 2
    assert "abacus" in capsys.readouterr().err


def test_a_place_that_cannot_be_written_is_told_before_any_work(
    networks: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def never(*_: object) -> None:
        raise AssertionError("planned in vain")

    monkeypatch.setattr(planning, "make_plan", never)
    taken = tmp_path / "taken"
    taken.write_text("")
    site = str(networks / "first.yaml")
    assert main(["plan", site, "-o", str(taken)]) == 2
    assert "is a file, not a directory" in capsys.readouterr().err
    assert main(["plan", site, "-o", str(tmp_path / "no" / "plan")]) == 2
    assert "does not exist" in capsys.readouterr().err


def test_a_faulty_site_tells_every_fault(
    networks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (networks / "first.yaml").read_text()
    broken = text.replace("flow: 12 g/s", "flow: -12 g/s").replace("small_engine:", "smal_engine:")
    site = tmp_path / "site.yaml"
    site.write_text(broken.replace("stock: 1060 kg", "stock: 1060 kW"))
    assert main(["plan", str(site), "-o", str(tmp_path / "plan")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    lines = err.splitlines()
    assert len(lines) == 2
    assert all(line.startswith(f"{site}:") for line in lines)


def test_oddities_are_warned_of_on_stderr(
    networks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = tmp_path / "site.yaml"
    text = (networks / "first.yaml").read_text()
    odd = text.replace(
        "steel: {stock: 1060 kg, price: 1.8 /kg}", "steel: {stock: 1060 kg}\n  tin: {}"
    )
    site.write_text(odd)
    assert main(["plan", str(site), "-o", str(tmp_path / "plan")]) == 0
    out, err = capsys.readouterr()
    assert "warning: " in err
    assert "'tin'" in err
    assert "warning: " not in out.split("Cautions")[0]


def test_the_simulated_mean_stands_beside_the_program_s(
    networks: Path, planned: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = json.loads((planned / "simulation.json").read_text())
    assert told["kept"] is True
    assert told["reserves"].keys() == {"gas_holder@mill"}
    points = read_plan(planned / "plan.json").set_points
    assert points is not None
    assert {hold.store: hold.reserve for hold in points.stores} == told["reserves"]
    assert "surplus use permitted only above" in (planned / "set_points.csv").read_text()
    assert told["plan_sha256"] == hashlib.sha256((planned / "plan.json").read_bytes()).hexdigest()
    site = str(networks / "first.yaml")
    assert main(["plan", site, "-o", str(tmp_path), "--prove", "1", "--full"]) == 0
    out = capsys.readouterr().out
    assert "on average, simulated" in out
    more = json.loads((tmp_path / "simulation.json").read_text())
    assert [draw["name"] for draw in more["draws"]] == ["random 1", "against gas_holder@mill"]
    assert more["settings"]["days"] == 365.0
    # Without a proof the files of the older one go: they are of another run.
    assert main(["plan", site, "-o", str(tmp_path), "--prove", "0", "--full"]) == 0
    assert "on average, simulated" not in capsys.readouterr().out
    assert not (tmp_path / "simulation.json").exists()


def test_a_plan_that_breaks_its_promise_is_kept_and_marked(
    networks: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    real = planning.prove_plan

    def of_a_smaller_store(site: Site, plan: Plan, *given: Any, **named: Any) -> Any:
        store = replace(plan.stores[0], size=0.7 * plan.stores[0].size)
        return real(site, replace(plan, stores=(store,)), *given, **named)

    monkeypatch.setattr(planning, "prove_plan", of_a_smaller_store)
    site = str(networks / "first.yaml")
    assert main(["plan", site, "-o", str(tmp_path)]) == 5
    out, err = capsys.readouterr()
    assert "THIS PLAN DID NOT KEEP ITS FIRM OUTPUT" in out
    assert "DID NOT KEEP ITS FIRM OUTPUT" in err
    assert read_plan(tmp_path / "plan.json").verified is False
    monkeypatch.undo()
    broken, plan = str(tmp_path / "broken.json"), str(tmp_path)
    assert main(["simulate", site, plan, "-o", str(tmp_path / "again"), "--replay", broken]) == 1


def test_promises_that_withstand_sources(
    networks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One source alone can be lost by no promise; at its low end it gives 5/6 of the flow."""
    site, folder = tmp_path / "site.yaml", tmp_path / "plan"
    text = (networks / "first.yaml").read_text(encoding="utf-8")
    assert main(["plan", str(networks / "first.yaml"), "-o", str(folder), "--robust", "1"]) == 2
    assert "no source has a range for its flow" in capsys.readouterr().err
    site.write_text(text.replace("flow: 12 g/s", "flow: {low: 10 g/s, high: 14 g/s}"), "utf-8")
    assert main(["plan", str(site), "-o", str(folder), "--robust", "1"]) == 0
    out = capsys.readouterr().out
    assert "with any 1 source giving the low end of the range, for ever" in " ".join(out.split())
    assert main(["audit", str(site), str(folder)]) == 0
    assert main(["plan", str(site), "-o", str(folder), "--lose", "1"]) == 0
    assert "Firm clean power 0 W" in capsys.readouterr().out
    assert main(["plan", str(site), "-o", str(folder), "--lose", "1", "--basis", "mean"]) == 2
    assert "lost and low sources need the firm basis" in capsys.readouterr().err


def test_an_interrupted_proof_does_not_lose_the_plan(
    networks: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(planning, "prove_plan", interrupted)
    folder = tmp_path / "plan"
    assert main(["plan", str(networks / "first.yaml"), "-o", str(folder)]) == 0
    assert "the plan was not simulated: interrupted" in capsys.readouterr().err
    plan = read_plan(folder / "plan.json")
    assert plan.verified
    assert plan.power.firm_clean == pytest.approx(13374, rel=1e-3)
    assert not (folder / "simulation.json").exists()


def test_a_plan_that_serves_nothing_though_more_may_be_possible_is_not_found() -> None:
    goal = GoalResult("clean_power", "W", "max", 0.0, 4000.0, 1.0, "time_limit")
    power = replace(COVE_PLAN.power, demand_mean=5000.0)
    found = nothing_served(replace(COVE_PLAN, goals=(goal,), power=power))
    assert "up to 4 kW may be possible" in found
    assert "--time-limit" in found
    proven = replace(goal, bound=0.0, gap=0.0, status="optimal")
    assert nothing_served(replace(COVE_PLAN, goals=(proven,), power=power)) == ""
    assert nothing_served(COVE_PLAN) == ""


def test_all_tables_and_the_cautions_on_request(
    networks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["plan", str(networks / "first.yaml"), "-o", str(tmp_path), "--prove", "0"]
    assert main(arguments) == 0
    assert "Goals, in order" not in capsys.readouterr().out
    assert main([*arguments, "--full"]) == 0
    out = capsys.readouterr().out
    assert "Goals, in order" in out
    assert "\nCautions\n" in out
    assert main([*arguments, "--cautions"]) == 0
    assert (tmp_path / "cautions.txt").read_text("utf-8") in capsys.readouterr().out
    assert "Goals, in order" in (tmp_path / "summary.txt").read_text("utf-8")


def test_more_units_out_than_a_site_may_have_are_refused(
    networks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = str(networks / "first.yaml")
    assert main(["plan", site, "-o", str(tmp_path / "p"), "--lose-machines", "5"]) == 2
    err = capsys.readouterr().err
    assert "5 units cannot be out of order on a site of at most 4 (small_engine at mill: 4)" in err


def test_units_out_are_told_and_written(
    networks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site, folder = str(networks / "first.yaml"), tmp_path / "p"
    assert main(["plan", site, "-o", str(folder), "--lose-machines", "1", "--prove", "0"]) == 0
    out = capsys.readouterr().out
    # steel for two engines and a holder: one of 10 kW is left; three would leave no steel for more
    assert "Firm clean power 10 kW" in out
    assert "The firm output holds with any 1 machine unit out of order." in out
    (outage,) = read_plan(folder).outages
    assert outage.out == {"small_engine@mill": 1}
    assert "any 1 machine unit out of order" in (folder / "page.html").read_text()
