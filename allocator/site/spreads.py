"""Values that may be given as a range or a distribution, beside the one that is planned with."""

from __future__ import annotations

from dataclasses import dataclass, replace

from allocator.base.quantities import shown
from allocator.site.diagnostics import Where
from allocator.site.kinds import FAULTY, Defs, Faulty, Flag, Quantity, Schema, is_range
from allocator.site.nodes import Node, Pairs
from allocator.site.table import Key, KeyTable, Values

REACH = 3.0
"""Standard deviations from the mean at which a normal distribution is cut off."""


@dataclass(frozen=True, slots=True)
class Spread:
    """What a value may be: from ``low`` to ``high``, planned with at ``middle``; SI.

    All values alike; or ``peaked``: likeliest at the middle, falling evenly to nothing at both
    ends; or normal with ``sd``, cut off at both ends. ``varies``: it differs from time to time, in
    place of being one unknown value for ever.
    """

    low: float
    middle: float
    high: float
    sd: float | None = None
    peaked: bool = False
    varies: bool = False


@dataclass(frozen=True, slots=True)
class Ranged(Quantity):
    """A quantity that may be ``{low, high}``, ``{low, likely, high}`` or ``{mean, sd}`` as well.

    The value read is the middle, the likely value or the mean; the spread goes to the ledger.
    ``repeated``: it may say that it ``varies`` from time to time.
    """

    repeated: bool = False

    def read(self, node: Node, where: Where) -> float | Faulty:
        if not (isinstance(node, Pairs) and is_range(node)):
            return Quantity.read(self, node, where)
        values = self._table().read(node, where)
        if isinstance(values, Faulty) or not values.whole:
            return FAULTY
        spread = _spread(values)
        if spread is None:
            return FAULTY
        for end, name in ((spread.low, "low"), (spread.high, "high")):
            refusal = self.refusal(end)
            if refusal:
                key = name if values.has(name) else "sd"
                what = "" if values.has(name) else f"reaches {name} values that "
                values.fault(key, f"{what}{refusal}", "narrow the range")
                return FAULTY
        if values.get("varies"):
            spread = replace(spread, varies=True)
        where.diagnostics.spreads[where.address] = spread
        return spread.middle

    def _table(self) -> KeyTable:
        plain = Quantity(self.dimension)
        words = "It differs from time to time within the range, and is not one unknown value"
        return KeyTable(
            (
                *((Key("varies", Flag(), words),) if self.repeated else ()),
                Key("low", plain, "Least value that it may have"),
                Key("likely", plain, "Likeliest value; leave out where all are alike"),
                Key("high", plain, "Greatest value that it may have"),
                Key("mean", plain, "Mean of a normal distribution, cut off at 3 sd"),
                Key("sd", plain, "Standard deviation"),
            ),
            name=f"range_of_{self.dimension}{self._kind}",
            either=(("low", "high"), ("mean", "sd")),
        )

    @property
    def _kind(self) -> str:
        return "_that_may_vary" if self.repeated else ""

    def schema(self, defs: Defs) -> Schema:
        """A quantity, or a range."""
        name = f"ranged_{self.schema_name}{self._kind}"
        return defs.reference(
            name, lambda d: {"anyOf": [Quantity.schema(self, d), self._table().schema(d)]}
        )


def _spread(values: Values) -> Spread | None:
    """The spread of a range that is whole, or None where its values make no sense together."""
    if values.has("mean"):
        mean, sd = values.get("mean"), values.get("sd")
        if values.has("likely"):
            values.fault("likely", "is given beside 'mean'", "leave it out")
            return None
        if not sd > 0:
            values.fault("sd", "must be above 0", "give one value if it is certain")
            return None
        return Spread(mean - REACH * sd, mean, mean + REACH * sd, sd=sd)
    low, high = values.get("low"), values.get("high")
    likely = values.get("likely")
    if not low < high:
        values.fault("high", "must be above 'low'", "give one value if it is certain")
        return None
    if likely is None:
        return Spread(low, 0.5 * (low + high), high)
    if not low <= likely <= high:
        values.fault("likely", f"must be from {shown('low')} to {shown('high')}", "check the three")
        return None
    return Spread(low, likely, high, peaked=True)


def ends(values: Values, key: str) -> tuple[float, float]:
    """Least and greatest value of a key that was read."""
    spread = values.where.diagnostics.spreads.get(values.where.below(key).address)
    value: float = values.get(key)
    return (value, value) if spread is None else (spread.low, spread.high)
