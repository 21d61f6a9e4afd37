"""Something that is done again only when much longer than it took has passed."""

from __future__ import annotations

import time
from collections.abc import Callable

from allocator.search.paths.network import Candidate
from allocator.search.strategy.budgets import NARROWED


class Seldom:
    """Does something at the first call, and again when a multiple of what it took has passed.

    ``once``: at the first call alone, where what comes out may not depend on seconds.
    """

    def __init__(self, act: Callable[[Candidate], None], once: bool) -> None:
        self._act = act
        self._once = once
        self._due: float | None = None

    def __call__(self, candidate: Candidate, note: str = "") -> None:
        """Act on a candidate, where it is due."""
        del note
        began = time.perf_counter()
        if self._due is not None and (self._once or began < self._due):
            return
        self._act(candidate)
        ended = time.perf_counter()
        self._due = ended + NARROWED.accepting_again * (ended - began)
