"""``allocator catalogue``: usual fluids and pipe of standard sizes that a site file may name."""

from __future__ import annotations

import argparse

from allocator.cli.terminal import show

HELP = "usual fluids and pipe of standard sizes that a site file may name"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    command.add_argument(
        "section",
        nargs="?",
        choices=("fluids", "pipes", "sources"),
        help="fluids, pipes, or the source of each value (by default fluids and pipes)",
    )


def run(given: argparse.Namespace) -> int:
    """Print the tables."""
    from allocator.base.rendering import text_of
    from allocator.report.catalogue import fluid_table, pipe_table, value_table

    tables = {"fluids": fluid_table, "pipes": pipe_table, "sources": value_table}
    chosen = [given.section] if given.section else ["fluids", "pipes"]
    return show("\n".join(text_of(tables[name]()) for name in chosen))
