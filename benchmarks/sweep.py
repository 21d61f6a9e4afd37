"""A sweep of a small site: two workers against one, and what a case costs beside its solve.

    python benchmarks/sweep.py [CASES]

The baseline is the same sweep in this process, in the same run. Both must give the same table.
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from allocator.base.rendering import csv_of
from allocator.engine import plan_site
from allocator.network.reading import read_site
from allocator.search import Settings
from allocator.site.records import Spread
from allocator.studies.results import Results
from allocator.studies.running import StudyCase, Workers, run_cases
from allocator.studies.sweep_cases import Asked
from allocator.studies.sweep_result import sweep

NETWORKS = Path(__file__).parents[1] / "networks"


def main(cases: int) -> None:
    """Time both, compare the tables, print ratios."""
    site = read_site(NETWORKS / "first.yaml")
    site = replace(site, spreads={"sources.digester.flow": Spread(0.006, 0.012, 0.018)})
    settings = Settings(node_limit=200)
    asked = Asked(draws=cases - 1, plan=plan_site(site, settings).plan)
    sweep(
        site, replace(asked, draws=1), settings=settings
    )  # imports and compiling are no part of it
    seconds, tables = {}, {}
    for count in (1, 2):
        with tempfile.TemporaryDirectory() as folder:
            began = time.perf_counter()
            workers = Workers(count)
            result = sweep(site, asked, settings=settings, workers=workers, folder=Path(folder))
            seconds[count] = time.perf_counter() - began
        tables[count] = csv_of(result.cases)
    assert tables[1] == tables[2]
    print(f"{cases} cases: one worker {seconds[1]:.1f} s (baseline), two {seconds[2]:.1f} s")
    print(f"ratio, two workers to one: {seconds[1] / seconds[2]:.2f}")
    for count in (1, 2):
        # the difference of two sizes: starting the workers is no part of it
        spent = _nothing(2 * cases, count) - _nothing(cases, count)
        print(
            f"a case that does nothing, kept on disk, {count} worker(s): "
            f"{1e3 * spent / cases:.2f} ms"
        )


def _nothing(cases: int, count: int) -> float:
    """Seconds for cases that do nothing."""
    with tempfile.TemporaryDirectory() as folder, Results(Path(folder) / "x", {}) as results:
        listed = [StudyCase(str(n), (n, 2)) for n in range(cases)]
        began = time.perf_counter()
        found = run_cases(pow, listed, Workers(count), results)
        spent = time.perf_counter() - began
    assert [result.value for result in found.values()] == [n**2 for n in range(cases)]
    return spent


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
