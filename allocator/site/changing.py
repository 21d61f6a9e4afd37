"""A site with other records, for a study."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from allocator.site.records import Site


def studied(site: Site, **changes: Any) -> Site:
    """A site or network with other records, for a study; a network is then that of no file."""
    return replace(site, **changes, studied=site.plain is not None)
