"""What of a plan is built, and planning again from there."""

from __future__ import annotations

import math
import multiprocessing
import time
from dataclasses import replace
from pathlib import Path

import pytest
from crashing import killed_at

import allocator as al
from allocator.base import folders
from allocator.base.dimensions import next_shown
from allocator.base.rendering import shown_cells
from allocator.cli.entry import main
from allocator.engine.plan_folder import write_plan_files
from allocator.network.deriving import network_of
from allocator.report.bill import bill_of_materials
from allocator.report.handover.build_order import build_order
from allocator.report.handover.stock import bill_with_totals
from allocator.site.document import read_document
from allocator.studies.done_steps import DoneStep, StepError, check_needs, numbers_of

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
FIRST = NETWORKS / "first.yaml"
Told = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def plan() -> al.Plan:
    return al.plan(FIRST, node_limit=300, prove=0).plan


def test_everything_built_is_the_plan_itself(plan: al.Plan, tmp_path: Path) -> None:
    """Stock left is stock less the bill, and planning again builds nothing more."""
    steps = build_order(network_of(al.read_site(FIRST)), plan)
    result = al.built(FIRST, plan, done=[step.number for step in steps])
    assert "Nothing is left to build." in result.summary()
    path = tmp_path / "first.yaml"
    path.write_text(result.site_text, encoding="utf-8")
    before, site = al.read_site(FIRST), al.read_site(path)
    used = sum(line.kg or 0.0 for line in bill_of_materials(network_of(before), plan))
    assert before.materials["steel"].stock is not None
    assert site.materials["steel"].stock == pytest.approx(
        before.materials["steel"].stock - used, abs=1e-5
    )
    again = al.replan(path, plan, settings=al.Settings(node_limit=300))
    assert again.audit.accepted
    assert len(again.changes) == 0
    assert again.plan.power.firm_clean == pytest.approx(plan.power.firm_clean, rel=1e-6)
    assert sum(line.kg or 0.0 for line in bill_of_materials(network_of(site), again.plan)) < 1e-3


def test_comments_of_the_site_file_stay(plan: al.Plan) -> None:
    text = al.built(FIRST, plan, done=[1]).site_text
    comments = [line for line in FIRST.read_text().splitlines() if line.startswith("#")]
    assert comments
    assert [line for line in text.splitlines() if line.startswith("#")] == comments


def test_pipe_and_length_as_laid(plan: al.Plan, tmp_path: Path) -> None:
    steps = build_order(network_of(al.read_site(FIRST)), plan)
    (lay,) = [step for step in steps if step.action == "lay"]
    path = tmp_path / "first.yaml"
    kilograms = {}
    for length in (None, 230.0):
        lengths = {} if length is None else {lay.number: length}
        result = al.built(FIRST, plan, done=[lay.number], lengths=lengths)
        path.write_text(result.site_text)
        site = al.read_site(path)
        # 200 m of dn25 as planned, 2.50 kg/m
        assert result.used == {"steel": pytest.approx(2.5 * (length or 200.0), abs=1e-5)}
        assert "more is built" not in result.summary()
        assert f"before first gas: step {lay.number + 1}." in result.summary()
        stock = site.materials["steel"].stock
        assert stock is not None
        kilograms[length] = stock
    assert site.routes["lane"].length == 230.0
    # 30 m more of dn25, 2.50 kg/m
    assert kilograms[None] - kilograms[230.0] == pytest.approx(75.0, abs=1e-5)
    with pytest.raises(StepError, match="no pipe of the site is called 'dn999'"):
        al.built(FIRST, plan, done=[lay.number], pipes={lay.number: "dn999"})
    for length in (0.0, -400.0, math.inf):
        with pytest.raises(StepError, match="must be above 0"):
            al.built(FIRST, plan, done=[lay.number], lengths={lay.number: length})
    result = al.built(FIRST, plan, done=[lay.number], lengths={lay.number: 1000.0})
    assert "steel: 1.44 t more is built than the site has in stock" in result.summary()


