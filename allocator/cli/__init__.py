"""The commands, one file each: what a command takes, and what it does.

Every module has ``HELP`` (one line), ``arguments(command)``, which adds its arguments to a parser,
and ``run(given)``, which calls one public function, prints, and returns the exit code. Nothing
heavy is imported at the top of these files: ``--help`` reads them all. Knows arguments and exit
codes. Never works anything out.
"""

from __future__ import annotations

import argparse
from typing import Protocol

from allocator.base.errors import AllocatorError, FileError
from allocator.cli import (
    audit,
    built,
    carry,
    catalogue,
    check,
    compare,
    corridors,
    diff,
    draw,
    enclosure,
    fit,
    frontier,
    heat_sinks,
    insulate,
    migrate,
    new,
    operate,
    plan,
    replan,
    report,
    reservoir,
    schedule,
    schema,
    simulate,
    sources,
    sweep,
    template,
    view,
    why,
)
from allocator.cli.outputs import refuse_inputs
from allocator.cli.terminal import (
    BAD_INPUT,
    fail,
    never_fail_on_letters,
    notes_of_old_spellings,
    terminal_columns,
)


class Command(Protocol):
    """What a module of this package offers."""

    HELP: str

    def arguments(self, command: argparse.ArgumentParser) -> None:
        """Add the command's arguments to its parser."""

    def run(self, given: argparse.Namespace) -> int:
        """Do it; the exit code."""


COMMANDS: dict[str, Command] = {
    "plan": plan,
    "built": built,
    "schedule": schedule,
    "replan": replan,
    "diff": diff,
    "new": new,
    "template": template,
    "corridors": corridors,
    "fit": fit,
    "reservoir": reservoir,
    "catalogue": catalogue,
    "check": check,
    "migrate": migrate,
    "simulate": simulate,
    "operate": operate,
    "report": report,
    "view": view,
    "draw": draw,
    "audit": audit,
    "sources": sources,
    "heat-sinks": heat_sinks,
    "insulate": insulate,
    "enclosure": enclosure,
    "compare": compare,
    "carry": carry,
    "why": why,
    "frontier": frontier,
    "sweep": sweep,
    "schema": schema,
}
"""In the order in which ``--help`` shows them."""


def run(given: argparse.Namespace) -> int:
    """Run the command of parsed arguments; errors that a user can mend become words and 2."""
    from allocator.base.text import columns

    never_fail_on_letters()
    try:
        with columns(terminal_columns()), notes_of_old_spellings():
            refuse_inputs(given)
            return COMMANDS[given.command].run(given)
    except FileError as error:
        return fail(str(error), BAD_INPUT)
    except AllocatorError as error:
        return fail(f"allocator: {error}", BAD_INPUT)
