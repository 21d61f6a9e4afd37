"""``allocator migrate``: a site file of an older format in the newest one."""

from __future__ import annotations

import argparse
from pathlib import Path

from allocator.cli.arguments import site_argument
from allocator.cli.terminal import BAD_INPUT, show, tell, times

HELP = "rewrite a site file of an older format in the newest one"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument(
        "-o", "--output", metavar="FILE", help="write there and leave the old file as it is"
    )


def run(given: argparse.Namespace) -> int:
    """Rename the keys; comments, order and layout stay."""
    from allocator.base.errors import SiteFileError, fault_lines
    from allocator.base.folders import check_file, write_file
    from allocator.site.formats import FORMAT
    from allocator.site.migration import migrated

    target = Path(given.output or given.site)
    try:
        content, count = migrated(given.site)
    except SiteFileError as error:
        for line in fault_lines(error.faults):
            tell(line)
        return BAD_INPUT
    if content is None:
        return show(f"{given.site}: is {FORMAT} already\n")
    check_file(target)
    write_file(target, content)
    show(f"{target}: {FORMAT}, {times(count, 'key')} renamed\n")
    tell("note: plans made from the old file name that file's SHA-256; plan again, or keep both")
    return 0
