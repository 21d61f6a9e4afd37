"""``allocator corridors``: routes of a site from a raster of ground."""

from __future__ import annotations

import argparse
from pathlib import Path

from allocator.base.grouped import grouped
from allocator.cli.arguments import site_argument
from allocator.cli.files import warn
from allocator.cli.terminal import BAD_INPUT, fail, show, tell, times

HELP = "candidate routes over ground: least-cost ways on a raster, with junctions"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument(
        "--terrain",
        required=True,
        metavar="GRID",
        help="grid of classes of ground, in the coordinates of the places: ESRI ASCII (.asc), or "
        "GeoTIFF (.tif) with the extra 'raster'",
    )
    command.add_argument(
        "--grounds",
        required=True,
        metavar="TABLE",
        help="CSV or Excel: class,ground,factor; the factor is the cost of a metre as a multiple "
        "of that on plain ground, below 1 in an existing trench; 'no': nothing may be laid",
    )
    command.add_argument(
        "--heights", metavar="GRID", help="grid of heights in m, with the same cells"
    )
    command.add_argument(
        "--max-slope",
        metavar="SHARE",
        help="steepest climb or fall along a pipe, such as '30 %%' (no limit); pipe may cross "
        "steeper ground at an angle",
    )
    command.add_argument(
        "-o", "--output", metavar="FILE", required=True, help="site file with these routes"
    )


def run(given: argparse.Namespace) -> int:
    """Find the corridors, write the site file, and print them."""
    from allocator.base.errors import AllocatorError, SiteFileError
    from allocator.base.folders import check_file, write_file
    from allocator.base.quantities import QuantityError, parse_quantity
    from allocator.base.rendering import section_of
    from allocator.intake.corridor_routes import with_corridors
    from allocator.intake.corridors import corridors_over
    from allocator.intake.former_corridors import former_of
    from allocator.intake.merging import merged
    from allocator.intake.workbook import tree_of
    from allocator.network.reading import check_site
    from allocator.site.document import read_document
    from allocator.site.formats import FORMAT
    from allocator.site.writing import tree_text

    check_file(Path(given.output))
    steepest = float("inf")
    if given.max_slope is not None:
        try:
            steepest = parse_quantity(given.max_slope, "share")
        except QuantityError as error:
            raise AllocatorError(f"--max-slope {error}") from None
        if steepest <= 0:
            return fail("allocator: --max-slope must be above 0", BAD_INPUT)
        if given.heights is None:
            return fail("allocator: --max-slope needs --heights, a grid of heights", BAD_INPUT)
    site = check_site(given.site)
    if site.site is None:
        raise SiteFileError(site.faults)
    text = Path(given.site).read_text(encoding="utf-8")
    tree = tree_of(read_document(text.encode("utf-8")))
    if tree.get("format") != FORMAT:
        return fail(f"allocator: {given.site}: run 'allocator migrate' on it first", BAD_INPUT)
    files = Path(given.terrain), Path(given.grounds), _path(given.heights)
    former = former_of(tree)
    found = corridors_over(site.site, *files, steepest, former.junctions)
    if found.unknown:
        cells = f"{times(found.unknown, 'cell')} of {grouped(found.grid.values.size)}"
        tell(f"note: {cells} without a value: no corridor crosses them")
    new, notes = with_corridors(tree, site.site, found, former)
    for note in (*found.notes, *notes):
        tell(f"note: {note}")
    write_file(Path(given.output), (merged(text, new) or tree_text(new)).encode("utf-8"))
    warn(check_site(given.output))  # of the file with its new routes
    show("\n".join([*section_of(found.table), ""]))
    return show(f"Site file: {given.output}\nThen: allocator check {given.output}\n")


def _path(text: str | None) -> Path | None:
    return None if text is None else Path(text)
