"""The sequent peak method: storage for a draft, a step at a time."""

from __future__ import annotations

from collections.abc import Sequence


def sequent_peak(inflow: Sequence[float], draft: float) -> float:
    """The greatest deficit in two rounds of an inflow of equal steps, whose amounts are given.

    Loucks & van Beek, Water Resources Systems Planning and Management, UNESCO 2005, ch. 11.
    """
    deficit = most = 0.0
    for comes in (*inflow, *inflow):
        deficit = max(0.0, deficit + draft - comes)
        most = max(most, deficit)
    return most
