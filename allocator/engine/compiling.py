"""The loops of audit and simulation compiled beside a search, in a process of its own.

They take some fifteen seconds of one core, once on a machine: a plan's short proof would not fit in
its time limit otherwise.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from allocator.base.compiling import compiling_alone, is_marked, leave_mark, quick_compiling
from allocator.base.parent_process import end_with_parent
from allocator.search.strategy.budgets import CANDIDATES
from allocator.site.records import Site

SEARCH = "search"
PROOF = "proof"
LOOK = 0.5
"""s between looks whether the search is compiled."""
LOOK_AGAIN = 0.1
"""s between looks of a plan that has nothing else left to do."""
SITE = """\
format: allocator.site/2
name: Compiled
fluids: {gas: {phase: gas, heating_value: 20 MJ/kg}, rest: {phase: gas, emission: biogenic}}
places: {farm: {at: [0 m, 0 m]}}
sources:
  one: {place: farm, fluid: gas, flow: 9 g/s, cycle: [{on: 20 min, every: 1 h}]}
  two: {place: farm, fluid: gas, flow: 9 g/s, cycle: [{on: 1 h, every: 2 h}]}
storage: {holder: {holds: gas, places: [farm], size: {max: 400 kg}}}
machines:
  engine:
    {inputs: {gas: 1.5 g/s}, outputs: {power: 10 kW, rest: 1.5 g/s}, places: {farm: 2}}
demands: {drive: {power: 20 kW, place: farm}}
"""
"""A site whose proof calls all loops."""


def compiled_before() -> bool:
    """True when the loops are compiled and kept."""
    return is_marked(PROOF)


@dataclass(frozen=True, slots=True)
class Compiler:
    """A process that compiles the loops; None where none is needed, or none could be started."""

    process: subprocess.Popen[bytes] | None = None

    def wait(self, more: Callable[[], bool]) -> None:
        """Wait until the loops are compiled and kept, or the process ends, while ``more()``."""
        while self.process is not None and self.process.poll() is None:
            if compiled_before() or not more():
                return
            time.sleep(LOOK_AGAIN)


@contextlib.contextmanager
def compiling_beside(site: Site, wanted: bool) -> Iterator[Compiler]:
    """Within, another process compiles the loops if ``wanted`` and if that was not done before.

    ``site``: whose plan is searched; where the search has loops of its own, those come first.
    """
    process = None
    words = [str(os.getpid()), *([SEARCH] if len(site.sources) >= CANDIDATES.sources else [])]
    if wanted and not compiled_before():
        with contextlib.suppress(OSError):
            process = subprocess.Popen(
                [sys.executable, "-c", f"from {__name__} import main; main()", *words],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                env=quick_compiling(),
                start_new_session=True,  # Ctrl-C is for the plan, not for the compiler
            )
    try:
        yield Compiler(process)
    finally:
        if process is not None and process.poll() is None:
            process.kill()  # what is compiled so far is kept
            process.wait()


def main() -> None:
    """Compile, and leave the mark.

    Arguments: the process that waits for it; :data:`SEARCH` where another compiles its search.
    """
    end_with_parent(int(sys.argv[1]))
    from allocator.engine.planning import plan_site
    from allocator.engine.simulating import prove_plan
    from allocator.network.reading import read_site
    from allocator.search.paths import warming
    from allocator.solver.settings import Settings

    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "site.yaml"
        file.write_text(SITE, encoding="utf-8")
        while sys.argv[2:] == [SEARCH] and not warming.compiled_before(warming.BOUNDS):
            time.sleep(LOOK)  # the search needs its own loops first
        result = plan_site(read_site(file), Settings(node_limit=1))  # the audit's loops
        with compiling_alone(PROOF):
            if not compiled_before():
                prove_plan(result.site, result.plan)
                leave_mark(PROOF)
