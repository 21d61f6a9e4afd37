"""Linear and integer programs as PuLP problems, for either major version of PuLP."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import pulp

from allocator.model.model import Row


class FileTextError(Exception):
    """A problem that PuLP cannot write."""


class PulpColumn(NamedTuple):
    """A variable of a PuLP problem; infinite bounds are none."""

    name: str
    low: float
    high: float
    integer: bool


def problem_of(
    columns: Iterable[PulpColumn], rows: Iterable[Row], objective: Mapping[int, float], name: str
) -> tuple[Any, list[Any]]:
    """A PuLP problem that minimises ``objective``, and its variables in the order given.

    PuLP leaves a variable out of the built model where it stands in no row and costs nothing.
    """
    problem = pulp.LpProblem(name, pulp.LpMinimize)
    variables = [
        problem.add_variable(
            column.name,
            None if column.low == -math.inf else column.low,
            None if column.high == math.inf else column.high,
            cat="Integer" if column.integer else "Continuous",
        )
        for column in columns
    ]
    problem.setObjective(
        pulp.lpSum([cost * variables[number] for number, cost in objective.items()])
    )
    for row in rows:
        _add_row(problem, variables, row)
    return problem, variables


def file_text(problem: Any, suffix: str) -> bytes:
    """A problem as an LP file (``.lp``) or an MPS file (``.mps``).

    Raises:
        FileTextError: PuLP cannot write it.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"program{suffix}"
        try:
            (problem.writeLP if suffix == ".lp" else problem.writeMPS)(str(path))
        except pulp.PulpError as error:
            raise FileTextError(str(error)) from error
        return path.read_bytes()


def _add_row(problem: Any, variables: Sequence[Any], row: Row) -> None:
    if not row.columns:
        raise ValueError(f"row {row.name!r} has no variables and cannot hold")
    total = pulp.lpSum(
        [value * variables[c] for c, value in zip(row.columns, row.coefficients, strict=True)]
    )
    if row.low == row.high:
        problem.addConstraint(total == row.low, row.name)
        return
    if row.high < math.inf:
        problem.addConstraint(total <= row.high, row.name)
    if row.low > -math.inf:
        name = f"{row.name}_low" if row.high < math.inf else row.name
        problem.addConstraint(total >= row.low, name)
