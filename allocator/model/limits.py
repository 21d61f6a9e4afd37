"""The limits that a user has set, what is wanted of a plan, and the slack of a limit."""

from __future__ import annotations

from dataclasses import dataclass

from allocator.model.model import INFINITY, Key, Model

FURTHEST = 100.0
"""A pipe or a source is stretched to this many times what it is, and no further."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit of the user's.

    ``path``: keys that lead to it in the site file (empty for a want). ``value``: SI, of
    ``dimension``. ``more``: True where a larger value allows more. ``words``: what it says.
    """

    kind: str
    name: str
    path: tuple[str, ...]
    value: float
    dimension: str
    more: bool
    words: str

    @property
    def slack(self) -> Key:
        """The variable by which the limit is changed, SI."""
        return ("slack", self.kind, self.name)

    @property
    def shared(self) -> bool:
        """Whether it stands for the same share of several things, such as flows of a fluid."""
        return self.kind == "flow" or (self.kind == "capacity" and not self.name)


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


def slacked(model: Model, limit: Limit) -> Limit:
    """The limit, its slack in the statement as a variable of its own."""
    # Counts are whole by themselves, so their slacks need not be.
    model.variable(limit.slack, 0.0, INFINITY, limit.value if limit.value > 0 else 1.0)
    return limit
