"""Supply mixes to compare."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.file_names import file_name, same_file
from allocator.site.records import Mix
from allocator.site.table import Values


def read_mixes(section: Mapping[str, Values]) -> dict[str, Mix]:
    """Every mix that is whole. Notes names from which no folders of their own can be made."""
    folders: dict[str, str] = {}
    for name, values in section.items():
        folder = file_name(name)
        other = next((n for n, taken in folders.items() if same_file(taken, folder)), None)
        if not folder:
            values.fault_here(
                "name",
                "its plan gets a folder of this name, and nothing of it can name one",
                "use letters, digits and spaces",
            )
        elif other is not None:
            values.fault_here(
                "name",
                f"its plan would get the same folder, {folder!r}, as mix {other!r}",
                "use names that differ in their letters or digits",
            )
        else:
            folders[name] = folder
    return {name: Mix(name, **values.found) for name, values in section.items() if values.whole}
