"""What a battery needs to serve a profile out of constant generation.

For a profile s of mean 1 and charge efficiency e, constant generation g is enough for ever when
what it charges covers what is discharged:

    integral over a period of  e (g - s)+  -  (s - g)+  =  0.

The battery then falls by at most the difference between the highest and the lowest point of
that integral, which repeats. With more generation it is full again earlier, and falls by no more
than it does from full: it is followed until a round changes nothing. All is per watt of mean
demand served that way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from allocator.site.records import Profile


@dataclass(frozen=True, slots=True)
class AuditLevelling:
    """``generation``: W a W; ``fall``: J a W; ``charge``, ``discharge``: highest W a W;

    ``through``: mean W out of the battery a W."""

    generation: float
    fall: float
    charge: float
    discharge: float
    through: float


STEADY = AuditLevelling(1.0, 0.0, 0.0, 0.0, 0.0)


def levelling_of(profile: Profile | None, efficiency: float, extra: float = 0.0) -> AuditLevelling:
    """The constants of a profile (None: a constant demand) for a charge efficiency in (0, 1].

    ``extra``: W of generation beyond the least that is enough, a W of mean demand.
    """
    if profile is None:
        return STEADY
    lengths = np.diff(np.append(profile.starts, profile.period))
    levels = np.asarray(profile.levels, dtype=np.float64)
    generation = _enough(lengths, levels, efficiency) + extra
    surplus = generation - levels
    charged = lengths * np.where(surplus > 0, efficiency * surplus, surplus)
    level = np.concatenate(([0.0], np.cumsum(charged.astype(np.longdouble))))
    return AuditLevelling(
        generation,
        float(level.max() - level.min()) if extra == 0.0 else _fall(charged),
        max(0.0, float(surplus.max())),
        max(0.0, float(-surplus.min())),
        float(np.dot(lengths, np.maximum(0.0, -surplus)) / lengths.sum()),
    )


def _fall(charged: np.ndarray) -> float:
    # From full, twice round: the second round begins at most where it would for ever.
    below = lowest = 0.0
    for change in [*charged.tolist(), *charged.tolist()]:
        below = min(0.0, below + change)
        lowest = min(lowest, below)
    return -lowest


def _enough(lengths: np.ndarray, levels: np.ndarray, efficiency: float) -> float:
    # Between two neighbouring levels the balance is straight: with the steps sorted by level,
    # those below g are charged from and those above are discharged to, so g is a weighted mean
    # of all levels. The first g that does not pass its own upper neighbour is the one.
    order = np.argsort(levels, kind="stable")
    lengths, levels = lengths[order], levels[order]
    for below in range(1, len(levels) + 1):
        weights = np.where(np.arange(len(levels)) < below, efficiency, 1.0) * lengths
        generation = float(np.dot(weights, levels) / weights.sum())
        if below == len(levels) or generation <= levels[below]:
            return generation
    return float(levels[-1])
