"""A folder is replaced whole or not at all, and what the user keeps in it stays."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from crashing import killed_at

from allocator.base import folders
from allocator.base.folders import (
    MANIFEST,
    OutputError,
    check_file,
    check_folder,
    digests,
    listed_files,
    mixed_files,
    write_file,
    write_folder,
)

OLD = {"plan.json": b"old plan", "runs.csv": b"old runs", "point_1/plan.json": b"old point"}
NEW = {"plan.json": b"new plan", "runs.csv": b"new runs", "point_2/plan.json": b"new point"}
MINE = {"notes.txt": b"mine", "photos/site.txt": b"a photograph", "point_1/notes.txt": b"mine too"}


def held(directory: Path) -> dict[str, bytes]:
    """All files of a folder by relative path, but for the manifest."""
    return {
        path.relative_to(directory).as_posix(): path.read_bytes()
        for path in directory.rglob("*")
        if path.is_file() and path.name != MANIFEST
    }


def put(directory: Path, files: dict[str, bytes]) -> None:
    for name, content in files.items():
        (directory / name).parent.mkdir(parents=True, exist_ok=True)
        (directory / name).write_bytes(content)


def one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """A system that cannot exchange two folders in one step."""

    def refused(first: Path, second: Path) -> None:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))

    monkeypatch.setattr(folders, "_exchange", refused)


def test_a_new_folder_is_made_whole(tmp_path: Path) -> None:
    write_folder(tmp_path / "plan", NEW, "plan")
    assert held(tmp_path / "plan") == NEW
    assert os.listdir(tmp_path) == ["plan"]
    listed = json.loads((tmp_path / "plan" / MANIFEST).read_text())["files"]
    assert listed == {n: {"command": "plan", "sha256": d} for n, d in digests(NEW).items()}


@pytest.mark.parametrize("way", ["exchange", "one by one", "within"])
def test_only_files_of_the_same_command_are_replaced_or_removed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    target = tmp_path / "plan"
    write_folder(target, OLD, "plan")
    write_folder(target, {"levels.csv": b"levels"}, "simulate")
    put(target, MINE)
    if way == "one by one":
        one_by_one(monkeypatch)
    if way == "within":
        monkeypatch.chdir(target)
    write_folder(Path() if way == "within" else target, NEW, "plan")
    assert held(target) == {**NEW, **MINE, "levels.csv": b"levels"}
    assert mixed_files(target) == []
    assert os.listdir(tmp_path) == ["plan"]
    write_folder(target, NEW, "plan", outdated=("levels.csv",))
    assert held(target) == {**NEW, **MINE}
    assert not any(name.startswith(".") for name in os.listdir(target))


def test_a_file_that_the_user_changed_is_not_removed(tmp_path: Path) -> None:
    write_folder(tmp_path / "plan", OLD, "plan")
    (tmp_path / "plan" / "point_1" / "plan.json").write_bytes(b"changed by hand")
    write_folder(tmp_path / "plan", NEW, "plan")
    assert held(tmp_path / "plan") == {**NEW, "point_1/plan.json": b"changed by hand"}


def test_links_and_permissions_stay(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir(mode=0o750)
    (tmp_path / "link").symlink_to("real")
    (tmp_path / "real" / "elsewhere").symlink_to("/nowhere")
    write_folder(tmp_path / "link", NEW, "plan")
    assert (tmp_path / "link").is_symlink()
    assert held(tmp_path / "real") == NEW
    assert os.readlink(tmp_path / "real" / "elsewhere") == "/nowhere"
    assert (tmp_path / "real").stat().st_mode & 0o777 == 0o750


@pytest.mark.parametrize("existing", [False, True])
def test_a_kill_before_any_file_operation_leaves_the_old_or_the_new(
    tmp_path: Path, existing: bool
) -> None:
    number, killed = 0, True
    while killed:
        home = tmp_path / str(number)
        home.mkdir()
        target, old = home / "plan", {}
        if existing:
            old = {**OLD, **MINE}
            write_folder(target, OLD, "plan")
            put(target, MINE)
        killed = killed_at(number, lambda target=target: write_folder(target, NEW, "plan"))
        found = held(target) if target.exists() else {}
        assert found in (old, {**NEW, **(MINE if existing else {})}), number
        assert mixed_files(target) == []
        write_folder(target, NEW, "plan")
        assert os.listdir(home) == ["plan"], f"leftovers of the kill before operation {number}"
        assert held(target) == {**NEW, **(MINE if existing else {})}
        number += 1
    assert number > (20 if existing else 9)


def test_a_mixed_set_is_told_where_no_exchange_exists(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one_by_one(monkeypatch)
    mixed = 0
    for number in range(100):
        target = tmp_path / str(number)
        write_folder(target, OLD, "plan")
        killed = killed_at(number, lambda target=target: write_folder(target, NEW, "plan"))
        found = held(target)
        if any(found.get(name) == NEW[name] for name in NEW) and found != NEW:
            mixed += 1
            assert mixed_files(target)
        if not killed:
            break
    assert not killed
    assert mixed


def test_a_full_disk_leaves_the_old_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_folder(tmp_path / "plan", OLD, "plan")

    def full(path: Path, content: bytes) -> None:
        path.write_bytes(content[:3])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(folders, "_write_through", full)
    with pytest.raises(OutputError, match="no space left on device"):
        write_folder(tmp_path / "plan", NEW, "plan")
    assert held(tmp_path / "plan") == OLD
    assert os.listdir(tmp_path) == ["plan"]


def test_an_interrupt_waits_until_the_files_are_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one_by_one(monkeypatch)
    write_folder(tmp_path / "plan", OLD, "plan")
    replace = os.replace

    def interrupted(first: Path, second: Path) -> None:
        signal.raise_signal(signal.SIGINT)
        replace(first, second)

    monkeypatch.setattr(os, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_folder(tmp_path / "plan", NEW, "plan")
    assert held(tmp_path / "plan") == NEW


@pytest.mark.slow
def test_two_runs_into_one_folder_leave_one_of_both_and_all_of_others(tmp_path: Path) -> None:
    program = (
        "import sys; from pathlib import Path; from allocator.base.folders import write_folder\n"
        "for turn in range(30):\n"
        "    files = {f'{n}.txt': f'{sys.argv[1]} {turn}'.encode() for n in range(20)}\n"
        "    write_folder(Path(sys.argv[2]), files, sys.argv[1])\n"
        "    write_folder(Path(sys.argv[2]), {f'{sys.argv[1]}.own': b'x'}, sys.argv[1] + '2')\n"
    )
    running = [
        subprocess.Popen([sys.executable, "-c", program, name, str(tmp_path / "out")])
        for name in ("first", "second")
    ]
    assert [process.wait(60) for process in running] == [0, 0]
    found = held(tmp_path / "out")
    assert {found.pop("first.own"), found.pop("second.own")} == {b"x"}
    assert len(found) == 20
    assert len(set(found.values())) == 1
    assert os.listdir(tmp_path) == ["out"]


def test_a_manifest_that_leads_outside_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "precious.txt").write_bytes(b"precious")
    write_folder(tmp_path / "plan", OLD, "plan")
    entry = {"command": "plan", "sha256": digests({"": b"precious"})[""]}
    names = ["../precious.txt", str(tmp_path / "precious.txt"), "", "."]
    facts = {"format": "allocator.files/1", "files": dict.fromkeys(names, entry)}
    (tmp_path / "plan" / MANIFEST).write_text(json.dumps(facts))
    assert listed_files(tmp_path / "plan") == {}
    with pytest.raises(OutputError, match=r"plan.json, runs.csv would be replaced"):
        write_folder(tmp_path / "plan", NEW, "plan")
    for name in OLD:
        (tmp_path / "plan" / name).unlink()
    write_folder(tmp_path / "plan", NEW, "plan")
    assert (tmp_path / "precious.txt").read_bytes() == b"precious"


@pytest.mark.parametrize("text", ["", "[]", '{"files": 3}', '{"files": {"a": 1}}', "{"])
def test_a_damaged_manifest_lists_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / MANIFEST).write_text(text)
    assert listed_files(tmp_path) == {}


def test_a_folder_of_an_older_version_is_known_by_its_run_json(tmp_path: Path) -> None:
    put(tmp_path / "plan", {"plan.json": b"old plan", "gone.csv": b"old"})
    run = {"files_sha256": digests({"plan.json": b"old plan", "gone.csv": b"old"})}
    (tmp_path / "plan" / "run.json").write_text(json.dumps(run))
    write_folder(tmp_path / "plan", {"plan.json": b"new plan", "run.json": b"{}"}, "plan")
    assert held(tmp_path / "plan") == {"plan.json": b"new plan", "run.json": b"{}"}


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


def test_one_file_keeps_its_link_and_permissions(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("old")
    (tmp_path / "real").chmod(0o640)
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_file(tmp_path / "link", b"new\n")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_bytes() == b"new\n"
    assert (tmp_path / "real").stat().st_mode & 0o777 == 0o640


def test_a_kill_leaves_one_file_old_or_new(tmp_path: Path) -> None:
    number, killed = 0, True
    while killed:
        (tmp_path / "page.html").write_bytes(b"old")
        killed = killed_at(number, lambda: write_file(tmp_path / "page.html", b"new"))
        assert (tmp_path / "page.html").read_bytes() in {b"old", b"new"}
        write_file(tmp_path / "page.html", b"new")
        assert os.listdir(tmp_path) == ["page.html"]
        number += 1
    assert number > 4


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failure_keeps_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    (tmp_path / "page.html").write_text("old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, step, full)
    with pytest.raises(OutputError, match="no space"):
        write_file(tmp_path / "page.html", b"new")
    assert (tmp_path / "page.html").read_text() == "old"
    assert os.listdir(tmp_path) == ["page.html"]


@pytest.mark.parametrize("way", ["exchange", "one by one"])
def test_files_that_no_run_wrote_are_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    own = tmp_path / "own"
    mine = {"plan.json": b"my own", "runs.csv": b"mine too", "notes.txt": b"notes"}
    put(own, mine)
    if way == "one by one":
        one_by_one(monkeypatch)
    for attempt in (
        lambda: check_folder(own, {"plan.json", "runs.csv"}),
        lambda: write_folder(own, NEW, "plan"),
    ):
        with pytest.raises(OutputError, match=r"own: plan.json, runs.csv would be replaced"):
            attempt()
        assert held(own) == mine
        assert os.listdir(tmp_path) == ["own"]
    assert not (own / MANIFEST).exists()
    write_folder(own, {"levels.csv": b"levels"}, "simulate")
    with pytest.raises(OutputError, match=r"runs.csv would be replaced"):
        write_folder(own, {"levels.csv": b"new", "runs.csv": b"new"}, "simulate")
    assert held(own) == {**mine, "levels.csv": b"levels"}
    check_folder(own, {"levels.csv"})
    write_folder(own, {"levels.csv": b"new"}, "simulate")
    assert held(own) == {**mine, "levels.csv": b"new"}


@pytest.mark.parametrize("text", ["", "[]", '{"name": "of a program of mine"}'])
def test_a_manifest_of_somebody_else_is_not_replaced(tmp_path: Path, text: str) -> None:
    put(tmp_path / "own", {MANIFEST: text.encode()})
    for attempt in (
        lambda: check_folder(tmp_path / "own", {"plan.json"}),
        lambda: write_folder(tmp_path / "own", NEW, "plan"),
    ):
        with pytest.raises(OutputError, match=r"manifest.json would be replaced"):
            attempt()
    assert (tmp_path / "own" / MANIFEST).read_text() == text
    assert held(tmp_path / "own") == {}


@pytest.mark.parametrize("command", ["plan", "other"])
def test_after_a_kill_where_no_exchange_exists_the_next_run_may_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    one_by_one(monkeypatch)
    more = {**NEW, "a_new.csv": b"new", "z_new.csv": b"new"}
    whole = {**(OLD if command == "other" else {}), **more, **MINE}
    for number in range(200):
        target = tmp_path / str(number)
        write_folder(target, OLD, "plan")
        put(target, MINE)
        killed = killed_at(number, lambda target=target: write_folder(target, more, command))
        found = held(target)
        if found not in ({**OLD, **MINE}, whole):
            assert mixed_files(target), number
        write_folder(target, more, command)
        assert held(target) == whole
        assert mixed_files(target) == []
        if not killed:
            break
    assert not killed
