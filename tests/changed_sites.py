"""Sites of a text that a test holds, with parts of it replaced."""

from __future__ import annotations

from pathlib import Path

from allocator.network.reading import check_site
from allocator.site.records import Site


def changed_site(text: str, folder: Path, *changes: tuple[str, str]) -> Site:
    """The site of a text without faults; each of the changes replaces what is there once."""
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    found = check_site(path)
    assert not found.faults
    assert found.site is not None
    return found.site
