"""The program of a site, stated: its choices, its variables, its rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from allocator.model.dissipation import state_dissipation, tightened
from allocator.model.index_sets import IndexSets, index_sets_of
from allocator.model.mean_basis import mean_site
from allocator.model.model import Model
from allocator.model.pressures import (
    Node,
    boost,
    boosters_by_node,
    pressures_of,
    with_boosters_at,
)
from allocator.model.rules import state_rules
from allocator.model.steady import without_cycles
from allocator.model.variables import declare
from allocator.model.ways import two_way_pipes
from allocator.network.records import Network
from allocator.plans.records import NOTHING, Robustness


def offered(
    site: Network, basis: str, robustness: Robustness = NOTHING, *, ways: bool = True
) -> IndexSets:
    """What may be decided on a site on a basis. ``ways``: directions of pipes among it."""
    if basis == "mean":
        sets = index_sets_of(mean_site(site), lossless=True, with_stores=False)
    else:
        sets = without_cycles(replace(index_sets_of(site), robustness=robustness))
    sets = replace(sets, pressures=pressures_of(sets, site.pressures))
    return replace(sets, two_way=two_way_pipes(sets) if ways else frozenset())


def without_pressures(sets: IndexSets) -> IndexSets:
    """The same without pressures, for bounds: every plan is a plan of it, with no less of a goal.

    A pipe then carries what the widest difference of pressures drives, and boosters take no power.
    """
    if sets.pressures is None:
        return sets
    sets = replace(sets, pressures=None)
    return replace(sets, two_way=two_way_pipes(sets))


def state(
    site: Network,
    basis: str,
    robustness: Robustness = NOTHING,
    check: Callable[[], None] | None = None,
    *,
    ways: bool = True,
) -> tuple[Model, IndexSets]:
    """The program of a site on a basis, without store cuts.

    ``robustness``: what the promises of the firm basis must hold against. ``check``: called now and
    then; it may end the stating by an exception. ``ways``: pipes may have a variable for each
    direction.
    """
    sets = offered(site, basis, robustness, ways=ways)
    model = Model(check)
    declare(model, sets)
    state_rules(model, sets)
    return model, sets


def state_for_bound(
    site: Network, basis: str, robustness: Robustness = NOTHING
) -> tuple[Model, IndexSets]:
    """The same with rows that every plan fulfils where pressures count: for bounds alone.

    See :mod:`allocator.model.dissipation`.
    """
    model, sets = state_tightened(site, basis, robustness)
    state_dissipation(model, sets)
    return model, sets


def state_tightened(
    site: Network,
    basis: str,
    robustness: Robustness = NOTHING,
    running: frozenset[Node] | None = None,
) -> tuple[Model, IndexSets]:
    """The program with pipes that carry no more than what their ends can have and need drives.

    ``running``: of plans in which boosters run at each of these nodes, and at no others. Boosters
    of other nodes are left out, and ``sum of boosters >= 1`` at each.
    """
    sets = offered(site, basis, robustness)
    if running is not None and sets.pressures is not None:
        sets = replace(sets, pressures=with_boosters_at(sets.pressures, running))
    sets = tightened(sets)
    model = Model()
    declare(model, sets)
    state_rules(model, sets)
    if running is not None and sets.pressures is not None:
        for node, options in boosters_by_node(sets.pressures).items():
            model.row(f"runs{node}", [(1.0, boost(option)) for option in options], low=1.0)
    return model, sets
