"""Where limits are in the site file."""

from __future__ import annotations

import os

from allocator.model.limits import Limit
from allocator.site.marks import Marks


def marks_of(file: str | os.PathLike[str] | None) -> Marks | None:
    """The lines of a site file, where there is one."""
    return None if file is None else Marks(file)


def where(marks: Marks | None, limit: Limit) -> str:
    """Where a limit is: ``file:line``, its keys where there is no file, or ``asked for``."""
    if not limit.path:
        return "asked for"
    return marks.of(limit.path) if marks is not None else ".".join(limit.path)
