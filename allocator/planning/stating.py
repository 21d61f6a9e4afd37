"""The program of a site, stated: its choices, its variables, its rules."""

from __future__ import annotations

from allocator.planning.ceiling import mean_site
from allocator.planning.choices import Choices, choices_of
from allocator.planning.rules import state_rules
from allocator.planning.statement import Statement
from allocator.planning.variables import declare
from allocator.site.records import Site


def state(site: Site, basis: str) -> tuple[Statement, Choices]:
    """The program of a site on a basis, without store cuts."""
    if basis == "mean":
        choices = choices_of(mean_site(site), lossless=True, with_stores=False)
    else:
        choices = choices_of(site)
    statement = Statement()
    declare(statement, choices)
    state_rules(statement, choices)
    return statement, choices
