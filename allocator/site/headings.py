"""Headings of tables: what a column holds, and its unit, as people write them."""

from __future__ import annotations

import re
from collections.abc import Iterator

from allocator.base.quantities import QuantityError, Units, parse_quantity

UTC_NAMES = ("UTC", "GMT", "Z")
"""What may be in place of a unit above dates: a time zone in which no hour is skipped."""
_BRACKETS = re.compile(r"\s*([^\[(]*?)\s*/?\s*[\[(](.*)[\])]\s*")
_SAID = {"°C": "degC", "C": "degC", "°F": "degF", "celsius": "degC", "w": "W", "kw": "kW"}
"""Units as people write them -> as they are read."""
_SHORT = "hdsw"
"""Units of one letter that may be written large."""


def in_brackets(heading: str) -> tuple[str, str] | None:
    """What stands before brackets and in them: ``flow [g/s]``, ``power/(kW)``."""
    found = _BRACKETS.fullmatch(heading)
    return (found[1], _SAID.get(found[2].strip(), found[2].strip())) if found else None


def readings(heading: str) -> Iterator[tuple[str, str]]:
    """Ways to take a heading without brackets apart: its name, the longest first, and its unit.

    ``power kW``, ``flow_g_per_s``, ``time in h``, ``power/kW`` and ``kW`` alone.
    """
    name, slash, unit = heading.strip().partition("/")
    if slash:
        yield name.strip(), unit.strip()
    words = re.split(r"[\s_]+", heading.strip())
    for count in range(len(words), -1, -1):
        told = [word for word in words[count:] if word != "per"]
        if told[0:1] == ["in"] and len(told) > 1:
            del told[0]
        yield " ".join(words[:count]), "/".join(told)


def unit_read(text: str, dimension: str, units: Units | None = None) -> str:
    """A unit of that dimension as the program reads it; empty text where it is none."""
    small = text.lower() if len(text) > 1 or text.lower() in _SHORT else ""
    for unit in (text, _SAID.get(text, ""), _SAID.get(small, small)):
        try:
            if unit:
                parse_quantity(f"1 {unit}", dimension, units)
                return unit
        except QuantityError:
            pass
    return ""
