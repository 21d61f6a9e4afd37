"""How a time limit is shared between the search and what comes after it."""

from __future__ import annotations

AFTERWARDS = 0.04
"""Share of a time limit that is left for the audit, the proof and the writing."""
SECONDS_A_SOURCE = 0.006
"""For the same, on large sites: s a source."""
LEAST_SECONDS = 0.5
"""For planning, however long the reading took."""
PROOF_SECONDS = 3.0
"""What a short proof takes on a small site."""


def seconds_for_search(time_limit: float, gone: float, sources: int) -> float:
    """Seconds of a time limit for the search of a site, ``gone`` s after the start."""
    aside = max(AFTERWARDS * time_limit, SECONDS_A_SOURCE * sources)
    return max(LEAST_SECONDS, time_limit - aside - gone)


def time_for_proof(time_limit: float, gone: float, sources: int) -> bool:
    """Whether a short proof would end at most 10 % and 2.5 s after the time limit."""
    return gone + PROOF_SECONDS + SECONDS_A_SOURCE * sources <= 1.1 * time_limit + 2.5


def time_for_clocks(time_limit: float, gone: float) -> float:
    """Seconds for the gain from known clocks, so that a short proof still fits behind it."""
    return max(0.0, 1.1 * time_limit + 2.5 - gone - PROOF_SECONDS)
