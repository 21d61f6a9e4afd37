"""The folder that a study of several plans leaves: its tables, and a folder for each plan."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from allocator.cli.terminal import DONE, UNVERIFIED, fail, show

if TYPE_CHECKING:
    from allocator.studies.result import StudyResult


def folder_argument(command: argparse.ArgumentParser, told: str) -> None:
    """-o, which must be given."""
    command.add_argument("-o", "--output", metavar="DIR", required=True, help=told)


def folder_of(given: argparse.Namespace, kind: type[StudyResult]) -> Path:
    """The folder for results of a kind. Raises OutputError where it cannot be written."""
    from allocator.base.folders import check_folder

    folder = Path(given.output)
    check_folder(folder, kind.usual_files())
    return folder


def write_study(folder: Path, result: StudyResult) -> int:
    """Write a result and its plans in one step, show it; the exit code."""
    result.save(folder)
    show(f"{result.summary()}\nFiles: {folder}; each plan in a folder of its own\n")
    if not all(plan.verified for plan in result.plans().values()):
        return fail("A PLAN FAILED ITS AUDIT: do not build from it.", UNVERIFIED)
    return DONE
