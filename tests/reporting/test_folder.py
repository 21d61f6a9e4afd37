"""Files of a folder: old or new, never half, and a word in time where they cannot be written."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from allocator.reporting import folder
from allocator.reporting.folder import OutputError, check_file, check_folder, digests, write_folder

OLD = {"plan.json": b"old plan", "runs.csv": b"old runs"}
NEW = {"plan.json": b"new plan", "runs.csv": b"new runs"}


def held(directory: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in directory.iterdir()}


def test_a_new_folder_is_made_whole(tmp_path: Path) -> None:
    write_folder(tmp_path / "plan", NEW)
    assert held(tmp_path / "plan") == NEW
    assert os.listdir(tmp_path) == ["plan"]


def test_an_old_folder_is_renewed_and_other_files_stay(tmp_path: Path) -> None:
    write_folder(tmp_path, {**OLD, "notes.txt": b"mine"})
    write_folder(tmp_path, NEW)
    assert held(tmp_path) == {**NEW, "notes.txt": b"mine"}


def test_a_full_disk_leaves_the_old_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_folder(tmp_path, OLD)

    def full(path: Path, content: bytes) -> None:
        path.write_bytes(content[:3])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(folder, "_write_through", full)
    with pytest.raises(OutputError, match="no space left on device"):
        write_folder(tmp_path, NEW)
    assert held(tmp_path) == OLD


def test_a_stop_before_the_end_leaves_no_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(path: Path, content: bytes) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(folder, "_write_through", stopped)
    with pytest.raises(KeyboardInterrupt):
        write_folder(tmp_path / "plan", NEW)
    assert os.listdir(tmp_path) == []


def test_the_permissions_of_a_new_folder_are_the_usual_ones(tmp_path: Path) -> None:
    write_folder(tmp_path / "plan", NEW)
    (tmp_path / "usual").mkdir()
    assert (tmp_path / "plan").stat().st_mode == (tmp_path / "usual").stat().st_mode


def test_what_is_wrong_with_a_place_is_said_before_the_work(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(OutputError, match=r"taken is a file, not a directory; name another"):
        check_folder(tmp_path / "taken")
    with pytest.raises(OutputError, match=r"missing does not exist; make it first"):
        check_folder(tmp_path / "missing" / "plan")
    with pytest.raises(OutputError, match=r"is a directory; name a file"):
        check_file(tmp_path)
    with pytest.raises(OutputError, match=r"missing does not exist"):
        check_file(tmp_path / "missing" / "sources.csv")
    with pytest.raises(OutputError, match=r"taken is no directory"):
        check_folder(tmp_path / "taken" / "plan")


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is closed to root")
def test_a_closed_folder_is_told(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(OutputError, match="permission denied"):
        check_folder(tmp_path / "plan")


def test_a_good_place_is_left_as_it_was(tmp_path: Path) -> None:
    check_folder(tmp_path / "plan")
    check_folder(tmp_path)
    check_file(tmp_path / "sources.csv")
    assert os.listdir(tmp_path) == []


def test_digests_tell_contents_apart() -> None:
    # SHA-256 of "abc": FIPS 180-2, appendix B.1
    assert digests({"a": b"abc"})["a"] == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
