"""``allocator view``: what it is given and cannot show is told, and nothing is begun."""

from __future__ import annotations

import importlib.util
import json
import shutil
import socket
from pathlib import Path

import pytest

from allocator.cli.entry import main


@pytest.fixture(autouse=True)
def never_served(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault that is not told must not leave the test waiting for a browser."""

    def serve(*_: object) -> None:
        pytest.fail("served all the same")

    monkeypatch.setattr("allocator.view.server.serve", serve)


def faults(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """What is told of a view that cannot be."""
    assert main(["view", *arguments]) == 2
    return capsys.readouterr().err


def test_no_folder_of_a_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "is not the folder of a plan: it has no plan.json" in faults(capsys, str(tmp_path))
    assert "there is no such folder or file" in faults(capsys, str(tmp_path / "none"))


def test_a_plan_file_in_place_of_its_folder(
    planned: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "needs the folder that it is in" in faults(capsys, str(planned / "plan.json"))


def test_a_folder_that_does_not_say_its_site(
    planned: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(planned, copy)
    facts = json.loads((copy / "run.json").read_text())
    named = facts.pop("site_file")
    assert (planned / named).resolve().name == "first.yaml"
    (copy / "run.json").write_text(json.dumps(facts))
    assert "name it with --site FILE" in faults(capsys, str(copy))


def test_a_site_file_that_changed_beside_the_plan(
    planned: Path, networks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    changed = tmp_path / "first.yaml"
    changed.write_text((networks / "first.yaml").read_text().replace("1060 kg,", "1070 kg,"))
    told = faults(capsys, str(planned), "--site", str(changed))
    assert "an older file of 'First site'" in told
    assert "allocator replan" in told


def test_a_port_that_is_taken(planned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        told = faults(capsys, str(planned), "--port", str(taken.getsockname()[1]))
    assert "address already in use; name another with --port" in told


def test_without_the_packages(
    planned: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    told = faults(capsys, str(planned))
    assert "needs the packages starlette and uvicorn: pip install 'allocator[view]'" in told
