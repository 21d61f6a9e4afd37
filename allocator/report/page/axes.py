"""Axes of small charts: where a value stands, a grid of round numbers, and its words."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from markupsafe import Markup

from allocator.base.dimensions import short_number
from allocator.report.page.svg import tag
from allocator.report.words import money, quantity

TONNE_A_YEAR = 1000.0 / 31_557_600.0
"""kg/s, in which releases are told."""


TIMES = (("d", 86400.0), ("h", 3600.0), ("min", 60.0), ("s", 1.0))


@dataclass(frozen=True, slots=True)
class Axis:
    """Values from ``low`` to ``high`` (SI), what they are called, and how one is written.

    Marks stand at round numbers of ``unit`` counted from ``zero``, both SI.
    """

    low: float
    high: float
    title: str
    shown: Callable[[float], str]
    unit: float = 1.0
    zero: float = 0.0

    def marks(self, about: int = 3) -> list[float]:
        """Round values within the axis, about so many."""
        low, high = (self.low - self.zero) / self.unit, (self.high - self.zero) / self.unit
        step = _step((high - low) / about)
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        return [self.zero + self.unit * k * step for k in range(first, last + 1)]


def _step(rough: float) -> float:
    if not (rough > 0 and math.isfinite(rough)):
        return 1.0
    power = 10.0 ** math.floor(math.log10(rough))
    return next(s * power for s in (1, 2, 5, 10) if s * power >= rough * (1 - 1e-9))


def axis_of(dimension: str, low: float, high: float, title: str, currency: str = "") -> Axis:
    """The axis of a dimension; ``money`` (in the site's currency) and ``temperature`` too.

    Marks of a duration are all in one unit, in which they are round.
    """
    if dimension == "duration":
        unit, size = next(one for one in TIMES if high - low >= 3 * one[1] or one[1] == 1.0)
        return Axis(low, high, title, lambda time: f"{short_number(time / size)} {unit}", size)
    if dimension == "money":
        return Axis(low, high, title, lambda value: money(value, currency))
    size = TONNE_A_YEAR if dimension == "emission_rate" else 1.0
    zero = 273.15 if dimension == "temperature" else 0.0

    def shown(value: float) -> str:
        return quantity(value, dimension) if value or zero else "0"

    return Axis(low, high, title, shown, size, zero)


@dataclass(frozen=True, slots=True)
class Field:
    """The ground of a chart, picture units: values of two axes and where they stand."""

    x: Axis
    y: Axis
    left: float
    top: float
    wide: float
    tall: float

    def across(self, value: float) -> float:
        """Where a value of the lower axis stands."""
        return self.left + self.wide * (value - self.x.low) / (self.x.high - self.x.low)

    def up(self, value: float) -> float:
        """Where a value of the upright axis stands."""
        span = self.y.high - self.y.low
        return self.top + self.tall * (1.0 - (value - self.y.low) / span)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """A point."""
        return self.across(x), self.up(y)

    def grid(self, about: tuple[int, int] = (3, 3)) -> list[Markup]:
        """Lines and words of both axes; ``about``: marks of the lower and the upright one."""
        left, top, wide, tall = self.left, self.top, self.wide, self.tall
        parts = []
        for value in self.x.marks(about[0]):
            x = self.across(value)
            parts.append(tag("path", d=f"M{x:.1f} {top}V{top + tall}", class_="grid"))
            words, y = self.x.shown(value), top + tall + 14
            anchor = "end" if x > left + wide - 14 else "middle"  # within the drawing
            parts.append(tag("text", words, x=x, y=y, class_="tick", text_anchor=anchor))
        for value in self.y.marks(about[1]):
            y = self.up(value)
            parts.append(tag("path", d=f"M{left} {y:.1f}H{left + wide}", class_="grid"))
            words = self.y.shown(value)
            parts.append(tag("text", words, x=left - 6, y=y + 4, class_="tick", text_anchor="end"))
        end, foot = left + wide, top + tall + 30
        parts.append(tag("text", self.x.title, x=end, y=foot, class_="axis", text_anchor="end"))
        parts.append(tag("text", self.y.title, x=4.0, y=top - 9, class_="axis"))
        return parts
