"""Supply mixes to compare."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.site.records import Mix
from allocator.site.table import Values


def read_mixes(section: Mapping[str, Values]) -> dict[str, Mix]:
    """Every mix that is whole."""
    return {name: Mix(name, **values.found) for name, values in section.items() if values.whole}
