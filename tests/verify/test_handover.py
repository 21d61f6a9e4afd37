"""What a store must hold when a survey ends: its worst need until then must leave that much."""

from __future__ import annotations

import pytest
from handmade_cove import COVE, COVE_PLAN, DAY

from allocator.network.deriving import network_of, studied
from allocator.network.records import Handover
from allocator.verify import audit


@pytest.mark.parametrize(("left", "accepted"), [(1.0, True), (0.0, False)])
def test_a_store_that_must_be_full_at_a_time_cannot_be_drawn_on_before(
    left: float, accepted: bool
) -> None:
    """``left``: share of the store that may be missing in the end; its sources pause before."""
    (store,) = [use for use in COVE_PLAN.stores if use.name == "holder@works"]
    handover = Handover(10 * DAY, {store.name: (1.0 - left) * store.size})
    report = audit(studied(network_of(COVE), handover=handover), COVE_PLAN)
    assert ("store_handover" in report.rules) != accepted
    assert report.checks["store_handover"] == 1
