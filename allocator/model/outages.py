"""Scenarios of machine units out of order, and the supply layer that each of them has.

A scenario says how many units of each group are out. Its supply layer is a copy of the columns of
:data:`OPERATED` over the same design: ``("out", w, key)`` is column ``key`` in scenario ``w``. All
other columns are shared. So what is collected, what fills a store, what charges a battery and what
a battery promises is the same in every scenario: units that do such work are replaced by a unit of
their own group that is left, and where none is left the plan may not count on them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping

from allocator.base.grouped import grouped
from allocator.model.expressions import is_batched
from allocator.model.index_sets import Group, IndexSets
from allocator.model.model import INFINITY, Key, Model, Row, Terms

OPERATED = (
    "supply",
    "direct",
    "draw",
    "flat",
    "follow",
    "running",
    "evened",
    "lent",
    "served",
    "wire",
    "recover",
)
"""Words of the columns that each scenario has for itself."""
MANY = 10_000
"""Units of a group without a limit: no plan file lists more."""
MOST_SCENARIOS = 20_000
"""Scenarios that are gone through at all, here and in the audit."""
MOST_COLUMNS = 100_000
"""Columns that all scenarios of a model may have together."""

Scenario = Mapping[str, int]
"""Units out of order, by group."""


class TooManyScenariosError(ValueError):
    """More ways for units to be out of order than a model has room for."""


def most_units(group: Group) -> int:
    """Units that a group may have, with its existing ones."""
    return group.existing + (MANY if group.most_new is None else group.most_new)


def scenarios_of(sets: IndexSets) -> tuple[Scenario, ...]:
    """Every choice of as many units as the promise must hold without, units of a group alike.

    Fewer units out are no harder: each unit that is left may stand idle.

    Units of a group are alike, so a scenario counts them.

    Raises:
        TooManyScenariosError: there are more than :data:`MOST_SCENARIOS`.
    """
    units = sets.robustness.machines
    if units <= 0 or sets.lossless:
        return ()
    names = [name for name, group in sets.groups.items() if most_units(group) > 0]
    units = min(units, sum(most_units(sets.groups[name]) for name in names))
    number = math.comb(len(names) + units - 1, units) if names else 0
    if number > MOST_SCENARIOS:
        raise TooManyScenariosError(_too_many(number, units))
    found = []
    for chosen in itertools.combinations_with_replacement(names, units):
        out = {name: chosen.count(name) for name in dict.fromkeys(chosen)}
        if all(count <= most_units(sets.groups[name]) for name, count in out.items()):
            found.append(out)
    return tuple(found) if units else ()


def _too_many(number: int, units: int) -> str:
    return (
        f"{units} units may be out of order in {grouped(number)} ways, more than a model of this "
        "site has room for; ask for fewer units, or offer machines at fewer places"
    )


def stands(group: str, unit: int) -> Key:
    """1 where a group has so many units or more."""
    return ("stands", group, unit)


def during(number: int, key: Key) -> Key:
    """The column of a scenario that stands for one of normal operation."""
    if isinstance(key, tuple) and key[0] in OPERATED:
        return ("out", number, key)
    return key


def values_during(values: Mapping[Key, float], number: int) -> dict[Key, float]:
    """The values of all columns as they are in a scenario."""
    return {
        key: values.get(during(number, key), value)
        for key, value in values.items()
        if not (isinstance(key, tuple) and key[0] == "out")
    }


def declare_outages(model: Model, sets: IndexSets) -> None:
    """State the columns of every scenario, and those that say how many units stand."""
    scenarios = scenarios_of(sets)
    if not scenarios:
        return
    operated = [column for column in model.columns if during(0, column.key) != column.key]
    if len(scenarios) * len(operated) > MOST_COLUMNS:
        units = sum(scenarios[0].values())
        raise TooManyScenariosError(_too_many(len(scenarios), units))
    # part of a unit may turn where it takes nothing at no load and has no least load
    whole_units = {("running", g) for g, group in sets.groups.items() if is_batched(group)}
    for number, out in enumerate(scenarios):
        for column in operated:
            whole = column.key in whole_units
            model.variable(
                during(number, column.key),
                column.low * column.unit,
                column.high * column.unit,
                column.unit,
                whole,
            )
        for name, count in out.items():
            for unit in range(sets.groups[name].existing + 1, count + 1):
                if not model.has(stands(name, unit)):
                    model.variable(stands(name, unit), 0.0, 1.0, integer=True)


def plain_name(row: str) -> str:
    """The name in normal operation of a row, of a scenario or not."""
    return row.partition(":")[2] if row.startswith("out[") else row


def versions(rows: Mapping[str, int], name: str) -> list[int]:
    """A row of normal operation, and the same row of every scenario, where they are stated."""
    found = [rows[name]] if name in rows else []
    number = 0
    while (other := f"out[{number}]:{name}") in rows:
        found.append(rows[other])
        number += 1
    return found


def raise_high(model: Model, key: Key) -> None:
    """Take away the upper bound of a column, in normal operation and in each scenario."""
    model.raise_high(key)
    number = 0
    while model.has(other := during(number, key)) and other != key:
        model.raise_high(other)
        number += 1


class OutageModel(Model):
    """A model seen from a scenario: its rows are stated in the columns of the scenario.

    Rows without such a column are stated already and left out.
    """

    def __init__(self, model: Model, number: int) -> None:
        super().__init__()
        self._model = model
        self._number = number

    def has(self, key: Key) -> bool:
        """True when the variable exists."""
        return self._model.has(key)

    def row(
        self, name: str, terms: Terms, *, low: float = -INFINITY, high: float = INFINITY
    ) -> Row | None:
        """Add the row of the scenario, if it differs from that of normal operation."""
        mine = [(coefficient, during(self._number, key)) for coefficient, key in terms]
        if all(one == other for one, other in zip(mine, terms, strict=True)):
            return None
        return self._model.row(f"out[{self._number}]:{name}", mine, low=low, high=high)
