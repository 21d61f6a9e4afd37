"""What a user sets for a run of planning."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from allocator.plans.records import NOTHING, Plan, Withstands
from allocator.site.records import Site


@dataclass(frozen=True, slots=True)
class Lift:
    """A limit to be lifted by a step (SI) to see what a plan gains: ``kind`` such as ``stock``."""

    kind: str
    name: str
    step: float


EFFORTS = ("quick", "normal", "thorough")


@dataclass(frozen=True, slots=True)
class Settings:
    """``basis``: ``firm`` or ``mean``. ``time_limit``: s for everything. ``gap``: relative.

    ``threads``: of the solver, in this process alone; None is one, which keeps answers byte-same,
    and a process beside for the bound where there is a time limit and a second core.
    ``solver``: of integer programs, ``highs`` or another that PuLP finds, such as ``cbc``; linear
    programs are solved by HiGHS. ``node_limit``: search nodes a
    solve; with it the time limit is not used, so that the answer depends on the site and the seed
    alone.
    ``prices``: work out what one more of each limit is worth; ``lifts``: steps to plan anew with.
    ``withstands``: what the firm promise must hold against.
    ``effort``: ``quick``, ``normal`` or ``thorough``: how many starts a search by paths makes.
    ``alternatives``: plans in all, which differ in what is laid; each keeps all but the share
    ``loss`` of the first goal. ``start``: a plan of this site, or of an older file of it, to
    begin from. ``breaches``: what stands against a plan, in words, as the audit finds it: where
    there is anything, the best plan of the way there that has none is taken.
    """

    basis: str = "firm"
    time_limit: float = 60.0
    gap: float = 1e-4
    seed: int = 0
    threads: int | None = None
    solver: str = "highs"
    node_limit: int | None = None
    prices: bool = False
    lifts: tuple[Lift, ...] = ()
    withstands: Withstands = NOTHING
    effort: str = "normal"
    start: Plan | None = None
    alternatives: int = 1
    loss: float = 0.05
    breaches: Callable[[Site, Plan], tuple[str, ...]] | None = None

    def __post_init__(self) -> None:
        if self.basis not in ("firm", "mean"):
            raise ValueError(f"basis must be 'firm' or 'mean' (got {self.basis!r})")
        if self.effort not in EFFORTS:
            raise ValueError(f"effort must be one of {', '.join(EFFORTS)} (got {self.effort!r})")
        if self.alternatives < 1:
            raise ValueError(f"alternatives must be 1 or more (got {self.alternatives!r})")
        if not 0 <= self.loss < 1:
            raise ValueError(f"loss must be from 0 up to 1 (got {self.loss!r})")
        if not self.time_limit > 0:
            raise ValueError(f"time limit must be above 0 s (got {self.time_limit!r})")
        if not 0 <= self.gap < 1:
            raise ValueError(f"gap must be from 0 up to 1 (got {self.gap!r})")
        if self.threads is not None and self.threads < 1:
            raise ValueError(f"threads must be 1 or more (got {self.threads!r})")
        if self.node_limit is not None and self.node_limit < 1:
            raise ValueError(f"node limit must be 1 or more (got {self.node_limit!r})")
        if min(self.withstands.lost, self.withstands.low) < 0:
            raise ValueError(f"lost and low sources must be 0 or more (got {self.withstands!r})")
        if self.withstands.anything and self.basis != "firm":
            raise ValueError("averages withstand nothing: plan on the firm basis")
