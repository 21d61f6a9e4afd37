"""Worst window of a store fed by ten sources of unrelated periods, 10,000 bursts a period each.

Baseline: g at every corner of every curve up to where the search stops. Answers are compared;
then the corners there are and the seconds are printed.
Run: python benchmarks/duty_windows.py
"""

from __future__ import annotations

import time

import numpy as np

from allocator.cycles import Curve, curve_of, demand_curve_of, draw_for_store, worst_window
from allocator.cycles.balance import balance_of
from allocator.cycles.windows import reach_of
from allocator.site.records import Profile, Stage

DAY = 86400.0
LEVELS = (0.6, 0.7, 0.9, 1.1, 1.5, 1.2)
SHAPE = Profile(DAY, tuple(DAY / 6.0 * step for step in range(6)), LEVELS)


def sources(seed: int) -> list[tuple[Curve, float]]:
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(10):
        period = rng.uniform(80.0, 200.0) * DAY
        spell = period * rng.uniform(0.3, 0.7)
        burst = spell / rng.uniform(5000.0, 15000.0)
        stages = (Stage(burst * rng.uniform(0.3, 0.8), burst), Stage(spell, period))
        found.append((curve_of(stages), rng.uniform(0.1, 0.5)))
    return found


def main() -> None:
    inflows = sources(3)
    mean = sum(rate * curve.duty for curve, rate in inflows)
    demand = demand_curve_of(SHAPE)
    print("draw/mean  corners  baseline s  window s  ratio  draw-for-store s")
    for share in (0.1, 0.3, 0.6, 0.9, 0.98):
        flat, follows = 0.4 * share * mean, 0.6 * share * mean
        begun = time.perf_counter()
        window = worst_window(inflows, flat, [(demand, follows)])
        done = time.perf_counter()
        balance = balance_of(inflows, flat, [(demand, follows)], 0.0)
        limit, _ = reach_of(balance)
        corners = np.unique(
            np.concatenate([line.peaks_between(0.0, limit) for line in balance.lines])
        )
        greatest = balance.at(corners).max()
        compared = time.perf_counter()
        assert np.isclose(window.shortfall, greatest, rtol=1e-12)
        draw = draw_for_store(inflows, window.shortfall, demand)
        drawn = time.perf_counter()
        again = worst_window(inflows, 0.0, [(demand, draw)])
        assert np.isclose(again.shortfall, window.shortfall, rtol=1e-9)
        ratio = (compared - done) / (done - begun)
        print(
            f"{share:9.2f} {len(corners):8d} {compared - done:11.3f} {done - begun:9.4f}"
            f" {ratio:6.1f} {drawn - compared:17.4f}"
        )


if __name__ == "__main__":
    main()
