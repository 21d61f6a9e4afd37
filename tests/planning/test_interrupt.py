"""Stops that keep the plan: Ctrl-C, no time at all; and the same bytes for a node limit."""

import os
import signal
import threading
from pathlib import Path

from allocator.plan_file import plan_to_json
from allocator.planning import Settings, make_plan
from allocator.proof import audit
from allocator.site.reading import read_site

NETWORKS = Path(__file__).parents[2] / "networks"


def test_interrupt_keeps_a_plan_that_the_audit_accepts() -> None:
    site = read_site(NETWORKS / "harbour.yaml")
    threading.Timer(4.0, os.kill, (os.getpid(), signal.SIGINT)).start()
    outcome = make_plan(site, Settings(time_limit=120.0))
    assert outcome.plan is not None
    assert outcome.plan.status == "interrupted"
    assert outcome.seconds["total"] < 60.0
    assert audit(site, outcome.plan).accepted


def test_hardly_any_time_still_gives_what_stands() -> None:
    site = read_site(NETWORKS / "harbour.yaml")
    outcome = make_plan(site, Settings(time_limit=0.3))
    assert outcome.plan is not None
    assert audit(site, outcome.plan).accepted


def test_node_limit_gives_the_same_bytes() -> None:
    site = read_site(NETWORKS / "island.yaml")
    settings = Settings(node_limit=200, seed=7)
    first, second = (make_plan(site, settings).plan for _ in range(2))
    assert first is not None
    assert second is not None
    assert plan_to_json(first) == plan_to_json(second)
