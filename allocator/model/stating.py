"""The program of a site, stated: its choices, its variables, its rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from allocator.model.choices import Choices, choices_of
from allocator.model.mean_basis import mean_site
from allocator.model.rules import state_rules
from allocator.model.statement import Statement
from allocator.model.variables import declare
from allocator.plans.records import NOTHING, Withstands
from allocator.site.records import Site


def offered(site: Site, basis: str, withstands: Withstands = NOTHING) -> Choices:
    """What may be decided on a site on a basis."""
    if basis == "mean":
        return choices_of(mean_site(site), lossless=True, with_stores=False)
    return replace(choices_of(site), withstands=withstands)


def state(
    site: Site,
    basis: str,
    withstands: Withstands = NOTHING,
    check: Callable[[], None] | None = None,
) -> tuple[Statement, Choices]:
    """The program of a site on a basis, without store cuts.

    ``withstands``: what the promises of the firm basis must hold against. ``check``: called now and
    then; it may end the stating by an exception.
    """
    choices = offered(site, basis, withstands)
    statement = Statement(check)
    declare(statement, choices)
    state_rules(statement, choices)
    return statement, choices
