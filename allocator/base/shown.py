"""Records that show themselves: a line in a console, a table in a notebook, frames of pandas."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from html import escape
from typing import TYPE_CHECKING, Any

from allocator.base.dimensions import format_quantity

if TYPE_CHECKING:
    import pandas as pd

Facts = list[tuple[str, str]]


class Shown:
    """What a plan and a trace share: :meth:`facts` told in a line, or as a table."""

    __slots__ = ()

    def facts(self) -> Facts:
        """Words and figures; the first one is what it is, and of what."""
        raise NotImplementedError

    def __repr__(self) -> str:
        (what, name), *rest = self.facts()
        return f"{what}({name!r}: {', '.join(f'{words} {figure}' for words, figure in rest)})"

    def _repr_html_(self) -> str:
        (what, name), *rest = self.facts()
        rows = "".join(
            f"<tr><th style='text-align:left'>{escape(words)}</th><td>{escape(figure)}</td></tr>"
            for words, figure in rest
        )
        return f"<table><caption>{escape(what)}: {escape(name)}</caption>{rows}</table>"


def frame_of(records: Iterable[Any], units: Mapping[str, str]) -> pd.DataFrame:
    """A frame with a row a record. ``units``: field -> unit, which its column's name ends with.

    A field that is a mapping makes a column a key, such as ``draw_kg_per_s flat``.
    """
    import pandas as pd

    rows = []
    for record in records:
        row: dict[str, object] = {}
        for field in dataclasses.fields(record):
            value, unit = getattr(record, field.name), units.get(field.name)
            name = f"{field.name}_{unit}" if unit else field.name
            if isinstance(value, Mapping):
                row |= {f"{name} {key}": part for key, part in value.items()}
            else:
                row[name] = value
        rows.append(row)
    return pd.DataFrame(rows)


def watts(power: float) -> str:
    """A power as people write it: ``13.4 kW``."""
    return format_quantity(power, "power")


def part_of(part: str, parts: Iterable[str]) -> str:
    """The part asked for. Raises ValueError where there is none of that name."""
    known = tuple(parts)
    if part not in known:
        raise ValueError(f"no part is called {part!r}; write one of {', '.join(known)}")
    return part
