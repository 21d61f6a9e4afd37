"""``allocator schema``: JSON Schema of the files."""

from __future__ import annotations

import argparse
import json

from allocator.cli.terminal import show

HELP = "JSON Schema of the site file, for editors"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    which = command.add_mutually_exclusive_group()
    which.add_argument("--plan", action="store_true", help="of the plan file instead")
    which.add_argument(
        "--state", action="store_true", help="of the state file of 'operate' instead"
    )


def run(given: argparse.Namespace) -> int:
    """Print the schema."""
    if given.plan:
        from allocator.plans.file import plan_schema as schema
    elif given.state:
        from allocator.site.state import state_schema as schema
    else:
        from allocator.site.schema import site_schema as schema
    return show(json.dumps(schema(), indent=2, ensure_ascii=False) + "\n")
