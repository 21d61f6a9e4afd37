"""A statement that can be stretched limit by limit, with what is wanted of a plan as limits too.

A slack of 0 holds a limit; a free one drops it; a costed one asks for its least change. One
statement serves all three, so that what is learnt for one question is there for the next.
"""

from __future__ import annotations

from allocator.model.booster_limits import idle_boosters
from allocator.model.expressions import collected, direct_mean
from allocator.model.index_sets import CLASSES, IndexSets
from allocator.model.kept_out import kept_out
from allocator.model.limit_rules import ASKED_ALONE, RULES, asked
from allocator.model.limits import AT_MOST, DIMENSION_OF_WANT, Limit, Want, slacked
from allocator.model.model import Model, Terms
from allocator.model.rules.power import own_load, served
from allocator.model.rules.stock import counted_emission, money
from allocator.model.switches import ease_switches

TAKEN = 1e-3
"""Share of its flow that is taken of a source that is wanted connected."""


def stretched(
    model: Model, sets: IndexSets, wants: tuple[Want, ...] = (), *, demands: bool = False
) -> tuple[Model, tuple[Limit, ...]]:
    """A copy of a statement with a slack for every limit, and the limits.

    ``demands``: what is asked for is a limit as well, of what can be served.

    They come with those first that a user would rather keep blameless: a conflict is said in
    terms of the later ones where it can be.
    """
    copy = model.copy()
    rows = {row.name: number for number, row in enumerate(copy.rows)}
    found: list[Limit] = []
    for rule in (*RULES, *(() if demands else ASKED_ALONE)):
        found += rule(copy, rows, sets)
    if demands:
        found += asked(copy, rows, sets)
    idle_boosters(copy, rows, sets)
    ease_switches(copy, rows, sets)
    for want in wants:
        found.append(want_row(copy, sets, want))
    return copy, tuple(found)


def pipes_together(model: Model, limits: tuple[Limit, ...]) -> tuple[Limit, ...]:
    """What pipes of all builds carry as one limit: each carries the same share more.

    Were one build alone without its limit, it would carry everything: in a conflict that some
    pipe has a part in, every build has, and a list of them all says no more than this one.
    """
    pipes = [limit for limit in limits if limit.kind == "capacity"]
    if len(pipes) < 2:
        return limits
    named = ", ".join(f"'{one.name}'" for one in pipes)
    words = f"pipes of the builds {named} carry"
    whole = Limit("capacity", "", ("pipes",), 1.0, "share", True, words)
    slacked(model, whole)
    for one in pipes:
        terms: Terms = [(1.0, one.slack), (-one.value, whole.slack)]
        model.row(f"together[{one.name}]", terms, high=0.0)
    return (whole, *(limit for limit in limits if limit.kind != "capacity"))


def want_row(model: Model, sets: IndexSets, want: Want) -> Limit:
    at_most = want.kind in AT_MOST
    name = f"{want.kind}:{want.name}" if want.name else want.kind
    dimension = DIMENSION_OF_WANT.get(want.kind, "power")
    limit = Limit("want", name, (), want.amount, dimension, at_most, want.words)
    slacked(model, limit)
    terms, factor, existing = _wanted(model, sets, want)
    amount = want.amount * factor - existing
    if want.kind == "connect":
        _taken(model, sets, want, limit)
    if at_most:
        model.row(f"want[{name}]", [*terms, (-factor, limit.slack)], high=amount)
    else:
        model.row(f"want[{name}]", [*terms, (factor, limit.slack)], low=amount)
    return limit


def _taken(model: Model, sets: IndexSets, want: Want, limit: Limit) -> None:
    """``sent + TAKEN flow slack >= TAKEN flow``: a source that gives nothing is not connected.

    ``sent`` is 0 of a source that is kept out whatever is built.
    """
    flow = sets.site.sources[want.name].flow
    sent: Terms = []
    if want.name in sets.sources and want.name not in kept_out(sets):
        given = [*collected(sets, want.name), *direct_mean(sets, want.name)]
        sent = [(factor, key) for factor, key in given if model.has(key)]
    least = TAKEN * flow
    model.row(f"taken[{want.name}]", [*sent, (least, limit.slack)], low=least)


def _wanted(model: Model, sets: IndexSets, want: Want) -> tuple[Terms, float, float]:
    """The expression, SI of it a unit of the want, and what of it exists already."""
    if want.kind in ("firm_clean", "firm_total"):
        kinds = ("clean",) if want.kind == "firm_clean" else CLASSES
        demands = sets.power_demands()
        return [term for d in demands for term in served(sets, d.name, kinds)], 1.0, 0.0
    if want.kind == "generated":
        terms = [term for d in sets.power_demands() for term in served(sets, d.name)]
        return terms + [t for bus in sets.buses() for t in own_load(sets, bus)], 1.0, 0.0
    if want.kind == "served":
        return served(sets, want.name), sets.site.demands[want.name].mean, 0.0
    if want.kind == "connect":
        known = model.has(("tap", want.name))
        return ([(1.0, ("tap", want.name))] if known else []), 1.0, 0.0
    if want.kind == "machines":
        groups = [
            g
            for g in sets.groups.values()
            if want.name in (g.name, g.type.name, f"{g.type.name}@{sets.site.ground(g.place)}")
        ]
        existing = float(sum(group.existing for group in groups))
        return [(1.0, ("count", group.name)) for group in groups], 1.0, existing
    if want.kind == "emission":
        return counted_emission(sets), 1.0, 0.0
    return money(sets, model), 1.0, 0.0
