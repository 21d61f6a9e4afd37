"""The commands: what they are called and what they take. What they do is in ``commands``."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from allocator import __version__
from allocator.completion import SHELLS, completion_script

EXIT_CODES = """exit codes:
  0  done
  1  audit: the plan breaks a rule
  2  bad input: a site file, a plan file, an argument, a place to write to
  3  proven: no plan exists for this site
  4  no plan was found in the time
  5  the plan failed its audit; it is kept, marked as not verified
"""


def _positive(text: str) -> float:
    value = float(text)
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"must be above 0, got {text!r}")
    return value


def _share(text: str) -> float:
    value = float(text)
    if not 0 <= value < 1:
        raise argparse.ArgumentTypeError(f"must be from 0 up to 1, got {text!r}")
    return value


def _counting(text: str) -> int:
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"must be 1 or more, got {text!r}")
    return value


def _seed(text: str) -> int:
    value = int(text)
    if not 0 <= value < 2**31:
        raise argparse.ArgumentTypeError(f"must be from 0 to {2**31 - 1}, got {text!r}")
    return value


# argparse names the type in its message when a number cannot be read
_positive.__name__ = _share.__name__ = "number"
_counting.__name__ = _seed.__name__ = "whole number"


def build_parser() -> argparse.ArgumentParser:
    """The parser of all commands."""
    parser = argparse.ArgumentParser(
        prog="allocator",
        description="Plan an isolated site's power from sources that come and go, and prove the "
        "plan: what to tap, which pipe to lay, how large the stores, which machines where.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"allocator {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="command", required=True)
    _plan(commands.add_parser("plan", help="make an audited plan for a site and write its files"))
    check = commands.add_parser("check", help="read a site file and tell all that is wrong with it")
    _site(check)
    auditing = commands.add_parser("audit", help="check every claim of a plan against its site")
    _site(auditing)
    auditing.add_argument("plan", metavar="PLAN", help="plan file (plan.json) or its folder")
    _sources(commands.add_parser("sources", help="what each source is worth, and what it carries"))
    schema = commands.add_parser("schema", help="JSON Schema of the site file, for editors")
    schema.add_argument("--plan", action="store_true", help="of the plan file instead")
    completion = commands.add_parser("completion", help="completion script for a shell")
    completion.add_argument("shell", choices=SHELLS)
    return parser


def _site(command: argparse.ArgumentParser) -> None:
    command.add_argument("site", metavar="SITE", help="site file (YAML)")


def _plan(command: argparse.ArgumentParser) -> None:
    _site(command)
    command.add_argument(
        "-o", "--output", metavar="DIR", required=True, help="folder for the plan's files"
    )
    command.add_argument(
        "--basis",
        choices=("firm", "mean"),
        default="firm",
        help="firm: what is there at all times (default); mean: averages, no promise",
    )
    command.add_argument(
        "--time-limit",
        type=_positive,
        default=60.0,
        metavar="S",
        help="seconds for everything (default 60); Ctrl-C keeps the best plan so far",
    )
    command.add_argument(
        "--gap", type=_share, default=1e-4, metavar="G", help="gap that is good enough (0.0001)"
    )
    command.add_argument(
        "--seed", type=_seed, default=0, metavar="N", help="seed of the search (0)"
    )
    command.add_argument(
        "--threads", type=_counting, default=None, metavar="N", help="threads of the solver (1)"
    )
    command.add_argument(
        "--solver", default="highs", metavar="NAME", help="highs, or a solver that PuLP knows"
    )
    command.add_argument(
        "--node-limit",
        type=_counting,
        default=None,
        metavar="N",
        help="search nodes a solve, in place of the time limit: the same plan on every machine",
    )
    command.add_argument("--progress", action="store_true", help="tell the search on stderr")


def _sources(command: argparse.ArgumentParser) -> None:
    _site(command)
    command.add_argument("-o", "--output", metavar="FILE", help="write the table as CSV as well")
    command.add_argument("--json", action="store_true", help="print JSON in place of text")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; the exit code. ``arguments``: those of the process when None."""
    parser = build_parser()
    given = parser.parse_args(arguments)
    from allocator import commands

    try:
        if given.command == "completion":
            return commands.show(completion_script(parser, given.shell))
        return commands.run(given)
    except KeyboardInterrupt:
        return commands.fail("stopped by hand; nothing was written", 130)
