"""``allocator diff``: two plans side by side."""

from __future__ import annotations

import argparse

from allocator.cli.files import plan_of
from allocator.cli.terminal import show

HELP = "what a plan builds differently from a former one, with the figures of both"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    command.add_argument("before", metavar="FORMER", help="former plan (plan.json), or its folder")
    command.add_argument("after", metavar="PLAN", help="new plan, or its folder")
    command.add_argument("--json", action="store_true", help="print JSON in place of text")


def run(given: argparse.Namespace) -> int:
    """Print what differs."""
    before, after = plan_of(given.before), plan_of(given.after)
    from allocator.studies.diff_result import diff

    result = diff(before, after)
    return show(result.to_json() if given.json else result.summary())
