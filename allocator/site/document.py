"""Bytes of a YAML file -> a tree of marked nodes, without any surprise of YAML 1.1.

The tree is built from parser events in one loop, so that deep nesting, aliases that multiply
and aliases into themselves are refused while they are read and not after.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from allocator.base.errors import AllocatorError
from allocator.base.grouped import grouped
from allocator.base.quantities import shown
from allocator.site.nodes import Items, Node, Pairs, Scalar

if TYPE_CHECKING:
    import yaml

DEEPEST = 40
"""Levels of nesting that a file may have; a site file needs six."""

MOST_ALIASED = 200_000
"""Values that a file with aliases may hold once the aliases are written out."""

_FORBIDDEN = re.compile("[^\t\n\r -~\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


class DocumentError(AllocatorError):
    """A file that is no usable YAML document: where, what is wrong, what to do."""

    def __init__(self, line: int, column: int, problem: str, remedy: str = "") -> None:
        self.line = line
        self.column = column
        self.problem = problem
        self.remedy = remedy
        super().__init__(problem)


def read_document(content: bytes) -> Node:
    """The tree of the one document in ``content``. Raises :class:`DocumentError`."""
    text = _decode(content)
    forbidden = _FORBIDDEN.search(text)
    if forbidden:
        line, column = _position(text, forbidden.start())
        raise DocumentError(
            line,
            column,
            f"the character {shown(forbidden[0])} is not allowed in a text file",
            "delete it",
        )
    root = _build(text)
    if root is None or (isinstance(root, Scalar) and root.empty):
        raise DocumentError(
            1,
            1,
            "the file is empty",
            "begin it with 'format: allocator.site/2'; networks/README.md lists the keys",
        )
    return root


def _decode(content: bytes) -> str:
    if content.startswith(b"PK\x03\x04"):
        remedy = "make a site file of it: 'allocator template FILE.xlsx -o site.yaml'"
        raise DocumentError(1, 1, "the file is a workbook or another packed file", remedy)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        start = error.start + (3 if content.startswith(b"\xef\xbb\xbf") else 0)
        before = content[:start].decode("utf-8-sig", errors="replace")
        line, column = _position(before, len(before))
        raise DocumentError(
            line, column, "the file is not UTF-8 text", "save it with the encoding UTF-8"
        ) from None


def _position(text: str, index: int) -> tuple[int, int]:
    """Line and column, from 1, of a character."""
    return text.count("\n", 0, index) + 1, index - text.rfind("\n", 0, index)


@dataclass(slots=True)
class _Open:
    """A list or mapping whose end has not been read yet."""

    node: Items | Pairs
    anchor: str | None
    count: int = 1
    key: Node | None = None


@dataclass(slots=True)
class _Builder:
    """Puts events together. ``sizes``: values below an anchored node, itself included."""

    root: Node | None = None
    stack: list[_Open] = field(default_factory=list)
    anchors: dict[str, Node] = field(default_factory=dict)
    sizes: dict[str, int] = field(default_factory=dict)
    aliased: bool = False

    def take(self, event: Any) -> None:
        mark = event.start_mark
        line, column = mark.line + 1, mark.column + 1
        kind = type(event).__name__  # a file has millions of events: one look-up each
        if kind == "ScalarEvent":
            self._refuse_tag(event, line, column)
            node = Scalar(event.value, not event.style, line, column)
            if event.anchor:
                self.anchors[event.anchor], self.sizes[event.anchor] = node, 1
            self._place(node, 1)
        elif kind == "MappingStartEvent":
            self._open(event, Pairs([], line, column))
        elif kind in ("MappingEndEvent", "SequenceEndEvent"):
            self._close(line, column)
        elif kind == "SequenceStartEvent":
            self._open(event, Items([], line, column))
        elif kind == "AliasEvent":
            self._alias(event.anchor or "", line, column)
        elif kind == "DocumentStartEvent" and self.root is not None:
            raise DocumentError(
                line, column, "a second document begins here", "keep one document a file"
            )

    def _refuse_tag(self, event: Any, line: int, column: int) -> None:
        if event.tag is not None:
            raise DocumentError(
                line, column, f"the tag {shown(event.tag)} is not read", "delete the tag"
            )

    def _open(self, event: Any, node: Items | Pairs) -> None:
        self._refuse_tag(event, node.line, node.column)
        if len(self.stack) >= DEEPEST:
            raise DocumentError(
                node.line,
                node.column,
                f"values are nested more than {DEEPEST} deep",
                "a site file needs six levels",
            )
        if event.anchor:
            self.anchors.pop(event.anchor, None)
        self.stack.append(_Open(node, event.anchor))

    def _close(self, line: int, column: int) -> None:
        done = self.stack.pop()
        if done.anchor:
            self.anchors[done.anchor], self.sizes[done.anchor] = done.node, done.count
        self._place(done.node, done.count)
        if self.aliased and done.count > MOST_ALIASED:
            raise DocumentError(
                done.node.line,
                done.node.column,
                f"aliases multiply this to more than {grouped(MOST_ALIASED)} values",
                "write the values out",
            )

    def _alias(self, anchor: str, line: int, column: int) -> None:
        node = self.anchors.get(anchor)
        if node is None:
            inside = any(still_open.anchor == anchor for still_open in self.stack)
            raise DocumentError(
                line,
                column,
                f"the alias {shown('*' + anchor)} "
                + ("is inside what it names" if inside else "names nothing above it"),
                f"mark the value that it repeats with '&{anchor}' first",
            )
        self.aliased = True
        self._place(node, self.sizes[anchor])

    def _place(self, node: Node, count: int) -> None:
        if not self.stack:
            self.root = node
            return
        parent = self.stack[-1]
        parent.count += count
        if isinstance(parent.node, Items):
            parent.node.items.append(node)
        elif parent.key is None:
            parent.key = node
        else:
            parent.node.pairs.append((parent.key, node))
            parent.key = None


def _build(text: str) -> Node | None:
    import yaml

    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    builder = _Builder()
    try:
        for event in yaml.parse(text, Loader=loader):
            builder.take(event)
    except yaml.MarkedYAMLError as error:
        raise _bad_yaml(text, error) from None
    except (yaml.YAMLError, ValueError, OverflowError) as error:  # escapes of no character
        raise DocumentError(1, 1, f"not valid YAML: {shown(str(error), 200)[1:-1]}") from None
    return builder.root


def _bad_yaml(text: str, error: yaml.MarkedYAMLError) -> DocumentError:
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    lines = text.splitlines()
    if mark and line <= len(lines) and "\t" in lines[line - 1][:column]:
        column = lines[line - 1].index("\t") + 1
        return DocumentError(
            line, column, "a tab is used where YAML allows spaces only", "indent with spaces"
        )
    said = shown(" ".join(part for part in (error.context, error.problem) if part), 200)[1:-1]
    begun = error.context_mark.line + 1 if error.context_mark else line
    span = "above this point" if begun >= line else f"from line {begun} on"
    return DocumentError(
        line,
        column,
        f"not valid YAML: {said}",
        f"check colons, brackets, quotes and indentation {span}",
    )
