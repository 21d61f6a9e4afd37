"""Files, and folders of files, that are replaced whole or not at all, however the writing ends.

The files of a folder are first written and flushed to a hidden folder beside the target, together
with hard links to what the user keeps in the target. The two folders then change places in one
step (``renameat2`` with ``RENAME_EXCHANGE``, or a plain rename where the target is new). Where no
such step exists (the target is the current folder, a mount point, or on a file system that cannot
exchange folders) files are replaced one by one, the manifest last, so that a reader can tell a
mixed set by its digests.

``manifest.json`` lists the files with the command that wrote each and the digest of each: only
these are replaced or removed by a later run, everything else stays: a run that would have to
replace a file of anybody else is refused.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import hashlib
import json
import os
import secrets
import shutil
import signal
import threading
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

from allocator.base.errors import OutputError
from allocator.base.locks import alone_in, lock

MANIFEST = "manifest.json"
FORMAT = "allocator.files/1"
RUN_FILE = "run.json"
"""Differs from run to run of one plan, so its digest is not in the manifest."""

Entries = dict[str, dict[str, str | None]]
"""Of a manifest: path -> its ``command`` and ``sha256``."""

_HIDDEN = ".allocator-"
_EXCHANGE = 2
_HERE = -100
"""``RENAME_EXCHANGE`` and ``AT_FDCWD`` of Linux, linux/fs.h and linux/fcntl.h."""

_NO_EXCHANGE = {
    errno.ENOSYS,
    errno.EINVAL,
    errno.ENOTSUP,
    errno.EPERM,
    errno.EACCES,
    errno.EXDEV,
    errno.EMLINK,
    errno.EBUSY,
}
"""Errors of file systems without hard links or without an exchange, and of files of others."""


def check_folder(directory: Path, names: Collection[str] = ()) -> None:
    """Find out now, before hours of work, whether files can be written to a folder later.

    Raises :class:`OutputError` when the name is taken by a file, the parent is missing, nothing
    can be written there, or it holds files of such ``names`` that no run has written.
    """
    target = _resolved(directory)
    with _partial(target):
        _refuse_to_replace(directory, names)


def folder_at(path: str | os.PathLike[str]) -> Path:
    """The folder of that name. Raises :class:`OutputError` for an empty one, which is no folder."""
    if not os.fspath(path):
        raise OutputError("the name given for the folder is empty; name a folder")
    return Path(path)


def check_file(path: Path) -> None:
    """The same for a single file. Raises :class:`OutputError`."""
    if path.is_dir():
        raise OutputError(f"{path} is a directory; name a file")
    with _partial_in(path.absolute().parent):
        pass


def write_folder(
    directory: Path, files: Mapping[str, bytes], command: str, outdated: Collection[str] = ()
) -> None:
    """Write files into a folder, which is made when it is missing, in one step.

    Args:
        directory: the folder.
        files: content by path relative to the folder, with ``/`` between its parts.
        command: what writes them, for the manifest.
        outdated: files of other commands that speak of the result which this one replaces.

    Files that an earlier run of this command wrote and this one does not, and those outdated, are
    removed unless they were changed since; everything else in the folder stays.

    Raises:
        OutputError: the folder cannot be written, or holds files of these names that no run has
            written. It is then as it was; where files had to be replaced one by one, the manifest
            tells which were not (:func:`mixed_files`).
    """
    target = _resolved(directory)
    try:
        with _interrupts_wait(), alone_in(target.parent):
            _refuse_to_replace(directory, files)
            old = listed_files(target)
            gone = {
                name
                for name, entry in old.items()
                if (entry["command"] == command or name in outdated)
                and name not in files
                and (
                    not os.path.lexists(target / name) or _unchanged(target / name, entry["sha256"])
                )
            }
            kept = {name: entry for name, entry in old.items() if name not in {*gone, *files}}
            new = {name: _entry(name, content, command) for name, content in files.items()}
            _replace(target, {**files, MANIFEST: _manifest(kept | new)}, gone, new | old)
    except OSError as error:
        raise OutputError(_reason(directory, error)) from error


def write_file(path: Path, content: bytes) -> None:
    """Write one file whole or not at all; a link is followed, permissions of an old file stay.

    Raises:
        OutputError: the file could not be written; the old one, if any, is untouched.
    """
    target = Path(os.path.realpath(path))
    try:
        with _interrupts_wait(), _partial_in(target.parent) as partial:
            _write_through(partial / target.name, content)
            with contextlib.suppress(FileNotFoundError):
                (partial / target.name).chmod(target.stat().st_mode & 0o7777)
            os.replace(partial / target.name, target)
            _sync(target.parent)
    except OSError as error:
        raise OutputError(_reason(path, error)) from error


def listed_files(directory: Path) -> Entries:
    """The files that the manifest of a folder lists: path -> its ``command`` and ``sha256``.

    Empty where there is no manifest or it cannot be read. A plan's folder without one, written by
    an older version, has its list in ``run.json``.
    """
    found = _of_manifest(directory)
    if found is not None:
        return found
    found = {}
    with contextlib.suppress(OSError, ValueError, TypeError, AttributeError, KeyError):
        run = json.loads((directory / RUN_FILE).read_text(encoding="utf-8"))
        for name, digest in {**run["files_sha256"], RUN_FILE: None}.items():
            if _inside(name):
                found[name] = {"command": "plan", "sha256": digest}
    return found


def mixed_files(directory: Path) -> list[str]:
    """Files of a folder that are missing or not those that its manifest lists, sorted.

    They were changed after they were written, or the writing was cut short on a system that
    cannot replace a folder in one step.
    """
    return sorted(
        name
        for name, entry in listed_files(directory).items()
        if entry["sha256"] is not None and not _unchanged(directory / name, entry["sha256"])
    )


def digests(files: Mapping[str, bytes]) -> dict[str, str]:
    """SHA-256 of each file's content, by name."""
    return {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}


