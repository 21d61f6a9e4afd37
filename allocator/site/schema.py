"""JSON Schema of the site file, for editors: made from the same declarations as the reader."""

from __future__ import annotations

from typing import Any

from allocator.site.formats import FORMAT
from allocator.site.kinds import Defs
from allocator.site.records.site import SITE


def site_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of a site file, for editors.

    Returns
    -------
    dict
        Every key with its shape, limits and default. References, units and all that needs more
        than one value are checked by the reader only.

    Examples
    --------
    >>> import allocator as al
    >>> al.site_schema()["title"]
    'Site file, allocator.site/2'
    """
    defs = Defs()
    whole = SITE.schema_in_full(defs)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"Site file, {FORMAT}",
        "description": (
            "The equipment of an isolated site and what may be built there. Quantities are text "
            "with a unit, such as '3 g/s', or plain numbers in SI."
        ),
        **whole,
        "$defs": defs,
    }
