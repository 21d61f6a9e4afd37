"""Texts of files that a page is made of, read with one clear fault where they cannot be."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from allocator.base.errors import FileError


def text_of(path: Path, fault: Callable[[str], FileError]) -> str:
    """The text of a file. Raises what ``fault`` makes of the words for what is wrong."""
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise fault(f"cannot be opened: {error.strerror or error}") from None
    except ValueError:
        raise fault("is not text in UTF-8; write it again") from None
