"""A site file of an older format rewritten in the newest one."""

from __future__ import annotations

from os import PathLike
from pathlib import Path

from allocator.base.errors import Fault, SiteFileError
from allocator.site.document import DocumentError, read_document
from allocator.site.formats import FORMAT, FORMER, format_node, migrated_text
from allocator.site.reading import content_of


def migrated(path: str | PathLike[str]) -> tuple[bytes | None, int]:
    """The content of a site file in the newest format, and how many keys were renamed.

    None where the file is of that format already. Only names of keys and the format change:
    comments, order, layout and line ends stay.

    Raises:
        SiteFileError: the file cannot be read, is no YAML, or names another format.
    """
    try:
        content = content_of(Path(path))
        root = read_document(content)
    except DocumentError as error:
        fault = Fault(str(path), error.line, error.column, "", error.problem, error.remedy)
        raise SiteFileError([fault]) from None
    node = format_node(root)
    if node is not None and node.text == FORMAT:
        return None, 0
    if node is None or node.text != FORMER:
        line, column = (root.line, root.column) if node is None else (node.line, node.column)
        problem = f"the format is not {FORMER}, which is what can be rewritten"
        remedy = f"write 'format: {FORMER}' if it is"
        raise SiteFileError([Fault(str(path), line, column, "site", problem, remedy)])
    mark = b"\xef\xbb\xbf" if content.startswith(b"\xef\xbb\xbf") else b""
    text, count = migrated_text(content.decode("utf-8-sig"), root)
    return mark + text.encode("utf-8"), count
