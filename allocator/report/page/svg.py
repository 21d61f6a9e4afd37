"""Drawing by hand: escaped SVG elements, figures of numbers, axes with round ticks."""

from __future__ import annotations

import math
from collections.abc import Iterable

from markupsafe import Markup, escape


def tag(name: str, *children: object, **attributes: object) -> Markup:
    """An element; text within and values of attributes are escaped.

    ``_`` in an attribute's name stands for ``-``, one at its end for nothing; None is left out.
    """
    shown = [
        f' {key.rstrip("_").replace("_", "-")}="{escape(_text(value))}"'
        for key, value in attributes.items()
        if value is not None
    ]
    inside = Markup("").join(escape(child) for child in children)
    return Markup(f"<{name}{''.join(shown)}>{inside}</{name}>")


def _text(value: object) -> object:
    return number(value) if isinstance(value, float) else value


def number(value: float) -> str:
    """A coordinate: two decimals, no trailing zeros."""
    shown = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if shown in ("-0", "") else shown


def points(pairs: Iterable[tuple[float, float]]) -> str:
    """Points of a polyline."""
    return " ".join(f"{number(x)},{number(y)}" for x, y in pairs)


def round_at_most(most: float) -> float:
    """The largest of 1, 2 and 5 times a power of ten that is no more than ``most``, above 0."""
    power = 10.0 ** math.floor(math.log10(most))
    return next((s * power for s in (5, 2) if s * power <= most * (1 + 1e-9)), power)


def ticks(most: float, about: int = 4) -> list[float]:
    """Round numbers from 0 to ``most``, about so many."""
    if not (most > 0 and math.isfinite(most)):
        return [0.0]
    rough = most / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= rough * (1 - 1e-9))
    return [k * step for k in range(int(most / step * (1 + 1e-9)) + 1)]
