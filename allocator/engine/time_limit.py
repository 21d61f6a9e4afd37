"""How a time limit is shared between the search and what comes after it.

After the search come the audit, the gain from known clocks, the set-points with a short proof, and
the writing. Time for them is kept aside beforehand; what a plan can do without is left out where it
would end later than :func:`latest_end`.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

from allocator.base.clock import crowding

AFTERWARDS = 0.04
"""Share of a time limit that is left for the audit, the proof and the writing."""
AFTERWARDS_SHORT, AFTERWARDS_SECONDS = 0.16, 1.0
"""Where that is little: this share, but no more than so many seconds."""
SECONDS_A_SOURCE = 0.006
"""For the same, on large sites: s a source."""
CLOCKS, CLOCKS_SECONDS = 0.1, 6.0
"""Share of a time limit, and seconds at most, for the gain from known clocks on top of it."""
LATE, LATE_SECONDS = 0.05, 2.0
"""A command may end later than its limit by this share of it, or by so many seconds."""
LEAST_SECONDS = 0.5
"""For planning, however long the reading took."""
PROOF_SECONDS = 2.0
"""What a short proof takes on a small site."""
COMPILING_SECONDS = 16.0
"""What it takes more where its loops are not compiled yet."""
WRITING_SECONDS = 0.3
"""What the files of a plan take."""
AFTER_INTERRUPT = 5.0
"""Seconds after Ctrl-C in which what a plan can do without must end."""


def seconds_for_search(
    time_limit: float, gone: float, sources: int, known_clocks: bool = False
) -> float:
    """Seconds of a time limit for the search of a site, ``gone`` s after the start.

    ``known_clocks``: of the site's sources, some of which are not free.
    """
    short = min(AFTERWARDS_SHORT * time_limit, AFTERWARDS_SECONDS)
    aside = max(AFTERWARDS * time_limit, short, SECONDS_A_SOURCE * sources)
    if known_clocks:
        aside += min(CLOCKS * time_limit, CLOCKS_SECONDS)
    return max(LEAST_SECONDS, time_limit - aside - gone)


def latest_end(time_limit: float) -> float:
    """Seconds from the start after which a command with a time limit has ended."""
    return time_limit + max(LATE * time_limit, LATE_SECONDS)


@dataclass(frozen=True, slots=True)
class TimeAfter:
    """Time for what comes after a search.

    ``end``: of the process clock, when all must have ended (infinite without a time limit).
    ``clocks``: whether the gain from known clocks is looked for.
    """

    end: float = math.inf
    sources: int = 0
    clocks: bool = True

    def left(self, kept: float = 0.0) -> float:
        """Seconds that are left, ``kept`` of them for what comes later, and those for writing."""
        return self.end - time.perf_counter() - WRITING_SECONDS - kept

    @property
    def proof(self) -> float:
        """Seconds that a short proof takes, among all that runs on the machine."""
        return (PROOF_SECONDS + SECONDS_A_SOURCE * self.sources) * crowding()

    @property
    def compiling(self) -> float:
        """Seconds to compile its loops, among all that runs on the machine."""
        return COMPILING_SECONDS * crowding()

    def for_proof(self, compiled: bool) -> bool:
        """Whether a short proof would end in time; ``compiled``: its loops are."""
        return self.left() >= self.proof + (0.0 if compiled else self.compiling)

    def need_of_proof(self, compiled: bool) -> str:
        """Seconds that a short proof takes, in words, and the command that runs it later."""
        first = "" if compiled else f", and to compile it, once, {math.ceil(self.compiling)} s"
        return f"it takes {math.ceil(self.proof)} s{first}; 'allocator simulate' does it later"


def time_after(
    time_limit: float | None, began: float, sources: int, interrupted: bool = False
) -> TimeAfter:
    """The time after a search that was begun at ``began`` of the process clock.

    ``time_limit``: None where nodes are limited. ``interrupted``: by Ctrl-C.
    """
    end = math.inf if time_limit is None else began + latest_end(time_limit)
    if interrupted:
        end = min(end, time.perf_counter() + AFTER_INTERRUPT)
    return TimeAfter(end, sources)
