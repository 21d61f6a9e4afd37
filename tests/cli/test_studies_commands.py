"""``compare`` and the other studies: output, files and exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from allocator.cli import main

Told = pytest.CaptureFixture[str]


def test_compare_writes_tables_and_a_plan_for_each_mix(
    networks: Path, tmp_path: Path, capsys: Told
) -> None:
    folder = tmp_path / "mixes"
    site = str(networks / "first.yaml")
    assert main(["compare", site, "-o", str(folder), "--node-limit", "200"]) == 0
    out, err = capsys.readouterr()
    assert "Clean supply alone serves 53.5 % of the demand; emitting supply adds nothing." in out
    assert "4 of 4 cases" in err
    assert json.loads((folder / "comparison.json").read_text())["mixes"][0]["mix"] == "clean only"
    assert (folder / "comparison.txt").read_text() in out
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
