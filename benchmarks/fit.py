"""A log of a million rows read and fitted; aim: 10 s. Baseline: pandas and naive edges.

The baseline reads the same file by ``pandas.read_csv``, takes every rise of the flow above half of
its maximum for a start, and the middle of the distances of starts for the period: what one would
write by hand. The log has noise, gaps, one reading in 10,000 that is wrong, and bursts within
spells. The answer is asserted: both stages within 1 % in the fit, with what is true inside of 95 %
intervals; the baseline has no spells. Time is that of the processor.
Run: ``python benchmarks/fit.py [ROWS]``.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from allocator.cycles import pattern_of
from allocator.intake.fitting import CycleFit, fit_cycle
from allocator.intake.logs import read_log
from allocator.site.records import Stage

AIM_SECONDS = 10.0
STAGES = (Stage(107.3, 411.7), Stage(8700.0, 20011.0))  # the last burst of a spell is cut short
STEP = 2.0


def write_log(file: Path, rows: int) -> None:
    """Uneven times about 2 s apart, 2 % noise, 10 % of the time in gaps."""
    draw = np.random.default_rng(4)
    times = np.unique(draw.uniform(0.0, rows * STEP, int(rows * 1.15)).round(2))
    for begin in draw.uniform(0.0, rows * STEP, 100):
        times = times[(times < begin) | (times > begin + rows * STEP / 1000)]
    times = times[:rows]
    pattern = pattern_of(STAGES)
    place = times % pattern.period
    found = np.searchsorted(pattern.starts, place, side="right") - 1
    on = (found >= 0) & (place < pattern.ends[np.maximum(found, 0)])
    flows = np.maximum(np.where(on, 10.0, 0.0) + draw.normal(0.0, 0.2, len(times)), 0.0)
    wrong = draw.choice(len(times), len(times) // 10_000, replace=False)
    flows[wrong] = 10.0 - flows[wrong].clip(0.0, 10.0)
    table = pd.DataFrame({"time [s]": times, "flow [g/s]": flows.round(3)})
    table.to_csv(file, index=False, float_format="%.3f")


def baseline(file: Path) -> float:
    """The period by naive edges, s."""
    table = pd.read_csv(file)
    on = (table["flow [g/s]"] > table["flow [g/s]"].max() / 2).to_numpy()
    starts = table["time [s]"].to_numpy()[1:][on[1:] & ~on[:-1]]
    return float(np.median(np.diff(starts)))


def check(fit: CycleFit) -> None:
    """The stages found against the true ones."""
    assert fit.periodic, fit.doubt
    assert len(fit.stages) == len(STAGES)
    for found, true in zip(fit.stages, STAGES, strict=True):
        for estimate, value in ((found.on, true.on), (found.every, true.every)):
            assert abs(estimate.value / value - 1) < 0.01, (estimate, value)
            assert estimate.low <= value <= estimate.high, (estimate, value)


def main() -> None:
    """Measure once, and assert the answer and the aim."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "log.csv"
        write_log(file, rows)
        count = sum(1 for _ in file.open()) - 1
        begin = time.process_time()
        naive = baseline(file)
        middle = time.process_time()
        log = read_log(file)
        read = time.process_time()
        fit = fit_cycle(log)
        end = time.process_time()
    check(fit)
    worst = max(
        abs(one.value / true - 1)
        for found, stage in zip(fit.stages, STAGES, strict=True)
        for one, true in ((found.on, stage.on), (found.every, stage.every))
    )
    print(
        f"{count:,} rows: {end - middle:.2f} s of one processor (aim {AIM_SECONDS:g}), of which "
        f"{read - middle:.2f} s reading; baseline {middle - begin:.2f} s, ratio "
        f"{(end - middle) / (middle - begin):.1f}; worst error of the fit {worst:.4%}, of the "
        f"baseline's period {abs(naive / STAGES[0].every - 1):.2%} (it has no spells)"
    )
    assert rows > 1_000_000 or end - middle <= AIM_SECONDS, end - middle


if __name__ == "__main__":
    main()
