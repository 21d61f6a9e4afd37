"""A site with Python's own numbers where other libraries' were given, such as NumPy's."""

from __future__ import annotations

import dataclasses
import numbers
from collections.abc import Mapping
from typing import Any, TypeVar

Kept = TypeVar("Kept")
PLAIN = (float, int, str, bool, type(None))


def with_plain_numbers(value: Kept) -> Kept:
    """The value itself, or an equal one of whole numbers as ``int`` and others as ``float``.

    ``value``: a record, mapping, tuple, list or number; what is none of these stays as it is, for
    the checks to refuse.
    """
    found: Any = _plain(value)
    return found  # type: ignore[no-any-return]


def _plain(value: Any) -> Any:
    if type(value) in PLAIN:
        return value
    if isinstance(value, numbers.Integral):
        return int(value)
    if isinstance(value, numbers.Real):
        return float(value)
    if isinstance(value, tuple | list):
        items = [_plain(item) for item in value]
        same = all(item is old for item, old in zip(items, value, strict=True))
        if same or type(value) not in (tuple, list):
            return value
        return type(value)(items)
    if isinstance(value, Mapping):
        inner = {key: _plain(item) for key, item in value.items()}
        return value if all(inner[key] is value[key] for key in value) else inner
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {
            field.name: getattr(value, field.name)
            for field in dataclasses.fields(value)
            if field.init and field.compare
        }
        changed = {name: new for name, old in fields.items() if (new := _plain(old)) is not old}
        return dataclasses.replace(value, **changed) if changed else value
    return value
