"""``allocator insulate``: one run, every build."""

from __future__ import annotations

import argparse

from allocator.cli.arguments import site_argument
from allocator.cli.files import site_of
from allocator.cli.terminal import show, tell

HELP = "one run, every build: material, heat loss, temperatures, the lightest that holds"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument("--route", required=True, metavar="NAME", help="a route of the site")
    command.add_argument("--fluid", metavar="NAME", help="one fluid alone")
    command.add_argument(
        "--temperature", metavar="QUANTITY", help="at the inlet, such as '380 degC'"
    )
    command.add_argument(
        "--flow", metavar="QUANTITY", help="also give the end temperature and pressure at this flow"
    )
    command.add_argument("--json", action="store_true", help="print JSON in place of text")


def run(given: argparse.Namespace) -> int:
    """Print the table."""
    from allocator.base.quantities import parse_quantity

    def read(text: str | None, dimension: str, option: str) -> float | None:
        from allocator.base.errors import AllocatorError
        from allocator.base.quantities import QuantityError

        if text is None:
            return None
        try:
            value = parse_quantity(text, dimension)
        except QuantityError as error:
            raise AllocatorError(f"{option} {error}") from error
        if value <= 0:
            raise AllocatorError(f"{option} must be above 0 (got {text})")
        return value

    temperature = read(given.temperature, "temperature", "--temperature")
    flow = read(given.flow, "mass_rate", "--flow")
    site = site_of(given.site)
    from allocator.studies.insulate_result import insulate

    result = insulate(
        site, given.route, fluid=given.fluid, temperature=temperature, flow=flow, tell=tell
    )
    return show(result.to_json() if given.json else result.summary())
