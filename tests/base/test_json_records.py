"""Records that declare their JSON: kinds from types, the order of keys, a schema, a table."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import pytest

from allocator.base.json_kinds import (
    JsonFlag,
    JsonKind,
    JsonNamed,
    JsonRows,
    JsonText,
    JsonWhole,
    Maybe,
    Number,
    Problem,
)
from allocator.base.json_records import fact, keys_of, kind_of, record, record_kind


@record
class Valve:
    """A valve.

    More of it.
    """

    name: str = fact("name", "Its name.")
    kinds: tuple[str, ...] = fact("kinds", "Its kinds.", optional=True, default=())


@record
class Panel:
    """A panel of valves."""

    rate: float = fact("rate_kg_s", "Its rate.")
    valves: tuple[Valve, ...] = fact("valves", "Valves on it.")
    spare: Valve | None = fact("spare", "One more.", default=None)
    first: bool = fact("first", "Whether it stands first.", default=True, after="")
    unit: str = fact("unit", "Its unit.", JsonText(("a", "b")), default="a", after="rate")
    aside: int = 7


@pytest.mark.parametrize(
    ("hint", "kind"),
    [
        (str, JsonText()),
        (float, Number()),
        (int, JsonWhole()),
        (bool, JsonFlag()),
        (float | None, Maybe(Number())),
        (tuple[str, ...], JsonRows(JsonText())),
        (Mapping[str, Mapping[str, float]], JsonNamed(JsonNamed(Number()))),
        (Valve, record_kind(Valve)),
    ],
)
def test_the_kind_follows_from_the_type(hint: Any, kind: JsonKind) -> None:
    assert kind_of(hint) == kind


@pytest.mark.parametrize(
    "hint", [object, tuple[str, float], Mapping[int, str], int | str, int | str | None, list[str]]
)
def test_a_type_without_a_kind_is_refused(hint: Any) -> None:
    with pytest.raises(TypeError, match="no kind of JSON value follows from"):
        kind_of(hint)


PANEL = Panel(0.5, (Valve("v", ("gate",)), Valve("w")), aside=8)


def test_a_record_is_a_frozen_dataclass_with_slots() -> None:
    assert dataclasses.replace(PANEL, rate=1.0) == Panel(1.0, PANEL.valves, None, aside=8)
    with pytest.raises(dataclasses.FrozenInstanceError):
        PANEL.rate = 2.0  # type: ignore[misc]
    assert not hasattr(PANEL, "__dict__")


def test_the_docstring_lists_what_each_field_is() -> None:
    assert Valve.__doc__ is not None
    assert Valve.__doc__.splitlines() == [
        "A valve.",
        "",
        "More of it.",
        "",
        "Attributes",
        "----------",
        "name",
        "    ``name``: Its name.",
        "kinds",
        "    ``kinds``: Its kinds.",
    ]


def test_keys_stand_in_the_order_declared_and_empty_ones_are_left_out() -> None:
    assert record_kind(Panel).write(PANEL) == {
        "first": True,
        "rate_kg_s": 0.5,
        "unit": "a",
        "valves": [{"name": "v", "kinds": ["gate"]}, {"name": "w"}],
        "spare": None,
    }
    assert [key.name for key in keys_of(Panel)] == ["first", "rate_kg_s", "unit", "valves", "spare"]


def test_what_is_written_is_read_back_but_for_what_has_no_key() -> None:
    kind = record_kind(Panel)
    problems: list[Problem] = []
    found = kind.read(kind.write(PANEL), "$", problems)
    assert problems == []
    assert found == dataclasses.replace(PANEL, aside=7)


def test_each_record_is_described_once() -> None:
    defs: dict[str, Any] = {}
    assert record_kind(Panel).schema(defs) == {"$ref": "#/$defs/Panel"}
    assert set(defs) == {"Panel", "Valve"}
    assert defs["Valve"] == {
        "description": "A valve.",
        "type": "object",
        "properties": {
            "name": {"description": "Its name.", "type": "string"},
            "kinds": {
                "description": "Its kinds.",
                "type": "array",
                "items": {"type": "string"},
            },
        },
        "required": ["name"],
        "additionalProperties": False,
    }


def test_the_rows_of_a_table_go_down_into_records() -> None:
    assert list(record_kind(Panel).rows(""))[2:6] == [
        ("unit", "`a`, `b`", "Its unit."),
        ("valves", "list of objects", "Valves on it."),
        ("valves[].name", "text", "Its name."),
        ("valves[].kinds", "list of texts; may be left out", "Its kinds."),
    ]
