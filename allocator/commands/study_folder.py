"""The folder that a study of several plans leaves: its tables, and a folder for each plan."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from allocator.commands.terminal import DONE, UNVERIFIED, fail, show

if TYPE_CHECKING:
    from allocator.plan import Plan
    from allocator.site.records import Site


def folder_argument(command: argparse.ArgumentParser, told: str) -> None:
    """-o, which must be given."""
    command.add_argument("-o", "--output", metavar="DIR", required=True, help=told)


def folder_of(given: argparse.Namespace) -> Path:
    """The folder that is meant. Raises OutputError where it cannot be written."""
    from allocator.reporting.folder import check_folder

    folder = Path(given.output)
    check_folder(folder)
    return folder


def write_texts(folder: Path, texts: Mapping[str, str]) -> None:
    """Write texts by file name, all of them or none."""
    from allocator.reporting.folder import write_folder

    write_folder(folder, {name: held.encode("utf-8") for name, held in texts.items()})


def write_study(
    folder: Path, site: Site, texts: Mapping[str, str], plans: Mapping[str, Plan], told: str
) -> int:
    """Write texts by file name and plans by folder name, show the result; the exit code."""
    from allocator.engine import write_plan_files

    write_texts(folder, texts)
    for name, plan in plans.items():
        write_plan_files(folder / name, site, plan)
    show(f"{told}\nFiles: {folder}; each plan in a folder of its own\n")
    if not all(plan.verified for plan in plans.values()):
        return fail("A PLAN FAILED ITS AUDIT: do not build from it.", UNVERIFIED)
    return DONE
