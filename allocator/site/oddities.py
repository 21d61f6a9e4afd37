"""What is odd but possible: noted as warnings on a site that can be read."""

from __future__ import annotations

from allocator.site.records import Site
from allocator.site.table import Values


def note_oddities(site: Site, values: Values) -> None:
    """Notes every oddity of a site."""
