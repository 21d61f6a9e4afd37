"""The cut list: pipe and insulation of every new run, with spares, and totals against stock."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from allocator.network.records import Network
from allocator.plans.records import MaterialUse, Plan
from allocator.report.handover.cutting import MILLIMETRES, PipeCutting, pipe_cuttings
from allocator.report.loads import corridor_of, runs_of_kind
from allocator.report.tags import valve_tags, valves_of_runs

SPARES = 0.05
"""Share that is cut beyond what is laid; our choice, and a column of its own says so."""


@dataclass(frozen=True, slots=True)
class CutLine:
    """A layer of a run to cut, all pipe of a type (``kind`` order), or a material (total).

    ``bore``, ``thickness`` and lengths in m, masses in kg. ``stock_left``: kg of the material that
    the whole plan leaves in stock with spares and off-cuts, on totals; None without a stock or on
    other lines.
    ``stock_length``: m that the pipe is delivered in; on pipe ``full_lengths`` of them are laid
    whole and ``rest`` m cut; ``joints`` along the run. On orders ``lengths`` are needed, ``spare``
    more of them ordered, and ``waste`` m cut off. ``off_cut_mass``: kg of a material that are
    off-cuts, on totals. ``valves``: tags at the two ends. ``cut_length`` and ``cut_mass``:
    with spares, which of pipe that comes in lengths are whole lengths, on its order alone.
    """

    kind: str
    build: str
    run: str
    start: str
    end: str
    fluid: str
    layer: int
    material: str
    bore: float | None
    thickness: float | None
    length: float
    cut_length: float
    mass: float
    cut_mass: float
    stock_left: float | None
    note: str
    valves: tuple[str, ...] = ()
    stock_length: float | None = None
    full_lengths: int | None = None
    rest: float | None = None
    joints: int | None = None
    lengths: int | None = None
    spare: int | None = None
    waste: float | None = None
    off_cut_mass: float = 0.0


def cut_list(site: Network, plan: Plan, spares: float = SPARES) -> tuple[CutLine, ...]:
    """Layers of all new runs, by build and run, innermost first; orders by pipe; totals.

    A total says where the stock that is left does not cover spares and off-cuts.
    """
    cuttings = pipe_cuttings(site, plan)
    pieces = {id(one.run): (c, one) for c in cuttings for one in c.runs}
    valves = valves_of_runs(site, plan, valve_tags(site, plan))
    builds = list(site.pipes)
    lines = []
    runs = [run for run in runs_of_kind(site, plan, "pipe") if run.new]
    for run in sorted(runs, key=lambda run: builds.index(run.build)):
        route = site.routes[run.route]
        start, end = site.ground(route.start), site.ground(route.end)
        for number, layer in enumerate(site.pipes[run.build].layers, 1):
            line = CutLine(
                kind="pipe" if number == 1 else "layer",
                build=run.build,
                run=corridor_of(route),
                start=start,
                end=end,
                fluid=run.fluid,
                layer=number,
                material=layer.material,
                bore=site.pipes[run.build].bore if number == 1 else None,
                thickness=layer.thickness,
                length=route.length,
                cut_length=route.length * (1.0 + spares),
                mass=layer.mass * route.length,
                cut_mass=layer.mass * route.length * (1.0 + spares),
                stock_left=None,
                note="",
                valves=valves.get((run.route, run.fluid), ()),
            )
            if number == 1 and id(run) in pieces:
                cutting, own = pieces[id(run)]
                line = replace(
                    line,
                    stock_length=cutting.length / MILLIMETRES,
                    full_lengths=own.full,
                    rest=own.rest / MILLIMETRES,
                    joints=own.joints,
                    cut_length=line.length,
                    cut_mass=line.mass,
                )
            lines.append(line)
    orders = [_order(site, build, lines, cuttings, spares) for build in site.pipes]
    found = [order for order in orders if order is not None]
    totals = [_total(site, use, lines, found) for use in plan.materials]
    return (*lines, *found, *(total for total in totals if total is not None))


_TOTAL = CutLine("", "", "", "", "", "", 0, "", None, None, 0.0, 0.0, 0.0, 0.0, None, "")


def _order(
    site: Network,
    build: str,
    lines: list[CutLine],
    cuttings: tuple[PipeCutting, ...],
    spares: float,
) -> CutLine | None:
    """All new pipe of a type; with the lengths to order where it is delivered in lengths."""
    mine = [line for line in lines if line.build == build]
    if not mine:
        return None
    pipes = [line for line in mine if line.layer == 1]
    order = replace(
        _TOTAL,
        kind="order",
        build=build,
        bore=site.pipes[build].bore,
        length=math.fsum(line.length for line in pipes),
        cut_length=math.fsum(line.cut_length for line in pipes),
        mass=math.fsum(line.mass for line in mine),
        cut_mass=math.fsum(line.cut_mass for line in mine),
    )
    for cutting in cuttings:
        if cutting.build == build:
            spare = math.ceil(spares * cutting.lengths - 1e-9)
            more = spare * cutting.length / MILLIMETRES
            order = replace(
                order,
                note=cutting.proof,
                stock_length=cutting.length / MILLIMETRES,
                joints=sum(one.joints for one in cutting.runs),
                lengths=cutting.lengths,
                spare=spare,
                waste=cutting.waste / MILLIMETRES,
                cut_length=order.cut_length + more,
                cut_mass=order.cut_mass + site.pipes[build].layers[0].mass * more,
            )
    return order


def _total(
    site: Network, use: MaterialUse, lines: list[CutLine], orders: list[CutLine]
) -> CutLine | None:
    of_it = [line for line in lines if line.material == use.name]
    if not of_it:
        return None
    in_lengths = [
        (order, layer.mass)
        for order in orders
        for layer in site.pipes[order.build].layers[:1]
        if order.lengths is not None and layer.material == use.name
    ]
    more = [(order.spare or 0) * (order.stock_length or 0.0) for order, _ in in_lengths]
    more_mass = [length * per for length, (_, per) in zip(more, in_lengths, strict=True)]
    wasted = math.fsum(per * (order.waste or 0.0) for order, per in in_lengths)
    mass = math.fsum(line.mass for line in of_it)
    cut = math.fsum([*(line.cut_mass for line in of_it), *more_mass])
    left = None if use.stock is None else max(0.0, use.stock - use.used)
    short = 0.0 if left is None else cut + wasted - mass - left
    what = "spares and off-cuts" if wasted else "spares"
    return replace(
        _TOTAL,
        kind="total",
        material=use.name,
        length=math.fsum(line.length for line in of_it),
        cut_length=math.fsum([*(line.cut_length for line in of_it), *more]),
        mass=mass,
        cut_mass=cut,
        stock_left=None if left is None else max(0.0, -short),
        note=f"{short:.3g} kg of the {what} are not in stock" if short > 1e-6 * cut else "",
        off_cut_mass=wasted,
    )
