"""Fields of records that were renamed still give their values, and say their new names."""

from __future__ import annotations

import copy
import pickle

import pytest
from handmade_cove import COVE, COVE_PLAN


@pytest.mark.parametrize(
    ("record", "old", "new"),
    [
        (COVE, "stores", "storage"),
        (COVE, "builds", "pipes"),
        (COVE, "lines", "power_lines"),
        (COVE, "baths", "heat_sinks"),
        (COVE_PLAN, "withstands", "robustness"),
        (COVE_PLAN, "baths", "heat_sinks"),
    ],
)
def test_an_old_name_gives_the_value_and_says_the_new_one(
    record: object, old: str, new: str
) -> None:
    with pytest.warns(DeprecationWarning, match=f"{old} is now '{new}'"):
        assert getattr(record, old) is getattr(record, new)


def test_other_names_are_no_attributes_and_copies_work() -> None:
    with pytest.raises(AttributeError, match="'Site' object has no attribute 'tanks'"):
        COVE.tanks  # type: ignore[attr-defined]  # noqa: B018
    assert copy.copy(COVE) == COVE
    assert pickle.loads(pickle.dumps(COVE_PLAN)) == COVE_PLAN
