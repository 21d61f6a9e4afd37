"""What a user sets for a run of planning."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from allocator.base.numbers_given import check_number, check_whole
from allocator.plans.records import NOTHING, Plan, Robustness
from allocator.site.records import Site


@dataclass(frozen=True, slots=True)
class Lift:
    """A limit to be raised by a step, to see what a plan gains.

    Parameters
    ----------
    kind
        ``"stock"``, or another kind of limit that ``allocator plan --lift`` lists.
    name
        Whose limit, such as a material.
    step
        By how much, in SI.

    Examples
    --------
    >>> import allocator as al
    >>> more = al.Lift("stock", "steel", 250.0)
    >>> result = al.plan("networks/first.yaml", node_limit=1000, lifts=[more])
    >>> [price.name for price in result.plan.prices if price.gain is not None]
    ['steel']
    """

    kind: str
    name: str
    step: float


LARGEST_SEED = 2**31 - 1
EFFORTS = ("quick", "normal", "thorough")


@dataclass(frozen=True, slots=True)
class Settings:
    """The settings of :func:`allocator.plan` as one record, for studies.

    Parameters
    ----------
    basis, time_limit, gap, seed, threads, solver, node_limit, effort, prices, lifts, alternatives,
    workers
        As the keywords of :func:`allocator.plan`.
    withstands
        What the firm promise must hold against: its keywords ``lose``, ``robust`` and
        ``lose_machines``.
    start
        A plan of this site, or of an older file of it, to begin from.
    loss
        Share of the first goal that an alternative may lose: its keyword ``within``.
    breaches
        What stands against a plan, in words, as the audit finds it: where there is anything, the
        best plan found on the way that has none is taken. Set by :func:`allocator.plan`.
    keep
        A former plan of which as little as possible is changed, once what is served is found.
    keep_weight
        Share of what ``keep`` serves that may be given up to keep all of it.

    Raises
    ------
    ValueError
        A value that cannot be.

    Examples
    --------
    >>> import allocator as al
    >>> al.Settings(basis="mean", node_limit=100).time_limit
    60.0
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
    robustness: Robustness = NOTHING
    effort: str = "normal"
    start: Plan | None = None
    alternatives: int = 1
    loss: float = 0.05
    breaches: Callable[[Site, Plan], tuple[str, ...]] | None = None
    keep: Plan | None = None
    keep_weight: float = 0.0
    workers: int = 1

    def __post_init__(self) -> None:
        if self.basis not in ("firm", "mean"):
            raise ValueError(f"basis must be 'firm' or 'mean' (got {self.basis!r})")
        if self.effort not in EFFORTS:
            raise ValueError(f"effort must be one of {', '.join(EFFORTS)} (got {self.effort!r})")
        if not (isinstance(self.solver, str) and self.solver):
            raise ValueError(f"solver must be a name, such as 'highs' (got {self.solver!r})")
        check_whole("workers", self.workers, 1)
        check_whole("alternatives", self.alternatives, 1)
        check_whole("seed", self.seed, 0, LARGEST_SEED)
        for name in ("loss", "keep_weight", "time_limit", "gap"):
            check_number(name, getattr(self, name))
        if not 0 <= self.loss < 1:
            raise ValueError(f"loss must be from 0 up to 1 (got {self.loss!r})")
        if not 0 <= self.keep_weight < 1:
            raise ValueError(f"keep_weight must be from 0 up to 1 (got {self.keep_weight!r})")
        if not self.time_limit > 0:
            raise ValueError(f"time limit must be above 0 s (got {self.time_limit!r})")
        if not 0 <= self.gap < 1:
            raise ValueError(f"gap must be from 0 up to 1 (got {self.gap!r})")
        if self.threads is not None:
            check_whole("threads", self.threads, 1)
        if self.node_limit is not None:
            check_whole("node_limit", self.node_limit, 1)
        asked = self.robustness
        check_whole("lose", asked.lost, 0)
        check_whole("robust", asked.low, 0)
        check_whole("lose_machines", asked.machines, 0)
        if asked.of_sources and self.basis != "firm":
            raise ValueError("lost and low sources need the firm basis: averages hold no margin")
        if asked.machines and self.basis != "firm":
            raise ValueError("lost machines need the firm basis: averages are not firm")
