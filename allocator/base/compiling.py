"""Loops that are compiled when they are first called, and where the compiled code is kept."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import platform
import shutil
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

Function = TypeVar("Function", bound=Callable[..., Any])
UNCOMPILED = "ALLOCATOR_UNCOMPILED"
"""Set in the environment of a process whose loops are run as Python reads them."""
QUICKER = {"no_cfunc_wrapper": True}
"""Options of all: nothing calls a loop from C."""
OPTIMISATION = "NUMBA_OPT"
"""Variable of numba's with which a user may choose the level."""
SOURCES = (
    "base/compiling.py",
    "base/packing.py",
    "search/bounds/*.py",
    "search/paths/*.py",
    "simulation/columns.py",
    "simulation/compiled.py",
    "simulation/controls.py",
    "simulation/event_order.py",
    "simulation/events.py",
    "simulation/levels.py",
    "simulation/packed.py",
    "verify/kernel.py",
)
"""Files of all loops, and of the functions and constants that are compiled into them."""
FORMER = 2
"""So many folders of other code are left, the last used: of other branches or Pythons."""

_PACKAGE = Path(__file__).parents[1]
_deciding = threading.Lock()


def compiled(function: Function, kept: bool = True, **options: Any) -> Function:
    """The function, compiled at its first call; ``options``: those of ``numba.njit``.

    ``kept``: on disk. What two processes may compile at the same time for arguments of different
    kinds must not be: numba's list of what is kept would name the one and hold the other. It is
    compiled into each function that calls it.
    """
    if UNCOMPILED in os.environ:
        return function
    import numba

    folder = _folder_now() if kept else None
    with _deciding:
        before = numba.config.CACHE_DIR
        numba.config.CACHE_DIR = str(folder or "")
        try:
            made: Function = numba.njit(cache=folder is not None, **options, **QUICKER)(function)
        finally:
            numba.config.CACHE_DIR = before
    return made


def quick_compiling() -> dict[str, str]:
    """The environment of a process that only compiles: with LLVM's first level of optimisation.

    It takes a sixth less than the third. Loops have the same digits, as no level reorders floating
    point, and are as quick.
    """
    return {OPTIMISATION: "1", **os.environ}


def kept_in() -> Path | None:
    """The folder in which compiled code may be kept; None where none is writable.

    ``NUMBA_CACHE_DIR`` if it is set, else the package's own folder, else the user's cache folder.
    """
    named = os.environ.get("NUMBA_CACHE_DIR")
    folders = [Path(named)] if named else [Path(__file__).parent / "__pycache__", _users()]
    return next((folder for folder in folders if _writable(folder)), None)


def code_folder() -> Path | None:
    """Where the loops as they are now are kept, compiled by this very Python; made if missing.

    numba looks only at the file of a loop to see whether what it kept is out of date, and not at
    the files of what the loop calls. So other sources have another folder. None where nothing can
    be kept.
    """
    home = kept_in()
    if home is None:
        return None
    folder = home / f"allocator-{_digest()}"
    try:
        if not folder.is_dir():
            folder.mkdir(exist_ok=True)
            _remove_former(home, folder)
        os.utime(folder)  # it is in use
    except OSError:
        return None
    return folder


def is_marked(part: str) -> bool:
    """Whether a part of the loops is known to be compiled and kept, as it is now."""
    folder = code_folder()
    return folder is not None and (folder / f"{part}.compiled").exists()


def leave_mark(part: str) -> None:
    """Say so from now on, where it can be kept."""
    folder = code_folder()
    if folder is not None:
        with contextlib.suppress(OSError):
            (folder / f"{part}.compiled").touch()


@functools.cache
def _folder_now() -> Path | None:
    """The folder of this process."""
    return code_folder()


@functools.cache
def _digest() -> str:
    """Of all sources, where they are, and what compiles them. Read once: as they were loaded."""
    import llvmlite
    import numba

    facts = [sys.version, numba.__version__, llvmlite.__version__, platform.machine()]
    made = hashlib.sha256("\n".join([*facts, str(_PACKAGE)]).encode())
    for pattern in SOURCES:
        for file in sorted(_PACKAGE.glob(pattern)):
            made.update(f"\n{file.name}\n".encode())
            made.update(file.read_bytes())
    return made.hexdigest()[:16]


def _remove_former(home: Path, present: Path) -> None:
    """Remove folders of former code, but the last used, and what numba kept beside the sources."""
    with contextlib.suppress(OSError):
        others = [
            folder for folder in home.glob(f"allocator-{'[0-9a-f]' * 16}") if folder != present
        ]
        for folder in sorted(others, key=lambda one: one.stat().st_mtime)[:-FORMER]:
            shutil.rmtree(folder, ignore_errors=True)
        for pattern in ("*.nb[ic]", "*.compiled", "*.lock"):
            for file in _PACKAGE.rglob(f"__pycache__/{pattern}"):
                file.unlink(missing_ok=True)


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
    folder = code_folder()
    if folder is None:
        yield
        return
    with open(folder / f"{part}.lock", "wb") as lock:
        with contextlib.suppress(ImportError, OSError):  # no such locks here
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX)
        yield
