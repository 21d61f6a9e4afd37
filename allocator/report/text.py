"""The layout of plain text, for reports: see :mod:`allocator.base.text`."""

from allocator.base.text import WIDTH, columns, paragraph, printable, section, table, width

__all__ = ["WIDTH", "columns", "paragraph", "printable", "section", "table", "width"]