def _of_manifest(directory: Path) -> Entries | None:
    """What the manifest of a folder lists; None where it is none of ours."""
    with contextlib.suppress(OSError, ValueError, TypeError, AttributeError, KeyError):
        facts = json.loads((directory / MANIFEST).read_text(encoding="utf-8"))
        return {
            name: {"command": entry["command"], "sha256": entry["sha256"]}
            for name, entry in facts["files"].items()
            if _inside(name)
        }
    return None


def _refuse_to_replace(directory: Path, names: Collection[str]) -> None:
    """Raises OutputError where files of such names, or the manifest, are no run's."""
    listed = listed_files(directory)
    found = [n for n in sorted(names) if n not in listed and os.path.lexists(directory / n)]
    if os.path.lexists(directory / MANIFEST) and _of_manifest(directory) is None:
        found.append(MANIFEST)
    if found:
        more = f" and {len(found) - 3} more" if len(found) > 3 else ""
        raise OutputError(
            f"{directory}: {', '.join(found[:3])}{more} would be replaced, and no manifest.json "
            "says that a run wrote it; move it away, or name another directory"
        )


def _manifest(entries: Entries) -> bytes:
    facts = {"format": FORMAT, "files": dict(sorted(entries.items()))}
    return (json.dumps(facts, indent=2, ensure_ascii=False) + "\n").encode("utf-8")


def _entry(name: str, content: bytes, command: str) -> dict[str, str | None]:
    fixed = name.rpartition("/")[2] != RUN_FILE
    return {"command": command, "sha256": hashlib.sha256(content).hexdigest() if fixed else None}


def _inside(name: str) -> bool:
    """Whether a path of a manifest stays in its folder: a manifest is a file like any other."""
    return bool(name) and all(part not in {"", ".", ".."} for part in name.split("/"))


def _unchanged(path: Path, digest: str | None) -> bool:
    try:
        content = path.read_bytes()
    except OSError:
        return False
    return digest is None or hashlib.sha256(content).hexdigest() == digest


def _replace(
    target: Path, files: Mapping[str, bytes], gone: Collection[str], either: Entries
) -> None:
    """Replace files of a folder. ``either``: entries of the old ones, and of those that are new."""
    with _partial(target) as partial:
        for name, content in files.items():
            (partial / name).parent.mkdir(parents=True, exist_ok=True)
            _write_through(partial / name, content)
        if not target.exists():
            _sync_folders(partial)
            partial.chmod(0o777 & ~_umask())
            partial.rename(target)
        elif not (partial.parent != target and _exchanged(partial, target, {*files, *gone})):
            _one_by_one(partial, target, files, gone, either)
    _sync(target.parent)


def _exchanged(partial: Path, target: Path, ours: Collection[str]) -> bool:
    """Whether the new folder, completed by links to what stays, took the old one's place."""
    handle = os.open(target, os.O_RDONLY)
    try:
        lock(handle, wait=False)  # it will be a leftover to everybody else
        _link_rest(target, partial, ours)
        _sync_folders(partial)
        _keep_owner(target, partial)
        _exchange(partial, target)
        _move_rest(partial, target, ours)  # what was put there since the links were made
    except OSError as error:
        if error.errno in _NO_EXCHANGE:
            return False
        raise
    finally:
        os.close(handle)
    return True


def _one_by_one(
    partial: Path,
    target: Path,
    files: Mapping[str, bytes],
    gone: Collection[str],
    either: Entries,
) -> None:
    """From the first step to the last, the new manifest, one lists files that are not there.

    It lists those that are new as well: if this is cut short, the next run may replace them.
    """
    old = listed_files(target)
    _write_through(partial / f"either-{MANIFEST}", _manifest(either))
    os.replace(partial / f"either-{MANIFEST}", target / MANIFEST)
    for name in gone:
        (target / name).unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            (target / name).parent.rmdir()
    for name in sorted(files, key=lambda name: (name == MANIFEST, name not in old)):
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        os.replace(partial / name, target / name)
    _sync_folders(target)


