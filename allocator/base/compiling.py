"""Loops that are compiled when they are first called, and where the compiled code is kept."""

from __future__ import annotations

import contextlib
import hashlib
import os
import platform
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, TypeVar

Function = TypeVar("Function", bound=Callable[..., Any])
UNCOMPILED = "ALLOCATOR_UNCOMPILED"
"""Set in the environment of a process whose loops are run as Python reads them."""
QUICKER = {"no_cfunc_wrapper": True}
"""Options of all: nothing calls a loop from C."""
OPTIMISATION = "NUMBA_OPT"
"""Variable of numba's with which a user may choose the level."""


def compiled(function: Function, kept: bool = True, **options: Any) -> Function:
    """The function, compiled at its first call; ``options``: those of ``numba.njit``.

    ``kept``: on disk. What two processes may compile at the same time for arguments of different
    kinds must not be: numba's list of what is kept would name the one and hold the other. It is
    compiled into each function that calls it.
    """
    if UNCOMPILED in os.environ:
        return function
    import numba

    try:
        made: Function = numba.njit(cache=kept, **options, **QUICKER)(function)
    except RuntimeError:  # no folder in which compiled code may be kept
        made = numba.njit(**options, **QUICKER)(function)
    return made


def quick_compiling() -> dict[str, str]:
    """The environment of a process that only compiles: with LLVM's first level of optimisation.

    It takes a sixth less than the third. Loops have the same digits, as no level reorders floating
    point, and are as quick.
    """
    return {OPTIMISATION: "1", **os.environ}


def kept_in() -> Path | None:
    """The folder in which marks and locks of compiled code are kept; None where none is writable.

    ``NUMBA_CACHE_DIR`` if it is set, else the package's own folder, else the user's cache folder:
    the order in which numba looks for a place.
    """
    named = os.environ.get("NUMBA_CACHE_DIR")
    folders = [Path(named)] if named else [Path(__file__).parent / "__pycache__", _users()]
    return next((folder for folder in folders if _writable(folder)), None)


def mark_of(part: str, files: Iterable[Path]) -> Path | None:
    """The file that says that this very code has been compiled by this very Python.

    ``part``: how it begins; ``files``: the code. None where nothing can be kept.
    """
    import llvmlite
    import numba

    folder = kept_in()
    if folder is None:
        return None
    facts_of = [sys.version, numba.__version__, llvmlite.__version__, platform.machine()]
    for file in sorted(files):
        facts = file.stat()
        facts_of.append(f"{file.name} {facts.st_size} {facts.st_mtime_ns}")
    name = hashlib.sha256("\n".join(facts_of).encode()).hexdigest()[:16]
    return folder / f"{part}-{name}.compiled"


def leave_mark(mark: Path | None) -> None:
    """Say so from now on, where it can be kept."""
    if mark is not None:
        with contextlib.suppress(OSError):
            mark.touch()


def _users() -> Path:
    named = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    if named:
        return Path(named) / "allocator"
    caches = "Library/Caches" if sys.platform == "darwin" else ".cache"
    return Path(os.path.expanduser("~")) / caches / "allocator"


def _writable(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


@contextlib.contextmanager
def compiling_alone(part: str) -> Iterator[None]:
    """One process at a time compiles a part: the others wait, and then find what it has kept.

    Parts have no kept function in common.
    """
    folder = kept_in()
    if folder is None:
        yield
        return
    with open(folder / f"{part}.lock", "wb") as lock:
        with contextlib.suppress(ImportError, OSError):  # no such locks here
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX)
        yield
