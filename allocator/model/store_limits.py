"""Limits of the pressures of stores, with their slacks: at which they fill and at which they give.

A constant pressure is both, so that raising it helps what a store gives and hinders its filling,
and lowering it the other way round. Of a vessel they are two keys.
"""

from __future__ import annotations

from collections.abc import Iterator

from allocator.model.index_sets import IndexSets
from allocator.model.limits import Limit, slacked
from allocator.model.model import Key, Model
from allocator.model.pressure_limits import (
    Rows,
    fluids_of,
    lowest,
    pressure_limit,
    raised,
    where_used,
)
from allocator.model.rules.ratings import shut_row
from allocator.network.pressure_records import FluidPressures, StorePotentials


def release_limits(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    """The pressure at which stores give, raised: ``low - slope * slack <= release`` where used.

    Of a constant one also ``high - slope * slack + boost >= fill``, and shut in.
    """
    for one, kind, at, stores in _stores(sets):
        mine = [name for name in stores if f"release_pressure[{name}]" in rows]
        if not mine:
            continue
        constant = sets.site.storage[kind].pressure is not None
        key = "pressure" if constant else "min_pressure"
        word, path = ("release_pressure" if constant else key), ("storage", kind, key)
        limit, slope = pressure_limit(one, word, kind, path, at.release, more=True)
        slacked(model, limit)
        if not constant and at.fill > at.release:
            most = limit.slack_of(one.pressure(at.fill) - limit.value)
            model.row(f"fullest[{kind}]", [(1.0, limit.slack)], high=most)
        for name in mine:
            model.extend(rows[f"release_pressure[{name}]"], [(-slope, limit.slack)])
        for name in stores if constant else ():
            holds: Key = ("holds", name)
            if (row := f"filling_pressure[{name}]") in rows:
                filled = where_used(model, limit, holds, one.most / slope)
                model.extend(rows[row], [(-slope, filled)])
            place = sets.fluid_stores[name].place
            raised(model, rows, (limit, slope), one, (place, holds))
        yield limit


def filling_limits(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    """The pressure at which stores are filled, lowered: ``high + slope * slack + boost >= fill``

    where used, no lower than the ambient pressure and that of an empty vessel. Of a constant one
    also ``low + slope * slack <= release``. Shut in, they give as much less.
    """
    for one, kind, at, stores in _stores(sets):
        mine = [name for name in stores if f"filling_pressure[{name}]" in rows]
        if not mine:
            continue
        constant = sets.site.storage[kind].pressure is not None
        key = "pressure" if constant else "max_pressure"
        word, path = ("filling_pressure" if constant else key), ("storage", kind, key)
        limit, slope = pressure_limit(one, word, kind, path, at.fill, more=False)
        slacked(model, limit)
        least = one.least if constant else max(one.least, at.release)
        lowest(model, limit, one.pressure(least))
        for name in mine:
            model.extend(rows[f"filling_pressure[{name}]"], [(slope, limit.slack)])
            holds: Key = ("holds", name)
            if constant and (row := f"release_pressure[{name}]") in rows:
                given = where_used(model, limit, holds, one.most / slope)
                model.extend(rows[row], [(slope, given)])
            place = sets.fluid_stores[name].place
            for weight in range(len(one.at_rest)):
                if (row := shut_row(place, one.fluid, weight, holds)) in rows:
                    model.extend(rows[row], [(slope, limit.slack)])
        yield limit


def _stores(
    sets: IndexSets,
) -> Iterator[tuple[FluidPressures, str, StorePotentials, list[str]]]:
    """Kinds of store whose pressures are computed, and the stores of each."""
    for _, one in fluids_of(sets):
        for kind, at in one.stores.items():
            found = [name for name, store in sets.fluid_stores.items() if store.type.name == kind]
            yield one, kind, at, found
