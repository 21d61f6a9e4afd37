"""How the pipe of new runs is cut out of the lengths in which it is delivered."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from allocator.network.records import Network
from allocator.plans.records import Plan, Run
from allocator.report.loads import corridor_of, runs_of_kind
from allocator.solver.cutting import CutPlan, fewest_lengths

MILLIMETRES = 1000
"""Runs are cut to whole millimetres: nobody cuts pipe closer."""


@dataclass(frozen=True, slots=True)
class RunPieces:
    """A run as whole delivered lengths and a rest, mm; ``joints`` between its own pieces."""

    run: Run
    full: int
    rest: int

    @property
    def joints(self) -> int:
        """Joints along the run."""
        return self.full + (self.rest > 0) - 1


@dataclass(frozen=True, slots=True)
class PipeCutting:
    """All runs of a pipe type that is delivered in lengths of ``length`` mm.

    ``saw_cut``: mm that a cut takes. ``rests``: how the rests of the runs are cut.
    """

    build: str
    length: int
    saw_cut: int
    runs: tuple[RunPieces, ...]
    rests: CutPlan

    @property
    def lengths(self) -> int:
        """Delivered lengths that are needed, whole and cut up."""
        return sum(pieces.full for pieces in self.runs) + self.rests.count

    @property
    def waste(self) -> int:
        """mm that are off-cuts or sawn away."""
        laid = sum(pieces.full * self.length + pieces.rest for pieces in self.runs)
        return self.lengths * self.length - laid

    @property
    def proof(self) -> str:
        """How good the cutting is, in words."""
        over = self.rests.count - self.rests.bound
        if not over:
            return "proven: fewest lengths"
        return f"at most {over} more than the fewest lengths"


def pipe_cuttings(site: Network, plan: Plan) -> tuple[PipeCutting, ...]:
    """The cutting of each pipe type that has a ``stock_length``, in the order of the site file."""
    found = []
    runs = [run for run in runs_of_kind(site, plan, "pipe") if run.new]
    for name, build in site.pipes.items():
        mine = [run for run in runs if run.build == name]
        if build.stock_length is None or not mine:
            continue
        length = math.floor(build.stock_length * MILLIMETRES + 1e-6)
        pieces = tuple(
            RunPieces(run, *divmod(max(1, round(site.routes[run.route].length * 1000)), length))
            for run in mine
        )
        rests = [one.rest for one in pieces if one.rest]
        wanted = {rest: rests.count(rest) for rest in rests}
        saw_cut = math.ceil(build.saw_cut * MILLIMETRES - 1e-6)
        rests_cut = fewest_lengths(wanted, length, saw_cut)
        found.append(PipeCutting(name, length, saw_cut, pieces, rests_cut))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Cuts:
    """Lengths cut in one way: ``pieces`` in mm with the runs that they are for.

    ``sawn``: mm that the cuts of one length take, the one that frees the off-cut with them.
    """

    count: int
    pieces: tuple[tuple[int, tuple[str, ...]], ...]
    sawn: int


def cuts_of(site: Network, cutting: PipeCutting) -> tuple[Cuts, ...]:
    """The ways in which lengths are cut, each piece with its run: of several, in their order."""
    waiting: dict[int, list[str]] = {}
    for one in cutting.runs:
        if one.rest:
            name = corridor_of(site.routes[one.run.route])
            waiting.setdefault(one.rest, []).append(f"{name} ({one.run.fluid})")
    found = []
    for pattern in cutting.rests.patterns:
        pieces = _named(pattern.pieces, pattern.count, waiting)
        left = cutting.length - sum(size for size, _ in pieces)
        sawn = min(left, len(pieces) * cutting.saw_cut)
        found.append(Cuts(pattern.count, pieces, sawn))
    return tuple(found)


def _named(
    pieces: Mapping[int, int], count: int, waiting: dict[int, list[str]]
) -> tuple[tuple[int, tuple[str, ...]], ...]:
    named: list[tuple[int, Sequence[str]]] = []
    for size, number in pieces.items():
        mine, waiting[size] = waiting[size][: number * count], waiting[size][number * count :]
        named += [(size, mine[k::number]) for k in range(number)]
    return tuple((size, tuple(names)) for size, names in named)
