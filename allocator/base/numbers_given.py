"""Numbers that a user of Python gives as settings: those of a wrong type are refused at once."""

from __future__ import annotations

import math
from numbers import Integral, Real


def check_whole(name: str, value: object, least: int, most: int | None = None) -> None:
    """Raises ValueError unless a setting is a whole number in a range; NumPy's are, True is not."""
    if isinstance(value, bool) or not isinstance(value, Integral):
        raise ValueError(f"{name} must be a whole number (got {value!r})")
    whole = int(value)
    if whole < least or (most is not None and whole > most):
        told = f"{least} or more" if whole < least else f"at most {most}"
        raise ValueError(f"{name} must be {told} (got {value!r})")


def check_number(name: str, value: object) -> None:
    """Raises ValueError unless a setting is a number, infinite at most."""
    if isinstance(value, bool) or not isinstance(value, Real) or math.isnan(value):
        raise ValueError(f"{name} must be a number (got {value!r})")