def test_no_step_is_done_before_what_it_needs(plan: al.Plan) -> None:
    steps = build_order(network_of(al.read_site(FIRST)), plan)
    later = next(step for step in steps if step.after)
    with pytest.raises(StepError, match=f"step {later.number} .* cannot be done before step"):
        al.built(FIRST, plan, done=[later.number])
    done = {step.key: DoneStep(step.key) for step in steps}
    check_needs(steps, done)
    needed = steps[later.after[0] - 1]
    with pytest.raises(StepError, match="cannot be done before"):
        al.built(FIRST, plan, before=done, undo=[needed.number])


@pytest.mark.parametrize("text", ["", "x", "3-1", "1-", "1;2", "-4"])
def test_steps_that_cannot_be_read(text: str) -> None:
    with pytest.raises(StepError):
        numbers_of(text)


def test_a_step_beyond_all_is_named() -> None:
    with pytest.raises(StepError, match="there is no step 999999999999"):
        numbers_of("1-999999999999")


def test_no_step_is_both_done_and_undone(plan: al.Plan) -> None:
    with pytest.raises(StepError, match="step 1 is given both as done and as not done"):
        al.built(FIRST, plan, done=[1, 2], undo=[1])


def test_steps_that_can() -> None:
    assert numbers_of("1-3, 7,2") == (1, 2, 3, 7)


def test_the_command_keeps_a_record(tmp_path: Path, capsys: Told) -> None:
    folder, site = tmp_path / "plan", str(FIRST)
    assert main(["plan", site, "-o", str(folder), "--node-limit", "300", "--prove", "0"]) == 0
    record, standing = folder / "built.csv", tmp_path / "standing.yaml"
    capsys.readouterr()
    arguments = ["built", site, str(folder)]
    assert main([*arguments, "--done", "1-3", "--date", "2027-03-14", "-o", str(standing)]) == 0
    assert "Done: 3 of" in capsys.readouterr().out
    kept = record.read_bytes()
    for wrong in (["--done", "99"], ["--undo", "8"], ["--done", "4", "--date", "14.3."]):
        assert main([*arguments, *wrong, "-o", str(tmp_path / "no.yaml")]) == 2
        assert "Traceback" not in capsys.readouterr().err
        assert record.read_bytes() == kept
        assert not (tmp_path / "no.yaml").exists()
    assert main([*arguments, "--undo", "3"]) == 0
    assert "Done: 2 of" in capsys.readouterr().out
    kept = record.read_bytes()
    record.write_bytes(kept.rstrip(b"\n").rstrip(b",") + b",dn25,-3 m\n")
    assert main(arguments) == 2
    assert "length must be above 0" in capsys.readouterr().err
    record.write_bytes(kept)
    record.write_text(record.read_text().replace("machine:", "turbine:"))
    assert main(arguments) == 2
    assert f"{record}:2:2: 'turbine:" in capsys.readouterr().err
    # the plan is of the file that was planned, not of the one with what exists
    assert main(["built", str(standing), str(folder)]) == 2


def test_replan_of_another_site_is_refused(plan: al.Plan) -> None:
    with pytest.raises(al.PlanFileError, match="is for 'First site', and the site is"):
        al.replan(NETWORKS / "dry_valley.yaml", plan)


