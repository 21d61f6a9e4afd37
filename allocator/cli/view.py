"""``allocator view``: a plan in a browser, to be changed and planned again."""

from __future__ import annotations

import argparse
import importlib.util
from pathlib import Path

from allocator.cli.arguments import counting, positive, seed
from allocator.cli.files import note_first_run, warn
from allocator.cli.terminal import BAD_INPUT, DONE, fail, show, tell

HELP = "a plan in a browser: change stocks, demand or sources, and plan again beside it"


def port(text: str) -> int:
    """A port that users may listen on, or 0 for any."""
    value = int(text)
    if not 0 <= value <= 65535:
        raise argparse.ArgumentTypeError(f"must be from 0 to 65535, got {text!r}")
    return value


port.__name__ = "whole number"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    command.add_argument("folder", metavar="DIR", help="folder of a plan, or a site file")
    command.add_argument(
        "--site", metavar="FILE", help="site file of the plan (by default the one it was made from)"
    )
    command.add_argument(
        "--port", type=port, default=0, metavar="N", help="port on this machine (any that is free)"
    )
    command.add_argument(
        "--time-limit",
        type=positive,
        default=60.0,
        metavar="S",
        help="seconds to plan again after a change (60)",
    )
    command.add_argument(
        "--node-limit",
        type=counting,
        default=None,
        metavar="N",
        help="search nodes of each solve, in place of the time limit",
    )
    command.add_argument("--seed", type=seed, default=0, metavar="N", help="seed of the search (0)")
    command.add_argument("--open", action="store_true", help="open the page in the browser")


def run(given: argparse.Namespace) -> int:
    """Read, then answer a browser until Ctrl-C."""
    missing = [name for name in ("starlette", "uvicorn") if importlib.util.find_spec(name) is None]
    if missing:
        needed = " and ".join(missing)
        return fail(
            f"allocator: 'view' needs the package{'s' if missing[1:] else ''} {needed}: "
            "pip install 'allocator[view]'",
            BAD_INPUT,
        )
    from allocator.search import Settings
    from allocator.view.desk import Desk
    from allocator.view.opening import opened
    from allocator.view.server import HOST, listening, new_token, serve

    found = opened(Path(given.folder), None if given.site is None else Path(given.site))
    warn(found.report)
    note_first_run(found.site)
    settings = Settings(time_limit=given.time_limit, node_limit=given.node_limit, seed=given.seed)
    sock, token = listening(given.port), new_token()
    address = f"http://{HOST}:{sock.getsockname()[1]}/{token}/"
    show(f"{found.site.name}: {address}\nOnly this machine reaches the page. Ctrl-C ends it.\n")
    if given.open:
        import webbrowser

        webbrowser.open(address)
    try:
        serve(Desk(found, settings), token, sock)
    except KeyboardInterrupt:
        tell("view ended")
    return DONE
