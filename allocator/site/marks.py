"""Where a thing stands in its site file: ``file:line``, for messages after the file was read."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from allocator.site.document import DocumentError, read_document
from allocator.site.nodes import Node, Pairs, Scalar
from allocator.site.shared_values import put_in_place


class Marks:
    """Lines of a site file by the keys that lead to them."""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._name = os.fspath(path)
        try:
            self._root: Node | None = read_document(Path(path).read_bytes())
            put_in_place(self._root)
        except (OSError, DocumentError):
            self._root = None

    def of(self, keys: Sequence[str]) -> str:
        """``file:line`` of a value, or of the nearest key above it that is there."""
        node, line = self._root, 0
        for key in keys:
            if not isinstance(node, Pairs):
                break
            found = next(
                (
                    (name, value)
                    for name, value in node.pairs
                    if isinstance(name, Scalar) and name.text == key
                ),
                None,
            )
            if found is None:
                break
            line, node = found[0].line, found[1]
        return f"{self._name}:{line}" if line else self._name
