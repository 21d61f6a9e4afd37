"""The limits that a user has set, what is wanted of a plan, and the slack of a limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from allocator.base.dimensions import format_quantity, next_shown
from allocator.base.grouped import grouped
from allocator.model.model import INFINITY, Key, Model
from allocator.site.addresses import address_of, path_of_limit

FURTHEST = 100.0
"""A pipe or a source is stretched to this many times what it is, and no further."""
NEAR_AMBIENT = 5e4
"""Pa: pressures from here on are absolute ones, told in five digits."""
LOOSE = 100.0
"""Times as much, as a share, that a capacity by bore may rise as the pressure: losses decide."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit of the user's.

    ``path``: keys that lead to it in the site file (empty for a want). ``value``: SI, of
    ``dimension``. ``more``: True where a larger value allows more. ``words``: a sentence without
    its end, of a want, and of pipes of all builds together; of flows what stays as it is.
    ``squared``: what counts is the square of the value, as of the pressure of a gas: a slack s is
    ``2 value s`` of it. ``cautious``: its rows ask for more than the change needs, so that nothing
    is proven of a smaller one.
    """

    kind: str
    name: str
    path: tuple[str, ...]
    value: float
    dimension: str
    more: bool
    words: str = ""
    squared: bool = False
    cautious: bool = False

    @property
    def address(self) -> str:
        """The address of the limit; empty for a want, and for several things together."""
        if not self.path or (self.shared and self.kind != "flow"):
            return ""
        if self.path[0] == "coolers":
            return address_of(("coolers", self.name, "rate"))
        return address_of(path_of_limit(self.kind, self.name, self.dimension))

    @property
    def stated(self) -> str:
        """What the limit says: ``stock.steel is 3.5 t``."""
        if self.kind == "flow":
            return f"the '{self.name}' sources are limited to the flows in the file{self.words}"
        if self.shared:
            return f"{self.words} no more than the file states"
        if self.kind == "want" and self.name.startswith("connect:"):
            return self.words
        return f"{self.words or f'{self.address} is'} {amount_shown(self.value, self.dimension)}"

    @property
    def slack(self) -> Key:
        """The variable by which the limit is changed, SI."""
        return ("slack", self.kind, self.name)

    def change_of(self, slack: float) -> float:
        """The change of the value that a slack stands for."""
        if not self.squared:
            return slack
        if self.more:
            return math.sqrt(self.value**2 + 2.0 * self.value * slack) - self.value
        return self.value - math.sqrt(max(0.0, self.value**2 - 2.0 * self.value * slack))

    def slack_of(self, change: float) -> float:
        """The slack that stands for a change of the value."""
        if not self.squared:
            return change
        return change + (1.0 if self.more else -1.0) * change**2 / (2.0 * self.value)

    @property
    def shared(self) -> bool:
        """Whether it stands for the same change of several things, such as flows of a fluid."""
        pipes = self.kind == "capacity" and not self.name
        return self.kind in ("flow", "pressures") or pipes


@dataclass(frozen=True, slots=True)
class Want:
    """What a plan is wanted to do; ``amount`` is SI.

    ``kind`` and ``name``: ``firm_clean`` or ``firm_total`` (W at least), ``generated`` (W at least,
    what the plant takes itself included), ``served`` (share of a demand at least), ``connect`` (a
    source), ``machines`` (units of a type, or of ``type@place``, at least), ``emission`` (kg/s at
    most) or ``money`` (at most).
    """

    kind: str
    name: str
    amount: float
    words: str


DIMENSION_OF_WANT = {
    "firm_clean": "power",
    "firm_total": "power",
    "served": "share",
    "connect": "number",
    "machines": "number",
    "emission": "emission_rate",
    "money": "money",
}
AT_MOST = ("emission", "money")


DUST = 1e-6
"""Shares below it are rounding of the solver."""


def amount_shown(value: float, dimension: str, towards: int = 0) -> str:
    """An amount of a limit as people write it. ``towards``: 1 to round up, -1 to round down."""
    if dimension == "share":
        return format_quantity(value if abs(value) >= DUST else 0.0, "share", towards)
    if dimension == "pressure" and value >= NEAR_AMBIENT:  # what counts is what is above ambient
        return f"{grouped(f'{next_shown(value / 1e3, towards, 5):.6g}')} kPa absolute"
    if dimension == "number":
        return f"{next_shown(value, towards, 4):.4g}"
    return format_quantity(value, dimension, towards)


def change_shown(amount: float, limit: Limit, towards: int = 0) -> str:
    """A change of a limit, with its sign, as people write it."""
    if limit.dimension == "pressure":
        shown = format_quantity(amount, "pressure", towards)
    else:
        shown = amount_shown(amount, limit.dimension, towards)
    return f"{'+' if limit.more else '-'}{shown}"


def slacked(model: Model, limit: Limit) -> Limit:
    """The limit, its slack in the statement as a variable of its own."""
    # Counts are whole by themselves, so their slacks need not be.
    model.variable(limit.slack, 0.0, INFINITY, limit.value if limit.value > 0 else 1.0)
    return limit
