"""Text with a unit <-> floats in SI, at the edge of the program only.

Units come from pint, which is imported when the first unit is met and never leaves this
module. A number and its unit are taken apart here, and the conversion of each unit text is kept,
so a file of many thousand quantities costs a few milliseconds.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Context, Decimal, InvalidOperation
from fractions import Fraction
from functools import lru_cache
from typing import Any

from allocator.base.dimensions import DIMENSIONS, Dimension, Exponents, format_quantity
from allocator.base.errors import AllocatorError
from allocator.base.grouped import NO_BREAK

__all__ = [
    "DIMENSIONS",
    "Dimension",
    "QuantityError",
    "Units",
    "exact_text",
    "format_quantity",
    "parse_quantity",
    "shown",
    "standard_units",
]


class QuantityError(AllocatorError):
    """A text that is no quantity of the dimension asked for: what is wrong, what to do."""

    def __init__(self, problem: str, remedy: str = "") -> None:
        self.problem = problem
        self.remedy = remedy
        super().__init__(f"{problem}; {remedy}" if remedy else problem)


@dataclass(frozen=True, slots=True)
class _Conversion:
    """SI = number * factor + offset."""

    factor: Fraction
    offset: float
    exponents: Exponents
    _over: Decimal = field(init=False)
    _under: Decimal = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_over", Decimal(self.factor.numerator))
        object.__setattr__(self, "_under", Decimal(self.factor.denominator))

    def to_si(self, number: str) -> float:
        """The float nearest to the exact value, so that "6 h" and "0.25 d" are the same.

        Infinite for numbers with exponents beyond those of the decimal arithmetic.
        """
        try:
            exact = _EXACT.divide(_EXACT.multiply(Decimal(number), self._over), self._under)
        except InvalidOperation:
            return math.inf
        return float(_EXACT.add(exact, Decimal(repr(self.offset))) if self.offset else exact)


_EXACT = Context(prec=60, Emax=999_999, Emin=-999_999, traps=[])

_GAUGED = ("Pa", "kPa", "MPa", "mbar", "bar", "psi")
"""Units that people write with a g behind them where they mean a gauge reading."""
_COMMON = (
    *("mg", "g", "kg", "t", "s", "min", "h", "d", "week", "month", "a", "mm", "cm", "m", "km"),
    *("J", "kJ", "MJ", "GJ", "Wh", "kWh", "MWh", "W", "kW", "MW", "GW", "K", "degC", "degF"),
    *("Pa", "kPa", "MPa", "bar", "mbar", "atm", "%", "m^2", "m^3", "mol", "l"),
    *("gram", "kilogram", "tonne", "second", "minute", "hour", "day", "year", "metre", "watt"),
)
"""What a misspelt unit may have been meant to be."""
_MISTAKEN = {
    "gr": "write 'g' for grams, or 'grain'",
    "ton": "write 't' for 1000 kg, or 'short_ton' or 'long_ton'",
    "tons": "write 't' for 1000 kg, or 'short_ton' or 'long_ton'",
}
"""Units that pint knows but that people mostly mean otherwise: a grain, a short ton."""

_MEANT = {
    **dict.fromkeys(("y", "yrs"), "did you mean 'a', a year?"),
    **dict.fromkeys(("mo", "mon", "mth"), "did you mean 'month'?"),
    **dict.fromkeys(
        ("bara", "kPaa", "psia"), "did you mean 'bar', 'kPa' or 'psi'? They are absolute"
    ),
}
"""Units that pint does not know -> what to write."""

_NUMBER = re.compile(
    r"\s*([-+]?(?:[0-9]+(?:\u00a0[0-9]{3})*(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?)"
    r"\s*(.*?)\s*",
    re.S,
)
"""Number and unit; a no-break space between groups is as :func:`grouped` writes it."""
_TOKEN = re.compile(r"\s*(?:(\*\*|[*/·⋅^()])|([-+]?[0-9]+)|(%|‰|°?[^\W\d]\w*))")
_ALIASES = {"%": "percent", "‰": "permille", "°C": "degC", "°F": "degF", "μ": "µ"}
_LONGEST_UNIT = 80
_SMALLEST, _LARGEST = 1e-30, 1e30


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(cache_folder=None)


@lru_cache(maxsize=4096)
def _named_unit(name: str) -> _Conversion | None:
    """The conversion of one unit name, or None when pint does not know it as a linear unit."""
    if not name.strip("°²³%‰").isidentifier() and name not in _ALIASES:
        return None
    registry = _registry()
    try:
        ends = [
            registry.Quantity(value, _ALIASES.get(name, name)).to_base_units()
            for value in (0.0, 1.0, 2.0)
        ]
        offset, one, two = (float(end.magnitude) for end in ends)
    except Exception:  # pint raises what it likes, assertions too, for names that are none
        return None
    if not one > offset or not math.isclose(two - one, one - offset, rel_tol=1e-9):
        return None  # decibels and their like
    powers: dict[str, float] = {}
    for base, power in dict(ends[1].dimensionality).items():
        powers[base.strip("[]")] = float(power)
    return _Conversion(_fraction(one - offset), offset, _sorted_powers(powers))


def _fraction(factor: float) -> Fraction:
    """A factor as pint gives it, exact where it is a whole number or one over a whole number."""
    for whole, inverted in ((factor, False), (1 / factor, True)):
        if whole >= 0.5 and math.isclose(whole, round(whole), rel_tol=1e-14):
            return Fraction(1, round(whole)) if inverted else Fraction(round(whole))
    return Fraction(factor)


def _sorted_powers(powers: Mapping[str, float]) -> Exponents:
    return tuple(sorted((base, power) for base, power in powers.items() if power))


class Units:
    """The units that a file may use: pint's, and time units of the user's own (name -> s)."""

    def __init__(self, own: Mapping[str, float] | None = None) -> None:
        self._own = {
            name: _Conversion(Fraction(seconds), 0.0, (("time", 1.0),))
            for name, seconds in (own or {}).items()
        }
        self._known: dict[str, _Conversion] = {}

    def conversion(self, text: str) -> _Conversion:
        """The conversion of a unit text such as ``g/s``. Raises :class:`QuantityError`."""
        found = self._known.get(text)
        if found is None:
            found = self._known[text] = _UnitText(text, self).conversion()
        return found

    def named(self, name: str) -> _Conversion:
        """The conversion of one unit name. Raises :class:`QuantityError` when it is unknown."""
        if name in _MISTAKEN and name not in self._own:
            raise QuantityError(f"has the ambiguous unit {shown(name)}", _MISTAKEN[name])
        found = self._own.get(name) or _named_unit(name)
        if found is None:
            raise QuantityError(f"has the unknown unit {shown(name)}", self._suggest(name))
        return found

    def knows(self, name: str) -> bool:
        """Whether a name is a unit already."""
        return name in self._own or _named_unit(name) is not None

    def _suggest(self, name: str) -> str:
        if name[-1:] in ("g", "G") and name[:-1] in _GAUGED:
            return f"did you mean '{name[:-1]}(g)', above the ambient pressure?"
        if name in _MEANT and name not in self._own:
            return _MEANT[name]
        options = [*self._own, *_COMMON]
        for option in options:
            if option.lower() == name.lower():
                return f"did you mean '{option}'?"
        close = difflib.get_close_matches(name, options, n=1, cutoff=0.5)
        return f"did you mean '{close[0]}'?" if close else ""


class _UnitText:
    """Reads products, quotients and whole powers of unit names: ``J/(kg*K)``, ``/m``, ``m^3``."""

    def __init__(self, text: str, units: Units) -> None:
        self.text = text
        self.units = units
        self.tokens = self._tokens()
        self.at = 0

    def conversion(self) -> _Conversion:
        if len(self.tokens) == 1 and self.tokens[0] not in "*/^()":
            return self._name(self.tokens[0])
        factor, powers = self._product(depth=0)
        if self.at < len(self.tokens):
            raise self._unreadable()
        if not _SMALLEST < factor < _LARGEST:
            raise self._unreadable()
        return _Conversion(factor, 0.0, _sorted_powers(powers))

    def _tokens(self) -> list[str]:
        tokens, at = [], 0
        text = self.text.rstrip()
        if len(text) > _LONGEST_UNIT:
            raise self._unreadable()
        while at < len(text):
            match = _TOKEN.match(text, at)
            if match is None:
                raise self._unreadable()
            tokens.append({"**": "^", "·": "*", "⋅": "*"}.get(match[0].strip(), match[0].strip()))
            at = match.end()
        return tokens

    def _peek(self) -> str:
        return self.tokens[self.at] if self.at < len(self.tokens) else ""

    def _product(self, depth: int) -> tuple[Fraction, dict[str, float]]:
        factor, powers = Fraction(1), dict[str, float]()
        sign = 1
        if self._peek() == "/":  # "/kg" is "1/kg"
            sign, self.at = -1, self.at + 1
        while True:
            size, part = self._power(depth)
            factor *= size**sign
            for base, power in part.items():
                powers[base] = powers.get(base, 0.0) + sign * power
            following = self._peek()
            if following in ("", ")"):
                return factor, powers
            sign = -1 if following == "/" else 1
            if following in "*/":
                self.at += 1

    def _power(self, depth: int) -> tuple[Fraction, dict[str, float]]:
        token = self._peek()
        self.at += 1
        if token == "(" and depth < 8:
            factor, powers = self._product(depth + 1)
            if self._peek() != ")":
                raise self._unreadable()
            self.at += 1
            return factor, powers
        if token == "1":
            return Fraction(1), {}
        if token in ("", "*", "/", "^", "(", ")") or token[0] in "+-0123456789":
            raise self._unreadable()
        unit = self._name(token)
        if unit.offset:
            raise QuantityError(
                f"multiplies or divides by {shown(token)}, whose zero is shifted,",
                "write kelvin, 'K'",
            )
        factor, powers = unit.factor, dict(unit.exponents)
        if self._peek() != "^":
            return factor, powers
        power = self.tokens[self.at + 1] if self.at + 1 < len(self.tokens) else ""
        if not re.fullmatch(r"[-+]?[1-9]", power):
            raise self._unreadable()
        self.at += 2
        return factor ** int(power), {base: one * int(power) for base, one in powers.items()}

    def _name(self, name: str) -> _Conversion:
        squared = re.fullmatch(r"(\D+)([23])", name)
        if squared and not self.units.knows(name) and self.units.knows(squared[1]):  # m3 is m^3
            unit, power = self.units.named(squared[1]), int(squared[2])
            powers = {base: one * power for base, one in unit.exponents}
            return _Conversion(unit.factor**power, 0.0, _sorted_powers(powers))
        return self.units.named(name)

    def _unreadable(self) -> QuantityError:
        return QuantityError(
            f"has the unreadable unit {shown(self.text)}",
            "write units like 'g/s', 'MJ/kg' or 'W/(m*K)'",
        )


def shown(value: object, longest: int = 60) -> str:
    """A value as it stands in a message: one line, in quotes when it is text, never long."""
    try:
        text = value if isinstance(value, str) else str(value)
    except ValueError:  # Python will not write a whole number of thousands of digits
        text = "a huge number"
    text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    if len(text) > longest:
        text = text[: longest - 1] + "…"
    return f"'{text}'" if isinstance(value, str) else text


def unit_lacking(text: str, dimension: str) -> str:
    """What to do about a plain number where a quantity of that dimension is meant; else empty."""
    unit = DIMENSIONS[dimension].example.partition(" ")[2]
    plain = re.fullmatch(r"\s*[-+]?[0-9.]+([eE][-+]?[0-9]+)?\s*", text)
    return f"write it such as '{text.strip()} {unit}'" if unit and plain else ""


def parse_quantity(value: object, dimension: Dimension | str, units: Units | None = None) -> float:
    """The SI value of a quantity.

    Parameters
    ----------
    value
        Text such as ``"3.2 g/s"``, or a number, which is SI already.
    dimension
        One of :data:`DIMENSIONS` or its name, such as ``"mass_rate"``.
    units
        A site file's own units of time.

    Returns
    -------
    float
        In SI: kg, m, s, W, J, K, Pa.

    Raises
    ------
    QuantityError
        Another dimension, no number, or one that is not finite or out of all proportion.

    Examples
    --------
    >>> import allocator as al
    >>> al.parse_quantity("3.2 g/s", "mass_rate")
    0.0032
    """
    kind = DIMENSIONS[dimension] if isinstance(dimension, str) else dimension
    if isinstance(value, str):
        number = _parse_text(value, kind, units or standard_units())
    elif isinstance(value, int | float) and not isinstance(value, bool):
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
    else:
        raise _unfit(kind, shown(value))
    if not math.isfinite(number):
        raise QuantityError(
            f"must be a finite number, got {shown(value)}", f"write it like '{kind.example}'"
        )
    if number and not kind.least <= abs(number) <= kind.most:
        large = abs(number) > kind.most
        edge = f"{kind.most if large else kind.least:g} {kind.si}".removesuffix(" 1")
        raise QuantityError(
            f"is out of all proportion, got {shown(value)}",
            f"give {'at most' if large else 'at least'} {edge}, like '{kind.example}'",
        )
    return number + 0.0  # never -0.0


def _parse_text(text: str, kind: Dimension, units: Units) -> float:
    match = _NUMBER.fullmatch(text.replace("−", "-"))
    if match is None:
        if re.match(r"\s*[-+]?\.?(nan|inf)", text, re.I):
            raise QuantityError(
                f"must be a finite number, got {shown(text)}", f"write it like '{kind.example}'"
            )
        raise _unfit(kind, shown(text))
    number, unit = match[1].replace(NO_BREAK, ""), match[2]
    if not unit:
        return float(number)
    if unit[0] in ",._'’0123456789" and not unit.startswith("1/"):
        raise QuantityError(
            f"has no readable number in {shown(text)}",
            f"write digits without separators and with a decimal point, like '{kind.example}'",
        )
    if kind.name in ("sum of money", "number"):
        raise QuantityError(
            f"expects {kind.label} without a unit, got {shown(text)}",
            f"write it like '{kind.example}'",
        )
    try:
        conversion = units.conversion(unit)
    except QuantityError as error:
        if kind.name.startswith("price"):
            remedy = f"money has no unit: write it like '{kind.example}'"
            raise QuantityError(f"{error.problem} in {shown(text)}", remedy) from None
        remedy = error.remedy or f"write it like '{kind.example}'"
        raise QuantityError(f"{error.problem} in {shown(text)}", remedy) from None
    if conversion.exponents != kind.exponents:
        raise _unfit(kind, shown(text))
    return conversion.to_si(number)


def _unfit(kind: Dimension, got: str) -> QuantityError:
    return QuantityError(f"expects {kind.label} such as '{kind.example}', got {got}")


@lru_cache(maxsize=1)
def standard_units() -> Units:
    """The units of a file that defines none of its own."""
    return Units()


SHORT_NUMBER = 6
"""Characters up to which the shortest number is the best to read, whatever its unit."""


@lru_cache(maxsize=4096)
def exact_text(value: float, dimension: str) -> str:
    """A short text of a value in SI that is read back as exactly the same float.

    ``dimension``: the name of one of :data:`DIMENSIONS`. 0.0032 of a mass rate is ``3.2 g/s``.
    """
    kind = DIMENSIONS[dimension]
    if value == 0.0 or kind.name in ("number", "sum of money"):
        return _number_text(value)
    si = "" if kind.si == "1" else kind.si.replace(" ", "*")
    alike = [one for one in DIMENSIONS.values() if one.exponents == kind.exponents]
    scales = [step[1] for one in (alike if kind.exponents else [kind]) for step in one.scale]
    units = dict.fromkeys([kind.example.partition(" ")[2], *scales, si])
    if kind.name == "share" and _exact_number(value, "%") is not None:
        units = {"%": None}
    found = [(number, unit) for unit in units if (number := _exact_number(value, unit)) is not None]
    number, unit = min(found, key=lambda pair: _length(pair[0]))
    return f"{number} {unit}".rstrip()


def _length(number: str) -> tuple[int, bool, int]:
    """How long a number is to read: of long ones, any from 1 to 1000 is shorter than others."""
    size = len(number)
    odd = size > SHORT_NUMBER and not 1 <= abs(float(number)) < 1000
    return min(size, SHORT_NUMBER + 1), odd, size


def _exact_number(value: float, unit: str) -> str | None:
    """The number with the fewest digits that is the value in a unit; None where none is exact."""
    if not unit:
        return _number_text(value)
    conversion = standard_units().conversion(unit)
    near = (value - conversion.offset) / float(conversion.factor)
    for digits in range(1, 18):
        number = _number_text(float(f"{near:.{digits}g}"))
        if conversion.to_si(number) == value:
            return number
    return None


def _number_text(value: float) -> str:
    return repr(value).removesuffix(".0")
