"""Limits in words: their names, their amounts, and where they stand in the site file."""

from __future__ import annotations

import os

from allocator.model.limits import Limit
from allocator.report.words import percent, plain, quantity
from allocator.site.marks import Marks

_MOST = ("capacity", "fill_rate", "release_rate", "size", "places", "most", "money", "emission")


def marks_of(file: str | os.PathLike[str] | None) -> Marks | None:
    """The lines of a site file, where there is one."""
    return None if file is None else Marks(file)


def limit_name(limit: Limit) -> str:
    """What a limit is of, such as ``stock of 'steel'``."""
    name = limit.name
    return {
        "stock": f"stock of '{name}'",
        "flow": f"mean flow of '{name}'",
        "pressure": f"pressure of the '{name}' sources",
        "release_pressure": f"pressure at which store '{name}' gives",
        "size": f"maximum size of store '{name}'",
        "fill_rate": f"fill rate of store '{name}'",
        "release_rate": f"release rate of store '{name}'",
        "capacity": f"capacity of pipe '{name}'",
        "places": f"units of {plain(name).replace('@', ' at ')}",
        "most": f"units of '{name}' in all",
        "heat": f"heat released to '{name}'",
        "emission": "emission limit",
        "money": "money",
    }.get(limit.kind, f"{limit.kind} {name}")


def limit_said(limit: Limit) -> str:
    """A limit as a sentence without its end, such as ``stock of 'steel' is 3.5 t``."""
    if limit.kind == "want" and limit.name.startswith("tap:"):
        return limit.words
    if limit.kind == "flow":
        return f"the '{limit.name}' sources are limited to the flows in the file"
    if limit.shared:
        return f"{limit.words} no more than the file states"
    most = "at most " if limit.kind in _MOST else ""
    return f"{limit.words} {most}{amount_shown(limit.value, limit.dimension)}"


def where(marks: Marks | None, limit: Limit) -> str:
    """Where a limit stands: ``file:line``, its keys where there is no file, or ``asked for``."""
    if not limit.path:
        return "asked for"
    return marks.of(limit.path) if marks is not None else ".".join(limit.path)


def amount_shown(value: float, dimension: str) -> str:
    """An amount of a limit as people write it."""
    if dimension == "share":
        return percent(value)
    if dimension == "number":
        return f"{value:.4g}"
    return quantity(value, dimension)
