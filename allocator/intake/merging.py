"""Changes made in a workbook, written into the site file it came from: comments and order stay."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from allocator.intake.workbook import tree_of
from allocator.site.document import DocumentError, read_document
from allocator.site.writing import tree_text, value_text

Edit = tuple[int, int, str]
"""Characters from, up to, and the text in their place."""


def merged(text: str, tree: Mapping[str, Any]) -> str | None:
    """The text of a site file with the values of ``tree``; all that is equal stays as it is.

    None where the text has anchors or cannot be changed in place: then it is written anew.
    """
    import yaml

    try:
        root: Any = yaml.compose(text, Loader=yaml.SafeLoader)
        if not same(tree_of(read_document(text.encode("utf-8"))), tree):
            if "&" in text and "*" in text:
                return None
            edits: list[Edit] = []
            _mapping(text, root, tree, edits)
            for start, end, new in sorted(edits, reverse=True):
                text = text[:start] + new + text[end:]
        return text if same(tree_of(read_document(text.encode("utf-8"))), tree) else None
    except (yaml.YAMLError, DocumentError):
        return None


def same(one: Any, other: Any) -> bool:
    """Whether two values say the same: order of keys aside, an empty mapping like null."""
    if one in (None, {}) and other in (None, {}):
        return True
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    return bool(one == other)


def _value(text: str, node: Any, new: Any, edits: list[Edit]) -> None:
    """Changes a value where it differs."""
    if node.id == "mapping" and isinstance(new, dict) and not node.flow_style and new:
        _mapping(text, node, new, edits)
    else:
        start, end = node.start_mark.index, _end(node)
        block = end > start and text[end - 1] == "\n"
        space = "" if end > start else " "
        edits.append((start, end, space + value_text(new) + ("\n" if block else "")))


def _plain(node: Any) -> Any:
    """A composed node as a tree."""
    if node.id == "scalar":
        null = node.style is None and node.value in ("", "~", "null", "Null", "NULL")
        return None if null else node.value
    if node.id == "sequence":
        return [_plain(item) for item in node.value]
    return {key.value: _plain(value) for key, value in node.value}


def _mapping(text: str, node: Any, new: Mapping[str, Any], edits: list[Edit]) -> None:
    """Changes the keys of a mapping in block style, one by one."""
    known = {key.value for key, _ in node.value}
    for key, value in node.value:
        if key.value in new:
            if not same(_plain(value), new[key.value]):
                _value(text, value, new[key.value], edits)
        else:
            start = text.rfind("\n", 0, key.start_mark.index) + 1
            edits.append((start, _line_end(text, _end(value)), ""))
    added = {key: value for key, value in new.items() if key not in known}
    if added:
        indent = " " * node.value[0][0].start_mark.column
        lines = tree_text(added).splitlines()
        at = _line_end(text, _end(node.value[-1][1]))
        before = "" if at == 0 or text[at - 1] == "\n" else "\n"
        edits.append((at, at, before + "".join(f"{indent}{line}\n" for line in lines)))


def _end(node: Any) -> int:
    """The end of what a node writes, without the comments behind it."""
    if node.id == "scalar" or node.flow_style or not node.value:
        return int(node.end_mark.index)
    last = node.value[-1]
    return _end(last[1] if node.id == "mapping" else last)


def _line_end(text: str, at: int) -> int:
    """The beginning of the line after the one in which a value ends."""
    if at and text[at - 1] == "\n":  # a block of text ends behind its line
        return at
    found = text.find("\n", at)
    return len(text) if found < 0 else found + 1
