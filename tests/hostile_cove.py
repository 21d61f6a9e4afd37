"""A cove whose names are chosen to break pages, sheets and graphs."""

from __future__ import annotations

import dataclasses
from dataclasses import replace
from typing import Any

from handmade_cove import COVE, COVE_PLAN

from allocator.network.records import undivided
from allocator.plans.records import Plan
from allocator.site.records import Site

SCRIPT = "<script>alert('x')</script>"
QUOTED = '"Ann\'s" & <b>bold</b>'
RIGHT_TO_LEFT = "مصنع الغاز"
EMOJI = "🔥 kiln"
FORMULA = "=1+1"

RENAMED = {"works": SCRIPT, "well": QUOTED, "yard": RIGHT_TO_LEFT, "pond": EMOJI}


def _renamed(record: Any) -> Any:
    """A record with the places of the cove called otherwise, wherever they stand."""
    if dataclasses.is_dataclass(record) and not isinstance(record, type):
        return replace(
            record,
            **{
                f.name: _renamed(getattr(record, f.name))
                for f in dataclasses.fields(record)
                if f.init
            },
        )
    if isinstance(record, dict):
        return {_renamed(key): _renamed(value) for key, value in record.items()}
    if isinstance(record, tuple):
        return tuple(_renamed(item) for item in record)
    if isinstance(record, str):
        for old, new in RENAMED.items():
            if record == old or record.endswith(f"@{old}"):
                return record[: -len(old)] + new
            record = record.replace(f"@{old}>", f"@{new}>")
    return record


HOSTILE: Site = undivided(replace(_renamed(COVE), name=FORMULA))
"""Made without the checks of :func:`network_of`, which refuse some of these names."""
HOSTILE_PLAN: Plan = replace(_renamed(COVE_PLAN), site_name=FORMULA)
