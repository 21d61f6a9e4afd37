"""The cut list: pipe and insulation of every new run, with spares, and totals against stock."""

from __future__ import annotations

from dataclasses import dataclass

from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.loads import corridor_of, runs_of_kind

SPARES = 0.05
"""Share that is cut beyond what is laid; our choice, and a column of its own says so."""


@dataclass(frozen=True, slots=True)
class CutLine:
    """A layer of a run to cut, or (``kind`` total) all of a material in pipe.

    ``bore``, ``thickness`` and lengths in m, masses in kg. ``stock_left``: kg of the material that
    the whole plan leaves in stock, on totals; None without a stock or on other lines.
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


def cut_list(site: Network, plan: Plan, spares: float = SPARES) -> tuple[CutLine, ...]:
    """Layers of all new runs, by build and run, innermost first; then totals by material.

    A total says where the stock that is left does not cover the spares.
    """
    lines = [
        CutLine(
            kind="pipe" if number == 1 else "layer",
            build=run.build,
            run=corridor_of(site.routes[run.route]),
            start=site.ground(site.routes[run.route].start),
            end=site.ground(site.routes[run.route].end),
            fluid=run.fluid,
            layer=number,
            material=layer.material,
            bore=site.pipes[run.build].bore if number == 1 else None,
            thickness=layer.thickness,
            length=(length := site.routes[run.route].length),
            cut_length=length * (1.0 + spares),
            mass=layer.mass * length,
            cut_mass=layer.mass * length * (1.0 + spares),
            stock_left=None,
            note="",
        )
        for run in sorted(
            runs_of_kind(site, plan, "pipe"), key=lambda run: list(site.pipes).index(run.build)
        )
        if run.new
        for number, layer in enumerate(site.pipes[run.build].layers, 1)
    ]
    return (*lines, *_totals(plan, lines))


def _totals(plan: Plan, lines: list[CutLine]) -> list[CutLine]:
    totals = []
    for use in plan.materials:
        of_it = [line for line in lines if line.material == use.name]
        if not of_it:
            continue
        mass, cut = sum(line.mass for line in of_it), sum(line.cut_mass for line in of_it)
        left = None if use.stock is None else max(0.0, use.stock - use.used)
        short = 0.0 if left is None else cut - mass - left
        note = f"{short:.3g} kg of the spares are not in stock" if short > 1e-6 * cut else ""
        totals.append(
            CutLine(
                kind="total",
                build="",
                run="",
                start="",
                end="",
                fluid="",
                layer=0,
                material=use.name,
                bore=None,
                thickness=None,
                length=sum(line.length for line in of_it),
                cut_length=sum(line.cut_length for line in of_it),
                mass=mass,
                cut_mass=cut,
                stock_left=left,
                note=note,
            )
        )
    return totals
