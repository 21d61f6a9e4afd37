"""A search that is not compiled yet is left for later, and the plan does without it."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from families import site_of

from allocator.planning import Settings, make_plan
from allocator.planning.search import warming
from allocator.proof import audit


def test_a_cold_search_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = site_of(tmp_path, 20, 30, 4)
    compiled = threading.Event()
    monkeypatch.setattr(warming, "_run_once", lambda arrays: compiled.wait())
    try:
        outcome = make_plan(site, Settings(basis="mean", time_limit=4.0))
    finally:
        compiled.set()
    assert outcome.plan is not None
    assert audit(site, outcome.plan).accepted
    assert outcome.plan.power.mean_clean > 0
    assert "paths" not in outcome.seconds
