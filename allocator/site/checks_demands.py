"""Mean and profile of a demand: constant, by a repeated profile, or by a series in a file."""

from __future__ import annotations

import math
from collections.abc import Sequence

from allocator.site.records import POWER, Profile
from allocator.site.series import read_series
from allocator.site.site_values import Filled, SiteValues
from allocator.site.table import Values

DAY = 86_400.0


def mean_and_profile(values: Values, whole: SiteValues) -> Filled | None:
    """What a demand asks for, how much in the mean, and in which shape."""
    of_power = values.has("power")
    amount = "power" if of_power else "flow"
    if not values.has("place"):
        if values.has("fluid") and not of_power:
            values.fault("place", "needs the key 'place'", "a fluid is wanted at one place")
        elif of_power and whole.section("power_lines"):
            values.fault(
                "place", "needs the key 'place'", "power moves by lines here, to one place"
            )
    if of_power and values.has("max_inlet_temperature"):
        values.fault("max_inlet_temperature", "is given for power", "leave it out")
    if values.has("period") and not values.has("profile"):
        values.fault("period", "is given without 'profile'", "add the profile or leave it out")
    given = values.get(amount)
    if isinstance(given, Values):
        mean, profile = _from_series(given, values, amount)
    else:
        mean, profile = given, _from_steps(values)
    if mean is None:
        return None
    return {"wants": POWER if of_power else values.get("fluid"), "mean": mean, "profile": profile}


def _from_steps(values: Values) -> Profile | None:
    steps: tuple[float, ...] | None = values.get("profile")
    if steps is None:
        return None
    if not any(steps):
        values.fault("profile", "is 0 all of the time", "give one step above 0 at least")
        return None
    period: float = values.get("period", DAY)
    starts = [period * step / len(steps) for step in range(len(steps))]
    return shape_of(starts, steps, period)[1]


def _from_series(given: Values, values: Values, amount: str) -> tuple[float | None, Profile | None]:
    if values.has("profile"):
        values.fault("profile", f"is given beside a series of '{amount}'", "keep one of them")
    if not given.whole:
        return None, None
    series = read_series(given, "power" if amount == "power" else "mass_rate")
    if series is None:
        return None, None
    return shape_of(*series)


def shape_of(
    starts: Sequence[float], levels: Sequence[float], period: float
) -> tuple[float, Profile | None]:
    """Mean over time of levels that each last until the next start, and their shape of mean 1.

    A constant has no shape.
    """
    ends = [*starts[1:], period]
    spans = [end - start for start, end in zip(starts, ends, strict=True)]
    mean = math.fsum(level * span for level, span in zip(levels, spans, strict=True)) / period
    if len(set(levels)) == 1:
        return levels[0], None
    return mean, Profile(period, tuple(starts), tuple(level / mean for level in levels))
