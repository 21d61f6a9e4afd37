"""A proof cut to a budget of events runs whole rounds of the demands."""

from __future__ import annotations

import pytest
from handmade_cove import COVE, COVE_PLAN

from allocator.simulation.trace import SimulationSettings
from allocator.simulation.tracing import simulate

DAY = 86400.0


@pytest.mark.parametrize("budget", [150, 400, 900, 2000])
def test_the_mean_of_a_short_proof_is_no_less_than_what_was_kept(budget: int) -> None:
    """The evening takes more than the morning: over part of a day the mean would be off."""
    settings = SimulationSettings(days=365, phases=2, adversarial=False, budget=budget)
    trace = simulate(COVE, COVE_PLAN, settings)
    days = trace.settings.days
    assert 1 <= days < 365
    assert days == round(days)
    assert trace.kept
    assert trace.mean("mean_clean_w") >= COVE_PLAN.power.firm_clean * (1 - 1e-9)
    assert trace.mean("mean_total_w") >= COVE_PLAN.power.firm_total * (1 - 1e-9)