@pytest.fixture(scope="module")
def saved(plan: al.Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plan's folder."""
    folder = tmp_path_factory.mktemp("built") / "plan"
    write_plan_files(folder, al.read_site(FIRST), plan)
    return folder


def test_two_runs_at_once_lose_no_step(
    saved: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each waits before it writes, as long as the other may take to read."""
    record = tmp_path / "built.csv"
    given = ["built", str(FIRST), str(saved), "--record", str(record)]
    write = folders.write_file

    def late(path: Path, content: bytes) -> None:
        time.sleep(1.0)
        write(path, content)

    monkeypatch.setattr(folders, "write_file", late)
    fork = multiprocessing.get_context("fork")
    both = [fork.Process(target=main, args=([*given, "--done", step],)) for step in "12"]
    for one in both:
        one.start()
    for one in both:
        one.join()
    rows = record.read_text().splitlines()[1:]
    assert [row.partition(",")[0] for row in rows] == ["1", "2"]


def test_a_kill_leaves_no_site_file_without_its_record(saved: Path, tmp_path: Path) -> None:
    number, killed, between = 0, True, False
    while killed:
        record, site = tmp_path / f"{number}.csv", tmp_path / f"{number}.yaml"
        given = ["built", str(FIRST), str(saved), "--record", str(record), "-o", str(site)]
        killed = killed_at(number, lambda given=given: main([*given, "--done", "1"]))
        assert record.exists() or not site.exists(), number
        between = between or record.exists() > site.exists()
        if between:
            assert main(given) == 0
            assert "built:" in site.read_text()
        number += 1
    assert between


def test_a_size_is_written_as_it_is(plan: al.Plan) -> None:
    """Rounded down, a store that stands would lack a hair of what its plan asks for."""
    (store,) = plan.stores
    odd = 117.77777777777779
    built = replace(store, size=odd, new_size=odd)
    result = al.built(FIRST, replace(plan, stores=(built,)), done=range(1, 4))
    tree = read_document(result.site_text.encode())
    network = network_of(al.read_site(FIRST))
    steps = build_order(network, replace(plan, stores=(built,)))
    (number,) = [step.number for step in steps if step.key == f"store:{store.name}"]
    assert number <= 3, "the store is among the steps that are done"
    assert f"{odd!r} kg" in str(tree), result.site_text


def test_a_length_as_it_is_printed_is_the_planned_one(plan: al.Plan) -> None:
    network = network_of(al.read_site(FIRST))
    steps = build_order(network, plan)
    step = next(step for step in steps if step.key.startswith("run:"))
    route = step.key.split(":")[1]
    exact = network.routes[route].length
    numbers = range(1, step.number + 1)
    for metres, kept in (
        (next_shown(exact, 1), None),
        (float(f"{exact:.3g}"), None),
        (exact * 1.02, exact * 1.02),
    ):
        result = al.built(FIRST, plan, done=numbers, lengths={step.number: metres})
        assert result.done[step.key].length == kept


def test_what_is_to_be_built_is_printed_no_less_than_it_is(plan: al.Plan) -> None:
    site = network_of(al.read_site(FIRST))
    (store,) = plan.stores
    odd = replace(plan, stores=(replace(store, size=117.12, new_size=117.12),))
    columns, (heads, *rows) = shown_cells(bill_with_totals(site, odd))
    amount = [column.name for column in columns].index("amount")
    assert "118" in {row[amount] for row in rows}, heads
    assert any("118 kg" in step.what for step in build_order(site, odd))


@pytest.mark.parametrize(
    ("size", "typed", "read"),
    [
        ("{max: 130.4 kg}", "131 kg", 130.4),
        ("{max: 130.4 kg}", "130.2 kg", 130.2),
        ("{max: 200.04 kg, unit: 33.34 kg}", "134 kg", 133.36),
    ],
)
def test_the_most_and_whole_units_are_read_as_printed(
    size: str, typed: str, read: float, tmp_path: Path
) -> None:
    text = FIRST.read_text(encoding="utf-8")
    head, _, rest = text.partition("    size: ")
    path = tmp_path / "site.yaml"
    built = f"\nbuilt: {{storage: {{gas_holder: {{mill: {typed}}}}}}}\n"
    path.write_text(f"{head}    size: {size}\n{rest.partition(chr(10))[2]}{built}", "utf-8")
    site = al.read_site(path)
    assert site.built.storage["gas_holder", "mill"] == pytest.approx(read, rel=1e-12)
