"""``allocator draw``: a picture of a site without a plan."""

from __future__ import annotations

import argparse
from pathlib import Path

from allocator.cli.arguments import site_argument
from allocator.cli.files import site_of
from allocator.cli.terminal import BAD_INPUT, fail, show

HELP = "draw a site as a picture: existing assets, and what could be built"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument(
        "-o", "--output", metavar="FILE", required=True, help="picture to write, .svg or .png"
    )


def run(given: argparse.Namespace) -> int:
    """Read, draw, write."""
    from allocator.base.folders import check_file, write_file

    ending = Path(given.output).suffix.lower()
    if ending not in (".svg", ".png"):
        return fail(f"allocator: {given.output}: name a file that ends in .svg or .png", BAD_INPUT)
    check_file(Path(given.output))
    site = site_of(given.site)
    from allocator.report.page.drawing import site_png, site_svg

    svg = site_svg(site)
    write_file(Path(given.output), site_png(svg) if ending == ".png" else svg.encode("utf-8"))
    return show(f"Picture: {given.output}\n")
