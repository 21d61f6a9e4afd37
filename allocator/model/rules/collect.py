"""Rules of the collect layer: everything on at once, from sources to destinations."""

from __future__ import annotations

from allocator.model.expressions import (
    arrivals,
    collected,
    direct_peak,
    drawn_at_most,
    scaled,
)
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model, Terms


def source_capacity(model: Model, sets: IndexSets) -> None:
    """``sum_k r[s,k] + sum_j peak_j direct[s,j] <= flow_s tap_s``, and ``<= pump rate``.

    What is drawn out of its chamber goes through the same pump and is summed with it. A promise
    that withstands low sources takes ``direct / (1 - delta_s)``: at its low end a source then
    gives all of that, and all else its share. One that withstands lost sources takes none, but of
    a source that is sure.
    """
    robustness = sets.robustness
    for name in sets.sources:
        source = sets.site.sources[name]
        if source.part_of:
            continue
        reliable = 1.0 - sets.may_miss(name) if robustness.low > 0 else 1.0
        direct = direct_peak(sets, name)
        if robustness.lost > 0 and direct and not source.reliable:
            model.row(f"nothing_direct[{name}]", direct, high=0.0)
        sent = collected(sets, name) + [(peak / reliable, key) for peak, key in direct]
        for part in sets.site.parts_of(name):
            sent += drawn_at_most(sets, part)
        if not sent:
            continue
        most = source.flow
        if source.pump is not None and source.pump.rate is not None:
            most = min(most, source.pump.rate)
        model.row(f"source_capacity[{name}]", [*sent, (-most, ("tap", name))], high=0.0)


def chamber_mean(model: Model, sets: IndexSets) -> None:
    """``sum_i duty_i r_i <= duty_s flow_s tap_s``: the chamber cut of an endless window.

    i: the source s as its gas comes, and what is drawn out of its chamber through pauses
    (:mod:`allocator.model.chambers`). A promise that withstands lost or low sources does not
    count with chambers: nothing is drawn through pauses then.
    """
    for name in sets.sources:
        parts = [part for part in sets.site.parts_of(name) if part in sets.curves]
        drawn = [term for part in parts for term in drawn_at_most(sets, part)]
        if not drawn:
            continue
        if sets.robustness.of_sources:
            model.row(f"nothing_through_chamber[{name}]", drawn, high=0.0)
            continue
        flow, duty = sets.site.sources[name].flow, sets.curves[name].duty
        terms: Terms = [(-flow * duty, ("tap", name))]
        for one in (name, *parts):
            terms += scaled(drawn_at_most(sets, one), sets.curves[one].duty)
        model.row(f"chamber_mean[{name}]", terms, high=0.0)


def collect_balance(model: Model, sets: IndexSets) -> None:
    """At every place v but p, for each fluid and each place p where it is delivered: what the

    sources at v send to destinations at p, plus what arrives bound for p, equals what leaves
    bound for p. Destinations at one place share one commodity: a pipe does not ask which of them
    its gas is for. No arc leaves p with gas bound for p.
    """
    for fluid in sets.arcs:
        for end in sets.ends(fluid):
            balance = _sent_to(sets, fluid, end)
            for arc in sets.arcs[fluid]:
                key = ("gather", arc.route, arc.start, fluid, end)
                if model.has(key):
                    balance.setdefault(arc.start, []).append((-1.0, key))
                    balance.setdefault(arc.end, []).append((1.0, key))
            for place, terms in balance.items():
                if place != end:
                    model.row(f"collect_balance[{fluid},{end},{place}]", terms, low=0, high=0)


def _sent_to(sets: IndexSets, fluid: str, end: str) -> dict[str, Terms]:
    sent: dict[str, Terms] = {}
    for name in sets.sources:
        place = sets.site.sources[name].place
        for k in sets.reach[name]:
            destination = sets.destinations[k]
            if destination.fluid == fluid and destination.place == end:
                sent.setdefault(place, []).append((1.0, ("collect", name, k)))
    return sent


def fill_rate(model: Model, sets: IndexSets) -> None:
    """``sum_s r[s,k] + inflow_k <= fill rate`` of a store."""
    for k, destination in sets.destinations.items():
        store = destination.store
        if store is None or store.type.fill_rate is None:
            continue
        model.row(
            f"fill_rate[{store.name}]",
            [*arrivals(sets, k), (1.0, ("inflow", store.name))],
            high=store.type.fill_rate,
        )
