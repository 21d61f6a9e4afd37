"""Rules of the collect layer: everything on at once, from sources to destinations."""

from __future__ import annotations

from allocator.planning.choices import Choices
from allocator.planning.expressions import arrivals, collected, direct_peak
from allocator.planning.rules.margin import TIGHT
from allocator.planning.statement import Statement, Terms


def source_capacity(statement: Statement, choices: Choices) -> None:
    """``sum_k r[s,k] + sum_j peak_j direct[s,j] <= flow_s tap_s``, and ``<= pump rate``."""
    for name in choices.sources:
        source = choices.site.sources[name]
        sent = collected(choices, name) + direct_peak(choices, name)
        if not sent:
            continue
        most = source.flow
        if source.pump is not None and source.pump.rate is not None:
            most = min(most, source.pump.rate)
        statement.row(f"source_capacity[{name}]", [*sent, (-most * TIGHT, ("tap", name))], high=0.0)


def collect_balance(statement: Statement, choices: Choices) -> None:
    """At every place v but the destination's: what its sources send to k plus what arrives

    for k equals what leaves for k. At the destination all ends: no arc leaves it.
    """
    for k, destination in choices.destinations.items():
        balance: dict[str, Terms] = {}
        for name in choices.sources:
            if k in choices.reach[name]:
                place = choices.site.sources[name].place
                balance.setdefault(place, []).append((1.0, ("collect", name, k)))
        for arc in choices.arcs.get(destination.fluid, ()):
            key = ("gather", arc.route, arc.start, k)
            if statement.has(key):
                balance.setdefault(arc.start, []).append((-1.0, key))
                balance.setdefault(arc.end, []).append((1.0, key))
        for place, terms in balance.items():
            if place != destination.place:
                statement.row(f"collect_balance[{k},{place}]", terms, low=0.0, high=0.0)


def fill_rate(statement: Statement, choices: Choices) -> None:
    """``sum_s r[s,k] + inflow_k <= fill rate`` of a store."""
    for k, destination in choices.destinations.items():
        store = destination.store
        if store is None or store.type.fill_rate is None:
            continue
        statement.row(
            f"fill_rate[{store.name}]",
            [*arrivals(choices, k), (1.0, ("inflow", store.name))],
            high=store.type.fill_rate * TIGHT,
        )
