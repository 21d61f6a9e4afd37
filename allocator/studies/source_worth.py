"""What each source is worth: its flow, what it promises with a store, what it carries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations

from allocator.cycles import Curve, curve_of, curve_of_timing, draw_for_store, store_value
from allocator.cycles.chambers import full_rates, on_times
from allocator.network.deriving import network_of
from allocator.network.records import Network, Outflow
from allocator.site.chambers import held
from allocator.site.clocks import timing_at_any_phase
from allocator.site.records import MachineType, Site
from allocator.studies.load_factor import load_factor_of
from allocator.studies.store_room import StoreRoom, store_room

Inflows = Sequence[tuple[Curve, float]]
"""Curves with kg/s while each is on."""


@dataclass(frozen=True, slots=True)
class CarriedUnits:
    """How many machines of a type something carries, whole or not.

    ``mean``: on the mean flow; ``firm``: on the firm draw; ``at_load_factor``: on the mean flow
    when each machine runs at the site's load factor.
    """

    machine: str
    mean: float
    firm: float
    at_load_factor: float


@dataclass(frozen=True, slots=True)
class SourceRow:
    """One source, SI: ``flow`` while on, ``mean_flow`` by the exact duty, kg/s.

    ``longest_quiet``: s. ``full_store``: kg, the least store (without loss) that makes all of
    the mean firm. ``store``: kg, the largest store that the site could build for it, or a smaller
    one that promises more, as a store loses the less.
    ``firm_draw``: kg/s available at all times with that store. ``per_store``: kg/s of firm
    draw that one more kg of store adds. Where a pump draws on a chamber, mean and firm draw
    count with what it draws through pauses; ``duty`` and ``longest_quiet`` are the source's own.
    """

    source: str
    place: str
    fluid: str
    flow: float
    duty: float
    rule_of_thumb_duty: float
    mean_flow: float
    longest_quiet: float
    full_store: float
    store: float
    firm_draw: float
    per_store: float
    carries: tuple[CarriedUnits, ...]


@dataclass(frozen=True, slots=True)
class FluidRow:
    """All sources of one fluid, kg/s: ``apart`` is the sum of what each promises with an equal

    share of the store that the site could build, and of its rates, ``together`` what all
    promise with one shared store of that size: it needs less, for not all worst spells are
    equally long.
    """

    fluid: str
    sources: int
    mean_flow: float
    store: float
    apart: float
    together: float
    carries: tuple[CarriedUnits, ...]


def source_rows(site: Site) -> list[SourceRow]:
    """A row for every source of a site, in file order; see :class:`SourceRow`.

    Only sources at places that are not excluded are listed. The firm draw is exact for the one
    source with the one store (see :mod:`allocator.cycles.firm`), and no less than what is said
    where it draws on a chamber of several stages; pipes are not looked at.
    """
    site = network_of(site)
    factor = load_factor_of(site)
    return [_source_row(site, source, factor) for source in usable_sources(site)]


def fluid_rows(site: Site) -> list[FluidRow]:
    """A row for every fluid that has two sources or more; see :class:`FluidRow`."""
    site = network_of(site)
    factor = load_factor_of(site)
    groups: dict[str, list[Outflow]] = {}
    for source in usable_sources(site):
        groups.setdefault(source.fluid, []).append(source)
    return [
        _fluid_row(site, fluid, members, factor)
        for fluid, members in groups.items()
        if len(members) > 1
    ]


def usable_sources(site: Network) -> Iterable[Outflow]:
    """Sources of the file at places that are not excluded, in file order."""
    excluded = site.limits.excluded_places
    return [source for source in site.own_sources.values() if source.place not in excluded]


def _source_row(site: Network, source: Outflow, factor: float) -> SourceRow:
    curve = _curve(site, source)
    room = store_room(site, source.fluid, source.place)
    inflows = inflows_of(site, source, room)
    store, draw, more = best_draw(inflows, room)
    mean = sum(flow * part.duty for part, flow in inflows)
    return SourceRow(
        source.name,
        site.ground(source.place),
        source.fluid,
        _flow(source),
        curve.duty,
        curve.pattern.rule_of_thumb,
        mean,
        curve.pattern.longest_quiet,
        # the largest lag of tau behind its mean is what a store must bridge (network calculus)
        sum(flow * part.sigma for part, flow in inflows),
        store,
        draw,
        more,
        carried(site.machines, source.fluid, mean, draw, factor),
    )


def _fluid_row(site: Network, fluid: str, members: list[Outflow], factor: float) -> FluidRow:
    room = store_room(site, fluid)
    each = room.share(1.0 / len(members))
    alone = [inflows_of(site, source, each) for source in members]
    apart = sum(firm_draw(mine, each)[1] for mine in alone)
    inflows = [inflow for mine in alone for inflow in mine]
    store, together = firm_draw(inflows, room)
    mean = sum(flow * curve.duty for curve, flow in inflows)
    carries = carried(site.machines, fluid, mean, together, factor)
    return FluidRow(fluid, len(members), mean, store, apart, together, carries)


def _flow(source: Outflow) -> float:
    """What can be had while on, kg/s: the flow, or what the pump moves."""
    if source.pump is None or source.pump.rate is None:
        return source.flow
    return min(source.flow, source.pump.rate)


def _curve(site: Network, source: Outflow) -> Curve:
    """What is sure of one source alone: its known phase gives no more for ever than any phase."""
    return curve_of_timing(timing_at_any_phase(site, source))


def inflows_of(site: Network, source: Outflow, room: StoreRoom) -> list[tuple[Curve, float]]:
    """What a source gives while it is on, and through pauses out of its chamber.

    Rates through pauses are set as high as can be one after the other, in the order of stages
    with which the store makes most of them.
    """
    parts = site.parts_of(source.name)
    if not parts:
        return [(_curve(site, source), _flow(source))]
    patterns = tuple(site.sources[one].stages for one in (source.name, *parts))
    on, kept = on_times(patterns), held(site, source)
    found = []
    for order in permutations(range(1, len(patterns))):
        rates = full_rates(on, source.flow, _flow(source), kept, (*order, 0))
        inflows = [(curve_of(p), r) for p, r in zip(patterns, rates, strict=True) if r > 0]
        found.append((firm_draw(inflows, room)[1], inflows))
    return max(found, key=lambda each: each[0])[1]


def best_draw(inflows: Inflows, room: StoreRoom) -> tuple[float, float, float]:
    """The store used, kg, the firm draw, kg/s, and what one more kg of store adds."""
    size, draw = firm_draw(inflows, room)
    passing, stored = _parts(inflows, room)
    if not stored:
        return size, draw, 0.0
    more = max(0.0, store_value(stored, size, loss=room.loss))
    limit = room.release_rate if room.size > 0 else None
    return size, draw, 0.0 if limit is not None and draw - passing >= limit else more


def firm_draw(inflows: Inflows, room: StoreRoom) -> tuple[float, float]:
    """The store used, kg, and the firm draw, kg/s.

    What is always on needs no store and passes it by. Where a store loses more than the last of
    its size adds, a smaller one is better: the draw is concave in the size, so the best is
    found by halving.
    """
    passing, stored = _parts(inflows, room)
    if not stored:
        return room.size, passing
    size = room.size
    if room.loss > 0 and store_value(stored, size, loss=room.loss) <= 0:
        low, high = 0.0, size
        for _ in range(60):
            middle = (low + high) / 2
            if store_value(stored, middle, loss=room.loss) > 0:
                low = middle
            else:
                high = middle
        draws = {kg: draw_for_store(stored, kg, loss=room.loss) for kg in room.sizes_near(low)}
        size = max(draws, key=lambda kg: (draws[kg], -kg))
    draw = draw_for_store(stored, size, loss=room.loss)
    if room.size > 0 and room.release_rate is not None:
        draw = min(draw, room.release_rate)
    return size, passing + draw


def _parts(inflows: Inflows, room: StoreRoom) -> tuple[float, list[tuple[Curve, float]]]:
    """kg/s that are always on, and what else there is, as far as a store takes it in."""
    passing = sum(flow for curve, flow in inflows if curve.pattern.steady)
    stored = [(curve, flow) for curve, flow in inflows if not curve.pattern.steady]
    arriving = sum(flow for _, flow in stored)
    if room.size > 0 and room.fill_rate is not None and arriving > room.fill_rate:
        stored = [(curve, flow * room.fill_rate / arriving) for curve, flow in stored]
    return passing, stored


def carried(
    machines: Mapping[str, MachineType], fluid: str, mean: float, firm: float, factor: float
) -> tuple[CarriedUnits, ...]:
    """How many generators of each type that takes a fluid its flows carry.

    ``mean``, ``firm``: kg/s. ``factor``: share of full load at which the machines run.
    """
    return tuple(
        CarriedUnits(machine.name, mean / rate, firm / rate, mean / (rate * factor))
        for machine in machines.values()
        if machine.power_out > 0 and (rate := machine.inputs.get(fluid, 0.0)) > 0
    )
