"""A folder of files that is either all old or all new, however the writing ends."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

from allocator.errors import AllocatorError


class OutputError(AllocatorError):
    """A place that cannot be written to: which, why, and what to do."""


def check_folder(directory: Path) -> None:
    """Find out now, before hours of work, whether files can be written to a folder later.

    Raises :class:`OutputError` when the name is taken by a file, the parent is missing, or
    nothing can be written there.
    """
    with _partial(directory):
        pass


def check_file(path: Path) -> None:
    """The same for a single file. Raises :class:`OutputError`."""
    if path.is_dir():
        raise OutputError(f"{path} is a directory; name a file")
    with _partial(path, beside=True):
        pass


def write_folder(directory: Path, files: Mapping[str, bytes]) -> None:
    """Write files into a folder, which is made when it is missing; other files there stay.

    All is first written and flushed to a hidden folder on the same disk. A new folder then gets
    its name in one step; in an old one each file is replaced in one step, in the order given, so
    the last may hold :func:`digests` of the others for a reader who must know that they belong
    together. Raises :class:`OutputError`.
    """
    with _partial(directory) as partial:
        try:
            for name, content in files.items():
                _write_through(partial / name, content)
            if partial.parent == directory:
                for name in files:
                    os.replace(partial / name, directory / name)
            else:
                partial.chmod(0o777 & ~_umask())
                partial.rename(directory)
        except OSError as error:
            raise OutputError(_told(directory, error)) from error


def digests(files: Mapping[str, bytes]) -> dict[str, str]:
    """SHA-256 of each file's content, by name."""
    return {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}


@contextlib.contextmanager
def _partial(target: Path, *, beside: bool = False) -> Iterator[Path]:
    """A hidden folder on the disk of the target, taken away at the end if it is still there."""
    inside = target.is_dir() and not beside
    if not inside and not beside and (target.exists() or target.is_symlink()):
        raise OutputError(f"{target} is a file, not a directory; name another directory")
    home = target if inside else target.absolute().parent
    if home.exists() and not home.is_dir():
        raise OutputError(f"{home} is no directory; name another place")
    if not home.exists():
        raise OutputError(f"{home} does not exist; make it first or name another place")
    try:
        partial = Path(tempfile.mkdtemp(prefix=".partial-", dir=home))
    except OSError as error:
        raise OutputError(_told(home, error)) from error
    try:
        yield partial
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def _write_through(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _told(place: Path, error: OSError) -> str:
    why = (error.strerror or str(error)).lower()
    return f"cannot write to {place}: {why}; name another place or make room there"