def _link_rest(old: Path, new: Path, ours: Collection[str], prefix: str = "") -> None:
    """Hard links in ``new`` to all in ``old`` that is not replaced."""
    with os.scandir(old) as entries:
        for entry in entries:
            path = prefix + entry.name
            if entry.name.startswith(_HIDDEN) or path in ours:
                continue
            if not entry.is_dir(follow_symlinks=False):
                os.link(entry.path, new / path, follow_symlinks=False)
                continue
            held = any(name.startswith(f"{path}/") for name in ours)
            (new / path).mkdir(exist_ok=True)
            _link_rest(Path(entry.path), new, ours, f"{path}/")
            if held and not os.listdir(new / path):
                (new / path).rmdir()  # a plan's folder of an older run, of which nothing stays
            else:
                shutil.copystat(entry.path, new / path)


def _move_rest(old: Path, new: Path, ours: Collection[str]) -> None:
    for folder, _, names in os.walk(old):
        for name in names:
            path = (Path(folder) / name).relative_to(old)
            if path.as_posix() not in ours and not os.path.lexists(new / path):
                with contextlib.suppress(OSError):
                    (new / path).parent.mkdir(parents=True, exist_ok=True)
                    os.rename(old / path, new / path)


def _exchange(first: Path, second: Path) -> None:
    """Two folders change places in one step. Raises OSError where that cannot be done."""
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError, TypeError):
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS)) from None
    here = Path.cwd()
    if second in {here, *here.parents}:  # this process, and its shell, would stay in the old one
        raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))
    names = os.fsencode(first), os.fsencode(second)
    if rename(_HERE, names[0], _HERE, names[1], _EXCHANGE):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def _keep_owner(old: Path, new: Path) -> None:
    facts = old.stat()
    new.chmod(facts.st_mode & 0o7777)
    if (facts.st_uid, facts.st_gid) != (new.stat().st_uid, new.stat().st_gid):
        os.chown(new, facts.st_uid, facts.st_gid)


def _resolved(directory: Path) -> Path:
    return Path(os.path.realpath(directory))


@contextlib.contextmanager
def _partial(target: Path) -> Iterator[Path]:
    """A hidden folder on the disk of a target folder, removed at the end if it is still there.

    It is beside the target, or within it where nothing can be made beside it.
    """
    if os.path.lexists(target) and not target.is_dir():
        raise OutputError(f"{target} is a file, not a directory; name another directory")
    home = target.parent
    inside = target.is_dir() and (os.path.ismount(target) or not os.access(home, os.W_OK))
    with _partial_in(target if inside else home) as partial:
        yield partial


@contextlib.contextmanager
def _partial_in(home: Path) -> Iterator[Path]:
    if home.exists() and not home.is_dir():
        raise OutputError(f"{home} is no directory; name another place")
    if not home.exists():
        raise OutputError(f"{home} does not exist; make it first or name another place")
    _remove_leftovers(home)
    partial = home / f"{_HIDDEN}{secrets.token_hex(8)}"
    try:
        partial.mkdir(0o700)
        handle = os.open(partial, os.O_RDONLY)
    except OSError as error:
        raise OutputError(_reason(home, error)) from error
    try:
        lock(handle, wait=True)  # held until this process ends, however it ends
        yield partial
    finally:
        shutil.rmtree(partial, ignore_errors=True)
        os.close(handle)


def _remove_leftovers(home: Path) -> None:
    """Remove hidden folders of runs that were killed: nobody holds their lock any more."""
    with contextlib.suppress(OSError):
        for path in home.glob(f"{_HIDDEN}*"):
            with contextlib.suppress(OSError):
                handle = os.open(path, os.O_RDONLY)
                try:
                    if lock(handle, wait=False):
                        shutil.rmtree(path, ignore_errors=True)
                finally:
                    os.close(handle)


@contextlib.contextmanager
def _interrupts_wait() -> Iterator[None]:
    """Ctrl-C and a request to end are obeyed once the files are written or the try has failed."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = {
        number: signal.signal(number, lambda sign, frame: came.append(sign))
        for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if came:
            signal.raise_signal(came[0])


def _write_through(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _sync_folders(top: Path) -> None:
    for folder, _, _ in os.walk(top):
        _sync(Path(folder))


def _sync(folder: Path) -> None:
    # names are safe against a power cut once their folder is; not every system can do that
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _reason(place: Path, error: OSError) -> str:
    why = (error.strerror or str(error)).lower()
    return f"cannot write to {place}: {why}; name another place or make room there"
