"""Records that are as stated bring few false alarms: a thousand drawn months, each of many sources.

Flows: the hours of 32 sources, each mean off by what a meter of the stated standard deviation is
off. Clocks: true cycles of the island's sources, with jitter, drift and durations that vary, read
every ten minutes, at any phase. Asserted: fewer than one month in a hundred has an alarm. Then how
soon changes of the demo's sources are found.

    python benchmarks/following.py [MONTHS]

MONTHS (1000).
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

import allocator as al
from allocator.intake.page_test import FALSE_ALARMS, threshold_of
from allocator.intake.source_record import METER, SourceRecord, Statement, statement_of
from allocator.site.records import Site, Source, Stage
from allocator.verify.cycle import Cycle, source_cycle
from allocator.verify.tanks.true_clocks import drawn_cycle

NETWORKS = Path(__file__).parents[1] / "networks"
MONTH, STEP, HOUR, DAY = 30 * 86400.0, 600.0, 3600.0, 86400.0
STEADY = 32
CLOCKS = {
    "    flow: 7 g/s\n": "    flow: 7 g/s\n    jitter: 20 min\n",
    "{on: 11 h, every: 20 h}": "{on: 11 h, every: 20 h}\n    drift: 0.4 %",
    "{on: 3 h, every: 4 h}": "{on: {low: 2.8 h, high: 3.2 h, varies: true}, every: 4 h}",
}
"""What becomes inexact of the island's cycles."""


def readings(
    source: Source, cycle: Cycle | None, rng: np.random.Generator, step: float = STEP
) -> Iterator[tuple[float, float]]:
    """A month of one source, seconds and kg/s."""
    times = np.arange(rng.uniform(0.0, step), MONTH, step)
    noise = rng.normal(0.0, METER, int(MONTH / HOUR) + 1)[(times // HOUR).astype(int)]
    flows = source.flow * (1.0 + noise)
    if cycle is not None:
        place = (times + rng.uniform(0.0, cycle.period)) % cycle.period
        flows *= cycle.rates[np.searchsorted(cycle.times, place, side="right") - 1] > 0.0
    return zip(times.tolist(), flows.tolist(), strict=True)


def alarms(
    statement: Statement, threshold: float, rows: Iterator[tuple[float, float]]
) -> list[tuple[str, float]]:
    """What is told of a month: keys, and when, s."""
    record = SourceRecord(statement, threshold)
    return [(one.key, one.at) for at, value in rows for one in record.read(at, value)]


def inexact_island() -> Site:
    """The island with inexact clocks."""
    text = (NETWORKS / "island.yaml").read_text("utf-8")
    for old, new in CLOCKS.items():
        assert old in text
        text = text.replace(old, new)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "island.yaml"
        file.write_text(text, "utf-8")
        return al.read_site(str(file))


def flows(months: int, rng: np.random.Generator) -> int:
    """Months with a false alarm of flows."""
    source = replace(next(iter(inexact_island().sources.values())), stages=())
    steady = statement_of(source, {})
    threshold = threshold_of(STEADY * steady.observations)
    return sum(
        any(alarms(steady, threshold, readings(source, None, rng, HOUR)) for _ in range(STEADY))
        for _ in range(months)
    )


def clocks(months: int, rng: np.random.Generator) -> int:
    """Months with a false alarm of clocks and flows of the island."""
    site = inexact_island()
    case: Any = SimpleNamespace(site=site)  # all that draws of clocks ask for
    told = {n: statement_of(s, site.spreads) for n, s in site.sources.items() if not s.delivered}
    threshold = threshold_of(sum(one.observations for one in told.values()))
    false = 0
    for _ in range(months):
        found = []
        for name, one in told.items():
            cycle = drawn_cycle(case, name, rng)
            found += alarms(one, threshold, readings(one.source, cycle, rng))
        false += bool(found)
    return false


def found_in(name: str, rng: np.random.Generator) -> None:
    """How soon a change of one source of the demo is found."""
    source = replace(
        al.read_site(str(NETWORKS / "harbour_capacities.yaml")).sources[name], jitter=0.0
    )
    *inner, outer = source.stages
    first = source.stages[0]
    step = min(STEP, 0.25 * min(first.on, first.every - first.on))
    changes = {
        "flow 5 % less": (0.95, source.stages),
        "bursts 8 % shorter": (1.0, (Stage(0.92 * first.on, first.every), *source.stages[1:])),
        "outer period 5 % longer": (1.0, (*inner, Stage(outer.on, 1.05 * outer.every))),
    }
    statement = statement_of(source, {})
    for what, (share, stages) in changes.items():
        true = replace(source, flow=share * source.flow)
        told = alarms(statement, threshold_of(3e5), readings(true, source_cycle(stages), rng, step))
        said = ", ".join(f"{key} after {at / DAY:.1f} d" for key, at in told) or "not found"
        print(f"{name}, a row every {step:.0f} s, {what}: {said}")


def main() -> None:
    """Draw, count, assert."""
    months = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    rng = np.random.default_rng(0)
    for what, count in (("flows of 32 sources", flows), ("clocks of three sources", clocks)):
        began = time.process_time()
        false = count(months, rng)
        spent = time.process_time() - began
        print(f"{what}: {false} of {months} months with a false alarm, {spent:.0f} s", flush=True)
        assert false < max(1.0, FALSE_ALARMS * months)
    for name in ("well_01", "dairy_digester", "retort_1"):
        found_in(name, rng)


if __name__ == "__main__":
    main()
