"""``allocator template``: a workbook to fill in; a site file as a workbook, and back."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from allocator.cli.terminal import BAD_INPUT, fail, show, tell

HELP = "write the workbook to fill in, or turn a site file into a workbook and back"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    command.add_argument(
        "file", metavar="FROM", nargs="?", help="site file or workbook; none: an empty workbook"
    )
    command.add_argument(
        "-o",
        "--output",
        metavar="FILE",
        required=True,
        help=".xlsx, or .yaml: a site file that exists keeps its comments and order",
    )


def run(given: argparse.Namespace) -> int:
    """Convert by the endings of the two files."""
    target = Path(given.output)
    ending, wanted = Path(given.file or "x.yaml").suffix.lower(), target.suffix.lower()
    if (wanted == ".xlsx") == (ending == ".xlsx") or wanted not in (".xlsx", ".yaml", ".yml"):
        return fail(
            f"allocator: {target}: a workbook (.xlsx) becomes a site file (.yaml), and a site "
            "file a workbook",
            BAD_INPUT,
        )
    return _to_workbook(given.file, target) if wanted == ".xlsx" else _to_site(given.file, target)


def _to_workbook(source: str | None, target: Path) -> int:
    from allocator.base.folders import check_file, write_file
    from allocator.cli.files import site_of
    from allocator.intake.workbook import tree_of, workbook_bytes
    from allocator.site.document import read_document

    check_file(target)
    tree = {}
    if source:
        site_of(source)  # refuses a file with faults
        tree = tree_of(read_document(Path(source).read_bytes()))
    if source and tree.get("format") != _format():
        return fail(f"allocator: {source}: run 'allocator migrate {source}' first", BAD_INPUT)
    write_file(target, workbook_bytes(tree))
    return show(f"Workbook: {target}\n")


def _format() -> str:
    from allocator.site.formats import FORMAT

    return FORMAT


def _to_site(source: str, target: Path) -> int:
    from allocator.base.folders import check_file, write_file
    from allocator.intake.cell_marks import Marks, told_by_cell
    from allocator.intake.cells import TableFileError, read_sheets
    from allocator.intake.merging import merged
    from allocator.intake.workbook import tree_of_sheets
    from allocator.network.reading import check_site
    from allocator.site.document import read_document
    from allocator.site.writing import tree_text

    check_file(target)
    marks: Marks = {}
    tree = tree_of_sheets(read_sheets(Path(source)), source, marks)
    text = None
    if target.is_file():
        try:
            text = merged(target.read_text(encoding="utf-8"), tree)
        except (UnicodeDecodeError, OSError):
            text = None
        if text is None:
            return fail(
                f"allocator: {target}: cannot be changed in place; name a new file", BAD_INPUT
            )
        tell(f"note: comments and order of {target} are kept")
    content = (text or tree_text(tree)).encode("utf-8")
    if faults := check_site(target, content).faults:
        raise TableFileError(
            replace(fault, file=source) if fault.file == str(target) else fault
            for fault in told_by_cell(faults, str(target), read_document(content), marks)
        )
    write_file(target, content)
    return show(f"Site file: {target}\nThen: allocator check {target}\n")
