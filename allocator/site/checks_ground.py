"""Checks of fluids, materials and mixes that need more than one value."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.file_names import file_name, same_file
from allocator.physics.faults import PhysicsError
from allocator.physics.library_names import check_name
from allocator.site.site_values import Filled, SiteValues
from allocator.site.table import Values


def check_substance(values: Values, _: SiteValues) -> Filled:
    """Notes a name that the property library does not have."""
    if substance := values.get("substance"):
        try:
            check_name(substance)
        except PhysicsError as error:
            values.fault_here("substance", error.problem, error.remedy)
    return {}


def check_vacuum(values: Values, _: SiteValues) -> Filled:
    """Notes a vacuum that conducts heat."""
    if values.get("vacuum") and values.has("conductivity"):
        values.fault("conductivity", "is given for a vacuum", "keep one of the two")
    return {}


def check_folders_of_mixes(section: Mapping[str, Values]) -> None:
    """Notes mixes from whose names no folders of their own can be made for their plans."""
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
