"""The state of a site in operation, as a crew writes it down: what the file says, read and checked.

Names and sizes come from the plan that is operated; whoever reads a state gives them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from os import PathLike
from pathlib import Path
from typing import Any

from allocator.base.errors import StateFileError
from allocator.base.quantities import QuantityError, format_quantity, parse_quantity, shown
from allocator.site.diagnostics import Diagnostics, Where
from allocator.site.document import DocumentError, read_document
from allocator.site.groups import ListOf, MapOf
from allocator.site.keys import key, record, table_of
from allocator.site.kinds import AsWritten, Choice, Defs, Name, Quantity, Text, Whole
from allocator.site.nodes import Pairs, Scalar
from allocator.site.reading import content_of
from allocator.site.shared_values import value_of
from allocator.site.table import Key, Values

STATE_FORMAT = "allocator.state/1"
AGO = Quantity("duration", least=0)
SEEN = ("on", "off", "unknown")


@record()
class SourceSeen:
    """What is seen of a source."""

    state: str = key(Choice(SEEN), "Whether it gives now")
    since: float | None = key(
        AGO, "Time since it last turned on or off", default=None, left_out="not known"
    )
    spell: float | None = key(
        AGO,
        "Time since its outermost stage last turned on, of sources whose stages nest",
        default=None,
        left_out="not known",
    )


@record()
class UnitsOut:
    """Units of a machine that are out of order."""

    machine: str = key(Name("machines", "machine", elsewhere=True), "Which machine")
    place: str = key(Name("places", "place", elsewhere=True), "Its place")
    count: int = key(Whole(), "Units that are out")
    until: float | None = key(
        AGO, "Time from now until they are back", default=None, left_out="not within the days ahead"
    )


@record(first=("format", "site", "time"))
class OperatingState:
    """What stores hold, what sources do and what is out of order at one time.

    Levels are in kg or J. ``time`` is empty where the state has none.
    """

    site: str = key(
        Text(),
        "Name of the site",
        also=(Key("format", Choice((STATE_FORMAT,)), f"{STATE_FORMAT}", required=True),),
    )
    levels: Mapping[str, float] = key(
        MapOf(Name("stores", "store", elsewhere=True), AsWritten()),
        "Store -> what it holds now, such as `80 kg`, or as a share of its size: `60 %`",
    )
    time: str = key(
        Text(40),
        "Date and time, ISO 8601; known clocks count from the site's `starts_at` with it",
        default="",
        left_out="clocks and profiles may be at any time",
    )
    sources: Mapping[str, SourceSeen] = key(
        MapOf(Name("sources", "source", elsewhere=True), table_of(SourceSeen)),
        "Source -> what is seen of it; one that is left out may be at any phase",
        default={},
    )
    units_out: tuple[UnitsOut, ...] = key(
        ListOf(table_of(UnitsOut)), "Units that are out of order", default=()
    )


TABLE = table_of(OperatingState)
Check = Callable[[OperatingState, Values], None]
"""Notes what cannot be at the values that a state was read from."""


def state_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of a state file, for editors.

    Returns
    -------
    dict
        Every key with its shape and limits.

    Examples
    --------
    >>> import allocator as al
    >>> al.state_schema()["title"]
    'State file, allocator.state/1'
    """
    defs = Defs()
    whole = TABLE.schema_in_full(defs)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"State file, {STATE_FORMAT}",
        "description": "What stores hold, what sources do and what is out of order at one time.",
        **whole,
        "$defs": defs,
    }


def read_state(
    path: str | PathLike[str],
    site: str,
    names: Mapping[str, Mapping[str, None]],
    sizes: Mapping[str, tuple[float, str]],
    check: Check,
) -> OperatingState:
    """The state of a file.

    ``site``: the name of the site that it must be of; ``names``: section -> names that it may use;
    ``sizes``: size and unit (kg or J) of each store, whose level must be given; ``check``: asked
    last, of a state without faults.

    Raises:
        StateFileError: all that is wrong with it, each with its place.
    """
    file = Path(path)
    diagnostics = Diagnostics(str(path), file.parent, names=names)
    found: OperatingState | None = None
    try:
        root = read_document(content_of(file))
        if not isinstance(root, Pairs):
            raise DocumentError(
                root.line,
                root.column,
                "is no mapping of keys",
                f"begin with 'format: {STATE_FORMAT}'",
            )
        of = value_of(root, "site")
        if isinstance(of, Scalar) and of.text != site:
            remedy = "name the state of this site"
            problem = f"site is {shown(of.text)}, and the site is {site!r}"
            diagnostics.fault(of.line, of.column, "state", problem, remedy)
            raise StateFileError(diagnostics.faults)
        values = TABLE.read_marked(root, Where(diagnostics, "state"), Scalar("", True, 1, 1))
    except DocumentError as error:
        problem = error.problem.replace(", not a site file", "")
        remedy = error.remedy.replace("allocator.site/2", STATE_FORMAT)
        diagnostics.fault(error.line, error.column, "", problem, remedy)
    else:
        if isinstance(values, Values):
            levels = _levels(values, sizes)
            if not diagnostics.faults:
                seen = {
                    name: SourceSeen(**{k: one.get(k) for k in ("state", "since", "spell")})
                    for name, one in values.get("sources", {}).items()
                }
                found = replace(TABLE.made(values), levels=levels, sources=seen)
                _check_time(values)
                check(found, values)
    if diagnostics.faults or found is None:
        raise StateFileError(diagnostics.faults)
    return found


def _levels(values: Values, sizes: Mapping[str, tuple[float, str]]) -> dict[str, float]:
    """Levels in kg or J, none above its store's size, one for each store."""
    given = values.get("levels")
    if given is None or not hasattr(given, "nodes"):
        return {}
    found = {}
    for name, node in given.items():
        size, unit = sizes[name]
        text = node.value if isinstance(node, Scalar) else None
        share = isinstance(text, str) and text.rstrip().endswith("%")
        kind = "share" if share else "mass" if unit == "kg" else "energy"
        where = values.where.below("levels").below(name)
        try:
            amount = parse_quantity(text, kind)
        except QuantityError as error:
            example = "80 kg" if unit == "kg" else "20 kWh"
            where.fault(node, str(error), f"write the level as '{example}' or '60 %'")
            continue
        level = amount * size if share else amount
        if level < 0.0:
            where.fault(node, "is below 0", "give what the store holds")
        elif level > max(size, _as_shown(size, unit)) * (1.0 + 1e-9):
            most = f"{size:.6g} kg" if unit == "kg" else f"{size / 3.6e6:.6g} kWh"
            where.fault(
                node, f"is above the store's size, {most}", "correct the level, or the plan"
            )
        found[name] = min(level, size)
    for name in sizes:
        if name not in given:
            values.fault(
                "levels", f"lacks the store {shown(name)}", "give the level of every store"
            )
    return found


def _as_shown(size: float, unit: str) -> float:
    """A size in the digits in which it is told: nobody who copies them is wrong."""
    dimension = "mass" if unit == "kg" else "energy"
    return parse_quantity(format_quantity(size, dimension), dimension)


def _check_time(values: Values) -> None:
    text = values.get("time", "")
    if not text:
        return
    try:
        datetime.fromisoformat(text)
    except ValueError:
        values.fault(
            "time", f"is {shown(text)}, which is no date and time", "write 2027-03-01T06:00"
        )
