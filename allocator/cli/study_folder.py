"""The folder that a study of several plans leaves: its tables, and a folder for each plan."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from allocator.cli.terminal import DONE, UNVERIFIED, fail, show

if TYPE_CHECKING:
    from allocator.plans.records import Plan
    from allocator.site.records import Site


def folder_argument(command: argparse.ArgumentParser, told: str) -> None:
    """-o, which must be given."""
    command.add_argument("-o", "--output", metavar="DIR", required=True, help=told)


def folder_of(given: argparse.Namespace) -> Path:
    """The folder that is meant. Raises OutputError where it cannot be written."""
    from allocator.base.folders import check_folder

    folder = Path(given.output)
    check_folder(folder)
    return folder


def for_file(text: Callable[[], str]) -> str:
    """A text laid out for a file: the same whatever the terminal."""
    from allocator.report.text import WIDTH, columns

    with columns(WIDTH):
        return text()


def write_texts(folder: Path, texts: Mapping[str, str], command: str) -> None:
    """Write texts by file name, all of them or none."""
    from allocator.base.folders import write_folder

    write_folder(folder, _encoded(texts), command)


def write_study(
    folder: Path,
    site: Site,
    texts: Mapping[str, str],
    plans: Mapping[str, Plan],
    told: str,
    command: str,
) -> int:
    """Write texts by file name and plans by name, show the result; the exit code.

    Each plan has a folder of its own, named for it; all is written in one step, or nothing.
    """
    from allocator.base.file_names import file_names
    from allocator.base.folders import MANIFEST, write_folder
    from allocator.engine import plan_folder_files

    folders = file_names(plans, taken=[*texts, MANIFEST])
    files = {
        f"{folders[name]}/{file}": content
        for name, plan in plans.items()
        for file, content in plan_folder_files(site, plan).items()
    }
    write_folder(folder, {**files, **_encoded(texts)}, command)
    show(f"{told}\nFiles: {folder}; each plan in a folder of its own\n")
    if not all(plan.verified for plan in plans.values()):
        return fail("A PLAN FAILED ITS AUDIT: do not build from it.", UNVERIFIED)
    return DONE


def _encoded(texts: Mapping[str, str]) -> dict[str, bytes]:
    return {name: text.encode("utf-8") for name, text in texts.items()}
