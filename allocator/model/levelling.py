"""What a battery needs to serve a profile out of flat generation: two constants a profile.

All of it is proportional to the mean power served, so it is worked out once, exactly: for a
profile s(t) of mean 1 and charge efficiency e, flat generation g serves it for ever when what
is charged, e * (g - s) where g > s, covers what is discharged, s - g where s > g. The least
such g and the largest fall of the battery's level give linear rules.
"""

from __future__ import annotations

from dataclasses import dataclass

from allocator.site.records import Profile


@dataclass(frozen=True, slots=True)
class Levelling:
    """``generation``: W flat a W of mean demand served; ``size``: J a W; ``charge`` and

    ``discharge``: highest W into and out of the battery a W of mean demand served; ``through``:
    mean W out of it."""

    generation: float
    size: float
    charge: float
    discharge: float
    through: float


def levelling(profile: Profile | None, efficiency: float) -> Levelling:
    """The constants for a profile of mean 1 and a charge efficiency in (0, 1].

    The charge balance is piecewise linear and rising in the generation, so the generation is
    found exactly between two neighbouring levels. A margin of 1e-9 keeps the balance on the
    safe side of rounding.
    """
    if profile is None:
        return Levelling(1.0, 0.0, 0.0, 0.0, 0.0)
    ends = (*profile.starts[1:], profile.period)
    steps = [
        (end - start, level)
        for start, end, level in zip(profile.starts, ends, profile.levels, strict=True)
    ]
    generation = _balanced(steps, efficiency)
    fall, size = 0.0, 0.0
    for duration, level in steps * 2:  # twice round: the worst fall may span the seam
        surplus = generation - level
        rate = efficiency * surplus if surplus > 0 else surplus
        fall = max(0.0, fall - rate * duration)
        size = max(size, fall)
    levels = [level for _, level in steps]
    safe = generation * (1.0 + 1e-9)  # what falls and is discharged is less with more of it
    return Levelling(
        safe,
        size * (1.0 + 1e-9),
        max(0.0, safe - min(levels)),
        max(0.0, max(levels) - generation),
        sum(time * max(0.0, level - generation) for time, level in steps) / profile.period,
    )


def _balanced(steps: list[tuple[float, float]], efficiency: float) -> float:
    def balance(generation: float) -> float:
        return sum(
            duration
            * (efficiency * (generation - level) if generation > level else generation - level)
            for duration, level in steps
        )

    levels = sorted({level for _, level in steps})
    low = levels[0]
    for high in levels[1:]:
        if balance(high) >= 0:
            below, above = balance(low), balance(high)
            return low + (high - low) * (-below) / (above - below)
        low = high
    return levels[-1]
