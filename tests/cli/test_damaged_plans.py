"""Damaged plan files through the commands: each fault with its place and what to do."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest
from damaged_plans import KINDS, Damage, damaged

from allocator.cli.entry import main

SEEDS = 12
"""Damages of each kind for each command."""

Told = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def data(planned: Path) -> Any:
    return json.loads((planned / "plan.json").read_text(encoding="utf-8"))


def told(
    command: str, damage: Damage, networks: Path, folder: Path, capsys: Told
) -> tuple[int, list[str]]:
    plan = folder / "damaged.json"
    plan.write_text(damage.text, encoding="utf-8", errors="surrogatepass")
    more = {
        "audit": [],
        "report": ["-o", str(folder / "page.html")],
        "simulate": ["-o", str(folder / "sim"), "--days", "2", "--phases", "1", "--foresight", "0"],
    }[command]
    code = main([command, str(networks / "first.yaml"), str(plan), *more])
    lines = capsys.readouterr().err.splitlines()
    return code, [line for line in lines if not line.startswith("warning: ")]


@pytest.mark.parametrize("command", ["audit", "report", "simulate"])
@pytest.mark.parametrize("kind", range(len(KINDS)))
def test_each_fault_is_told_with_its_place_and_what_to_do(
    kind: int, command: str, data: Any, networks: Path, tmp_path: Path, capsys: Told
) -> None:
    for seed in range(SEEDS):
        damage = KINDS[kind](data, random.Random(seed))
        code, lines = told(command, damage, networks, tmp_path, capsys)
        assert code in (0, 1, 2), damage.what
        assert (code == 2) == any("damaged.json" in line for line in lines), damage.what
        if damage.path is not None:
            assert code == 2, damage.what
            assert any(damage.path in line for line in lines), (damage.what, lines)
        if code == 2:
            assert all("; " in line for line in lines), lines


def test_false_claims_of_a_sound_file_are_a_breach(
    data: Any, networks: Path, tmp_path: Path, capsys: Told
) -> None:
    draw = random.Random(1)
    codes = set()
    for _ in range(20):
        damage = KINDS[-1](data, draw)
        code, lines = told("audit", damage, networks, tmp_path, capsys)
        codes.add(code)
        if code == 2:
            assert "$." in lines[0]
    assert 1 in codes


def test_a_plan_of_an_older_version_is_no_breach(
    data: Any, networks: Path, tmp_path: Path, capsys: Told
) -> None:
    older = {**data, "money": data["money"] + 1.0}
    del older["rules"]
    damage = Damage(json.dumps(older), "older", "$.rules")
    for command in ("audit", "simulate"):
        code, lines = told(command, damage, networks, tmp_path, capsys)
        assert code == 2
        assert len(lines) == 1
        assert "damaged.json: $.rules: was made by an older version" in lines[0]
        assert lines[0].endswith("plan again")
    # to look at it does no harm
    assert told("report", damage, networks, tmp_path, capsys)[0] == 0


def test_the_same_seed_damages_alike(data: Any) -> None:
    assert damaged(data, random.Random(3)) == damaged(data, random.Random(3))
