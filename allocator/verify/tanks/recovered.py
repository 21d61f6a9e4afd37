"""Power that coolers make of the heat of bursts, beyond what is promised of steady gas.

A burst passes its cooler while its source is on, so this power is a rate on the source's clock.
It comes to the bus first and machines serve what is left. Counted is no more than the bus can
always use: where all bursts at once give more than it wants at its least, all count in proportion.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from allocator.verify.case import Case
from allocator.verify.cooler_heat import burst_heat
from allocator.verify.tanks.circuit import Rate


def recovered_power(
    case: Case, buses: Mapping[str, int], wants: tuple[Rate, ...], drawn: Collection[str]
) -> tuple[Rate, ...]:
    """W into each bus by clocks of sources; ``wants``: W that each could use beyond its promise.

    Sources ``drawn`` on through a chamber are left out: nobody knows how warm their gas still is.
    """
    found: list[dict[str, float]] = [{} for _ in wants]
    for run in case.plan.runs:
        route = case.site.routes[run.route]
        if route.stream is None or route.stream.kind != "cooler":
            continue
        cooler = case.site.coolers[route.stream.corridor]
        bus = buses.get(case.bus(route.start))
        if cooler.recovery <= 0 or bus is None:
            continue
        for source, heat in burst_heat(case, run, cooler).items():
            if source not in drawn and not case.site.sources[source].part_of:
                found[bus][source] = found[bus].get(source, 0.0) + cooler.recovery * heat
    return tuple(_fitting(case, want, mine) for want, mine in zip(wants, found, strict=True))


def _fitting(case: Case, want: Rate, mine: Mapping[str, float]) -> Rate:
    most = sum(mine.values())
    if most <= 0:
        return Rate()
    least = want.steady
    least += sum(w * case.least(name.removeprefix("shape:")) for name, w in want.terms)
    share = min(1.0, max(0.0, least) / most)
    return Rate(0.0, tuple((name, share * power) for name, power in mine.items()))
