"""A file is written whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from allocator.atomic import write_bytes, write_text


def test_writes_a_new_file_with_the_exact_bytes(tmp_path: Path) -> None:
    write_text(tmp_path / "plan.json", "line one\nβ\n")
    assert (tmp_path / "plan.json").read_bytes() == "line one\nβ\n".encode()
    assert [p.name for p in tmp_path.iterdir()] == ["plan.json"]


def test_replaces_the_old_file_and_keeps_its_permissions(tmp_path: Path) -> None:
    target = tmp_path / "plan.json"
    target.write_text("old")
    target.chmod(0o640)
    write_bytes(target, b"new")
    assert target.read_bytes() == b"new"
    assert stat.S_IMODE(target.stat().st_mode) == 0o640


def test_a_link_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_text(tmp_path / "link", "new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failure_keeps_the_old_file_and_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    target = tmp_path / "plan.json"
    target.write_text("old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, step, full)
    with pytest.raises(OSError, match="No space"):
        write_text(target, "new")
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["plan.json"]


def test_an_interrupt_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", stopped)
    with pytest.raises(KeyboardInterrupt):
        write_text(tmp_path / "plan.json", "new")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_text(tmp_path / "nowhere" / "plan.json", "new")
