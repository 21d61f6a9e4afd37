"""What comes after a search ends in time, and what is left out is told."""

from __future__ import annotations

import math
import re
import subprocess
import sys
import time
from collections.abc import Iterator

import pytest

import allocator as al
from allocator.engine import compiling, planning, time_limit
from allocator.engine.compiling import Compiler
from allocator.engine.time_limit import (
    LEAST_SECONDS,
    TimeAfter,
    latest_end,
    seconds_for_search,
    time_after,
)
from allocator.simulation.rules import rules_of
from allocator.simulation.tracing import assemble
from tests.search.test_known_phases import HOUR, site_of, source


def known_site() -> al.Site:
    known = {"clock": "calendar", "error": 300.0}
    return site_of(source("a", 0.0, **known), source("b", 12 * HOUR, **known))


@pytest.mark.parametrize("limit", [5.0, 10.0, 20.0, 60.0, 600.0])
def test_a_short_proof_fits_behind_the_search(
    limit: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a second for reading and a quarter of one for the audit after the search."""
    monkeypatch.setattr(time_limit, "crowding", lambda: 1.0)
    for clocks in (False, True):
        end = seconds_for_search(limit, 1.0, 30, clocks) + 1.0 + 0.25
        after = TimeAfter(time.perf_counter() + latest_end(limit) - end, 30)
        assert after.for_proof(compiled=True)
    assert latest_end(limit) == limit + max(0.05 * limit, 2.0)


def test_the_longer_the_reading_the_shorter_the_search() -> None:
    assert seconds_for_search(60.0, 3.0, 30) == pytest.approx(60.0 - 2.4 - 3.0)
    assert seconds_for_search(60.0, 3.0, 1000) == pytest.approx(60.0 - 6.0 - 3.0)
    assert seconds_for_search(60.0, 3.0, 30, True) == pytest.approx(60.0 - 2.4 - 6.0 - 3.0)
    assert seconds_for_search(5.0, 10.0, 30) == LEAST_SECONDS


def test_after_an_interrupt_little_is_begun() -> None:
    began = time.perf_counter()
    assert time_after(None, began, 1).left() == math.inf
    assert time_after(600.0, began, 1).left() > 600.0
    assert time_after(600.0, began, 1, interrupted=True).left() < 5.0
    assert time_after(None, began, 1, interrupted=True).left() < 5.0
    assert not time_after(None, began, 1, interrupted=True).for_proof(compiled=False)


def test_without_time_the_plan_is_audited_and_the_rest_is_told() -> None:
    site = known_site()
    result = planning.plan_site(site, al.Settings(node_limit=1000))
    late = planning.proved(result, after=TimeAfter(time.perf_counter(), 2))
    assert late.audit.accepted
    assert late.plan.verified
    assert late.simulation is None
    assert late.plan.clocks is None
    assert late.left_out[0] == "the gain from known clocks"
    assert late.left_out[1].startswith(f"{planning.SIMULATION} (it takes ")
    asked = planning.proved(result, 1, after=TimeAfter(time.perf_counter(), 2))
    assert asked.simulation is not None  # draws that are asked for are run
    assert asked.left_out == (
        "the gain from known clocks",
        "some reserves by the state of sources",
    )
    whole = planning.proved(result)
    assert whole.left_out == ()
    assert whole.plan.clocks is not None
    assert al.audit(site, asked.plan).accepted


def test_without_time_each_store_has_its_first_reserve_alone() -> None:
    site = known_site()
    assembly = assemble(site, al.plan(site, node_limit=1000, prove=0).plan)
    whole, everything = rules_of(assembly)
    few, all_of_them = rules_of(assembly, lambda: 0.0)
    assert everything
    assert not all_of_them
    assert few == tuple(rule for rule in whole if rule.state == "any")
    assert len(whole) == 3


@pytest.fixture
def compiler() -> Iterator[Compiler]:
    """One that takes longer than any test."""
    process = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
    yield Compiler(process)
    process.kill()
    process.wait()


def compiled_from(moment: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the loops be compiled from a moment of the process clock on."""
    for module in (compiling, planning):
        monkeypatch.setattr(module, "compiled_before", lambda: time.perf_counter() >= moment)


def test_a_proof_waits_for_the_compiler_within_the_time(
    compiler: Compiler, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A time that is enough for the proof, and too short for a whole compilation."""
    monkeypatch.setattr(time_limit, "crowding", lambda: 1.0)
    site = al.read_site("networks/first.yaml")
    result = planning.plan_site(site, al.Settings(node_limit=1000))
    compiled_from(time.perf_counter() + 1.0, monkeypatch)
    after = TimeAfter(time.perf_counter() + 12.0, 1)
    assert not after.for_proof(compiled=False)
    proved = planning.proved(result, after=after, compiler=compiler)
    assert proved.left_out == ()
    assert proved.simulation is not None
    assert proved.simulation.kept


def test_a_proof_that_is_not_compiled_in_time_is_left_out_with_its_seconds(
    compiler: Compiler, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(time_limit, "crowding", lambda: 1.0)
    site = al.read_site("networks/first.yaml")
    result = planning.plan_site(site, al.Settings(node_limit=1000))
    compiled_from(math.inf, monkeypatch)
    began = time.perf_counter()
    late = planning.proved(result, after=TimeAfter(began + 4.0, 1), compiler=compiler)
    assert time.perf_counter() - began < 4.0
    assert late.simulation is None
    (told,) = late.left_out
    assert re.fullmatch(
        r"simulating the plan \(it takes 3 s, and to compile it, once, 16 s; .*\)", told
    )


def test_nothing_is_waited_for_without_a_compiler_or_after_it_ended() -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    began = time.perf_counter()
    for compiler in (Compiler(), Compiler(ended)):
        compiler.wait(lambda: True)
    assert time.perf_counter() - began < 1.0
