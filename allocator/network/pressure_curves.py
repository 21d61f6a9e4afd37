"""Losses of many pipes at once, with their slopes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from allocator.network.pressure_records import PipeLoss
from allocator.physics.pressure_loss import greatest_flow, loss, loss_slope


def losses_at(pipes: Sequence[PipeLoss], flows: Sequence[float]) -> tuple[list[float], list[float]]:
    """Potential that each pipe loses to friction at its flow, kg/s, and the slope there.

    0 of pipes whose pressure is not checked.
    """
    checked = np.array([pipe.checked for pipe in pipes], dtype=bool)
    value, slope = np.zeros(len(pipes)), np.zeros(len(pipes))
    if checked.any():
        numbers = np.array([(p.factor, p.reynolds, p.roughness) for p in pipes if p.checked]).T
        flow = np.array(flows, dtype=float)[checked]
        value[checked], slope[checked] = loss(flow, *numbers), loss_slope(flow, *numbers)
    return value.tolist(), slope.tolist()


def greatest_flows(
    pipes: Sequence[PipeLoss], starts: Sequence[float], drops: Sequence[float]
) -> list[float]:
    """kg/s that each pipe carries at most from a potential, losing no more than ``drop`` of it.

    No more than its capacity.
    """
    found = np.array([pipe.capacity for pipe in pipes])
    checked = np.array([pipe.checked for pipe in pipes], dtype=bool)
    if checked.any():
        numbers = np.array(
            [
                (p.factor, p.reynolds, p.roughness, p.end, p.head_at(start)[0])
                for p, start in zip(pipes, starts, strict=True)
                if p.checked
            ]
        ).T
        head = numbers[4]
        drop, start = np.array(drops)[checked] - head, np.array(starts)[checked] - head
        most = greatest_flow(numbers[0], numbers[1], numbers[2], numbers[3], drop, start)
        found[checked] = np.minimum(found[checked], most)
    return [float(rate) for rate in found]
