"""Where a curve over window length may change slope, round after round."""

from __future__ import annotations

import numpy as np

from allocator.cycles.lines import Array, RepeatingLine


def breakpoints(line: RepeatingLine, low: float, high: float) -> Array:
    """Every length in [low, high] where it may change slope, sorted."""
    turns = np.arange(1 + int(high // line.period))[:, None]
    again = line.kinks[line.kinks > line.onset] + line.period * turns
    found = np.concatenate((line.kinks, again.ravel()))
    return np.unique(found[(found >= low) & (found <= high)])
