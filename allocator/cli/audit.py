"""``allocator audit``: every claim of a plan checked against its site."""

from __future__ import annotations

import argparse

from allocator.cli.arguments import plan_argument, site_argument
from allocator.cli.files import plan_for, plan_path, told_of
from allocator.cli.terminal import BREACHES, show, times

HELP = "check every claim of a plan against its site"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    plan_argument(command)


def run(given: argparse.Namespace) -> int:
    """Audit; tell each breach."""
    from allocator.base.text import paragraph
    from allocator.network.reading import read_site
    from allocator.verify import audit
    from allocator.verify.trusted import taken_on_trust

    site = read_site(given.site)
    path = plan_path(given.plan)
    with told_of(given.plan):
        found = audit(site, plan_for(site, given.plan))
    checks = sum(found.checks.values())
    if found.accepted:
        lines = [f"{path}: accepted; {checks} limits and balances recomputed, none is broken"]
        return show("\n".join([*lines, *paragraph(taken_on_trust(), indent=0)]) + "\n")
    lines = [f"breach: {breach}\n" for breach in found.breaches]
    show("".join(lines) + f"{path}: rejected; {times(len(found.breaches), 'breach')}\n")
    return BREACHES
