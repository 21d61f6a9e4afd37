"""The command line: the parser of all commands, and the way in."""

from __future__ import annotations

import argparse
import contextlib
import io
import time
from collections.abc import Sequence

from allocator import __version__
from allocator.base.errors import OutputError
from allocator.cli import COMMANDS, run
from allocator.cli.terminal import BAD_INPUT, fail, keep_streams_apart, show

SHELLS = ("bash", "zsh", "fish")
EXIT_CODES = """exit codes:
  0  done
  1  audit: the plan breaks a rule; simulate: firm output was not kept;
     operate --follow: it no longer holds, or a store is below its reserve
  2  bad input: a site file, a plan file, an argument, a place to write to
  3  proven: no plan exists for this site
  4  no plan was found in the time
  5  the plan failed its audit, or did not keep its firm output when simulated; it is kept,
     marked as not verified
"""


def build_parser() -> argparse.ArgumentParser:
    """The parser of all commands."""
    parser = argparse.ArgumentParser(
        prog="allocator",
        description="Plan an isolated site's power from sources that come and go, and prove the "
        "plan: which to connect, which pipe to lay, how large the storage, which machines where.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"allocator {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="command", required=True)
    for name, command in COMMANDS.items():
        command.arguments(commands.add_parser(name, help=command.HELP))
    completion = commands.add_parser("completion", help="completion script for a shell")
    completion.add_argument("shell", choices=SHELLS, help="whose completion to print")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; the exit code. ``arguments``: those of the process when None."""
    began = time.perf_counter()
    keep_streams_apart()
    parser = build_parser()
    try:
        given = _parsed(parser, arguments)
        given.began = began
        if given.command == "completion":
            import shtab

            return show(shtab.complete(parser, given.shell) + "\n")
        return run(given)
    except OutputError as error:
        return fail(f"allocator: {error}", BAD_INPUT)
    except KeyboardInterrupt:
        return fail("interrupted; no file was left half written", 130)


def _parsed(parser: argparse.ArgumentParser, arguments: Sequence[str] | None) -> argparse.Namespace:
    """The arguments; help is data like any other. Raises SystemExit and OutputError."""
    help_text = io.StringIO()
    try:
        with contextlib.redirect_stdout(help_text):
            return parser.parse_args(arguments)
    except SystemExit:
        if help_text.getvalue():
            show(help_text.getvalue())
        raise
    except OSError:  # a usage error for which there is no room on standard error
        raise SystemExit(BAD_INPUT) from None
