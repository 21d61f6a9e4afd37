"""Curves of a three-stage cycle with 100,000 on-intervals, and its draw at 1,000 store sizes.

Baseline: the plain method, which tries every window that begins as an interval ends or ends
as one starts, for each length. Answers are compared; then work and seconds are printed.
Run: python benchmarks/duty_curves.py
"""

from __future__ import annotations

import time

import numpy as np
from numpy.typing import NDArray

from allocator.cycles import Pattern, curve_of, draws_for_stores
from allocator.site.records import Stage

DAY = 86400.0
STAGES = (Stage(10.0, 20.3), Stage(5.0 * 3600.0, 12.0 * 3600.0), Stage(57.0 * DAY, 149.3 * DAY))
LENGTHS, SIZES = 2000, 1000


def every_start(pattern: Pattern, lengths: NDArray[np.float64]) -> NDArray[np.float64]:
    """The baseline: least on-time by trying all starts, lengths up to one period."""
    starts, ends, period = pattern.starts, pattern.ends, pattern.period
    edges = np.stack([starts, ends], axis=1).ravel()
    edges = np.concatenate([edges + turn * period for turn in range(-1, 2)])
    gained = np.concatenate(([0.0], np.cumsum(np.tile(ends - starts, 3))))
    total = np.stack([gained[:-1], gained[1:]], axis=1).ravel()
    at_ends, at_starts = np.interp(ends, edges, total), np.interp(starts, edges, total)
    found = []
    for length in lengths:
        onward = np.interp(ends + length, edges, total) - at_ends
        back = at_starts - np.interp(starts - length, edges, total)
        found.append(min(onward.min(), back.min()))
    return np.array(found)


def main() -> None:
    begun = time.perf_counter()
    curve = curve_of(STAGES)
    made = time.perf_counter()
    lengths = np.random.default_rng(1).uniform(0.0, curve.pattern.period, LENGTHS)
    guaranteed = curve.guaranteed(lengths)
    looked_up = time.perf_counter()
    sizes = np.linspace(0.0, curve.sigma, SIZES)
    draws = draws_for_stores(curve, 1.0, sizes)
    done = time.perf_counter()
    few = 40
    plain = every_start(curve.pattern, lengths[:few])
    compared = time.perf_counter()
    assert np.allclose(guaranteed[:few], plain, rtol=1e-11, atol=1e-6)
    # Every draw holds in every window, and one of them holds it down.
    corners = curve.line.peaks
    on_time = curve.guaranteed(corners)
    for size, draw in zip(sizes[:: SIZES // 20], draws[:: SIZES // 20], strict=True):
        tightest = np.min((size + on_time) / corners)
        assert np.isclose(draw, min(tightest, curve.duty), rtol=1e-12)
    per_length = (compared - done) / few
    print(f"on-intervals a period        {len(curve.pattern.starts)}")
    print(f"corners of the curve         {len(corners)}")
    print(f"curve made                   {made - begun:.3f} s")
    print(f"{LENGTHS} lengths looked up       {looked_up - made:.4f} s")
    print(f"firm draw at {SIZES} sizes      {done - looked_up:.4f} s")
    print(f"all of it                    {done - begun:.3f} s")
    print(f"every start, one length      {per_length:.4f} s (baseline)")
    ratio = per_length * LENGTHS / (looked_up - begun)
    print(f"{LENGTHS} lengths: baseline / this {ratio:.0f}")


if __name__ == "__main__":
    main()
