"""What a command may not write over: its own inputs, and files of a plan or study in a folder."""

from __future__ import annotations

import argparse
import itertools
import os
from collections.abc import Iterator
from pathlib import Path

from allocator.cli.files import plan_path

WRITTEN = ("output", "picture", "write_program")
READ = (
    *("site", "plan", "before", "after", "simulation", "start", "state", "follow", "replay"),
    *("file", "log", "terrain", "grounds", "heights", "mixes", "frontier", "sweep"),
)
"""Arguments of commands that name files, or folders of a plan or study."""
SITES = ("site", "file")
"""Those that may be site files, which name files in turn."""
REMEDY = "name another file"
ELSEWHERE = "name another folder"


def refuse_inputs(given: argparse.Namespace) -> None:
    """Refuse arguments by which a command would write over what it reads.

    Raises:
        OutputError: an output is an input, a file of a folder that another command has written,
            a file that the site file names, or of ``replan`` the folder of the former plan, which
            the new one is compared with; or two outputs are one file, or a name is empty.
    """
    from allocator.base.errors import OutputError
    from allocator.base.folders import MANIFEST, listed_files

    for name in (*READ, *WRITTEN, "record"):
        if getattr(given, name, None) == "":
            told = name.upper() if name in ("site", "plan", "log", "file") else name
            raise OutputError(f"the name given for {told.replace('_', ' ')} is empty; {REMEDY}")
    read = [*_paths(given, READ)]
    if given.command != "built" or given.record is None:  # else it keeps what is done elsewhere
        read += [path.parent / "built.csv" for path in _paths(given, ("plan",))]
    written = list(_paths(given, (*WRITTEN, "record") if "record" in given else WRITTEN))
    for path, other in itertools.combinations(written, 2):
        if _same(path, other):
            raise OutputError(f"{path} is given for two outputs; {REMEDY}")
    for path in written:
        if path.is_dir():
            if given.command == "replan" and _same(path, plan_path(given.plan).parent):
                raise OutputError(f"{path} holds the former plan; {ELSEWHERE}")
            _refuse_series_in(path, given)
            continue
        if path.exists() and any(_same(path, one) for one in (*read, *_named(given))):
            raise OutputError(f"{path} is read by this command, which would replace it; {REMEDY}")
        listed = listed_files(path.parent)
        if path.name in listed or (listed and path.name == MANIFEST):
            what = "is one of the files of the plan or study in its folder"
            raise OutputError(f"{path} {what}; {REMEDY}")


def _refuse_series_in(folder: Path, given: argparse.Namespace) -> None:
    """Refuse a folder of which a run may replace files that the site file names."""
    from allocator.base.errors import OutputError
    from allocator.base.folders import listed_files

    listed = [
        folder / name
        for name, entry in listed_files(folder).items()
        if entry["command"] != "view"  # keeps a site file there with its series
    ]
    for one in _named(given) if listed else ():
        if any(_same(one, path) for path in listed):
            raise OutputError(f"{folder} holds {one.name}, which the site file names; {ELSEWHERE}")


def _named(given: argparse.Namespace) -> Iterator[Path]:
    """The files that the site files among the arguments name."""
    from allocator.site.reading import named_files

    for path in _paths(given, SITES):
        yield from named_files(path)


def _paths(given: argparse.Namespace, names: tuple[str, ...]) -> Iterator[Path]:
    for name in names:
        value = getattr(given, name, None)
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, str) and one:
                yield plan_path(one) if name in ("plan", "before", "after", "start") else Path(one)


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:  # one of them is not there yet
        return os.path.realpath(one) == os.path.realpath(other)
