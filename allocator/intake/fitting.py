"""A log -> the nested duty cycle that explains it, with intervals; or that there is none.

Steps: a threshold between the two classes of flow; turns on and off between rows; bursts grouped
into spells where the waits between them fall into two classes (:mod:`allocator.intake.turns`); of
each stage on-time and period with intervals (:mod:`allocator.intake.stage_fit`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from allocator.base.grouped import grouped
from allocator.cycles import pattern_of
from allocator.intake.change_rows import Marks, threshold
from allocator.intake.flow_levels import (
    Level,
    level_of,
    missed,
    steady_below,
)
from allocator.intake.logs import Log
from allocator.intake.stage_fit import LOOSE, Estimate, FittedStage, fit_stage
from allocator.intake.turns import (
    Bursts,
    bursts_of,
    cut_of,
    spells_of,
    without_false,
)
from allocator.site.records import Stage

LEVELS = 3
FEWEST = 3
"""Periods of the outermost stage that a fit needs."""
ENOUGH = 10
"""Periods that are advised."""


@dataclass(frozen=True, slots=True)
class CycleFit:
    """What a log shows. No ``stages`` with ``steady``: always on.

    ``flow``: while on, above ``base``, which is a steady flow besides; ``spread``: the 2.5 and 97.5
    % quantiles of readings while on. ``falls``: flow in the first and the last third of the record
    where it falls; ``flow`` is then that of the last. ``missed``: mean flow between bursts that is
    in neither. ``phase``: time from the end of
    the log to the next start of the outermost stage, negative where none is known. ``doubt``: why
    there is no cycle, or "". ``watch``: s of record that are missing for ten periods.
    ``row_distance``: the widest distance of rows around a turn, s. ``repairs``: readings changed.
    """

    flow: Estimate
    spread: tuple[float, float]
    stages: tuple[FittedStage, ...]
    duty: float
    mean: float
    phase: Estimate
    steady: bool = False
    doubt: str = ""
    watch: float = 0.0
    row_distance: float = 0.0
    repairs: tuple[str, ...] = ()
    base: Level | None = None
    falls: tuple[float, float] | None = None
    missed: float = 0.0

    @property
    def periodic(self) -> bool:
        """Whether it has a cycle."""
        return bool(self.stages) and not self.doubt


def fit_cycle(log: Log, seed: int = 0) -> CycleFit:
    """The nested cycle of a log.

    Parameters
    ----------
    log
        Of :func:`~allocator.intake.logs.read_log`.
    seed
        Of the bootstrap.

    Returns
    -------
    CycleFit
        With ``doubt`` where the record is too short or not periodic.
    """
    false = 0
    if log.listed:
        on, always = log.flows > 0, False
        read = on
    else:
        limit = 0.5 if log.marks else threshold(log.flows)
        low, high = np.quantile(log.flows, (0.001, 0.999))
        always = bool(low > 0.5 * high)
        read = (log.flows > limit) | always
        on, false = (read, 0) if log.held else without_false(read)
    weights = np.where(log.gaps, 0.0, np.diff(log.times))
    mean = float((weights * log.flows[:-1]).sum() / weights.sum())
    level = level_of(log, on)
    none = Estimate(-1.0, -1.0, -1.0)
    text = f"{grouped(false)} single readings against both neighbours counted as wrong"
    repairs = (text,) if false else ()
    plain = CycleFit(_above(level), level.spread, (), 1.0, mean, none, falls=level.falls)
    if always or on.all():
        return replace(plain, steady=True, repairs=repairs)
    if base := steady_below(log, on, level):
        plain = replace(plain, flow=_above(level, base), base=base)
    else:
        plain = replace(plain, missed=missed(log, on))
    fit = replace(_stages(plain, log, on, seed), repairs=repairs)
    if false and _uneven(fit):  # they may be the last bursts of spells, cut short
        other = _stages(plain, log, read, seed)
        return min(fit, other, key=_uneven)
    return fit


def _above(level: Level, base: Level | None = None) -> Estimate:
    """The flow above a base."""
    value, half = level.value, level.half
    if base:
        value, half = value - base.value, math.hypot(half, base.half)
    return Estimate(value, value - half, value + half)


def _uneven(fit: CycleFit) -> int:
    """How many durations differ from time to time, or are not known."""
    ranges = [one for s in fit.stages for one in (s.on_range, s.every_range, s.jitter, s.drift)]
    return sum(map(bool, ranges)) + 10 * bool(fit.doubt)


def _stages(fit: CycleFit, log: Log, on: Marks, seed: int) -> CycleFit:
    """The fit with the stages of the states ``on``."""
    rng = np.random.default_rng(seed)
    bursts = bursts_of(log, on)
    known = np.concatenate([bursts.start_width[bursts.start_known],
                            bursts.end_width[bursts.end_known]])  # fmt: skip
    stages: list[FittedStage] = []
    outer = bursts
    for number in range(LEVELS):
        cut = cut_of(bursts) if number < LEVELS - 1 else math.inf
        stages.append(fit_stage(bursts, cut, rng))
        outer = bursts
        if not math.isfinite(cut):
            break
        bursts = spells_of(bursts, cut)
    fit = replace(fit, stages=tuple(stages), row_distance=float(known.max(initial=0.0)))
    return _judged(fit, log, outer)


def _judged(fit: CycleFit, log: Log, bursts: Bursts) -> CycleFit:
    """The fit with its duty, phase and doubts. ``bursts``: of the outermost stage."""
    length = float(log.times[-1])
    below = fit.base.value if fit.base else 0.0
    duty = (fit.mean - below) / fit.flow.value
    outer = fit.stages[-1]
    period = outer.every.value
    if not math.isfinite(period) or outer.periods < FEWEST:
        least = "" if math.isfinite(period) else "at most "
        period = period if math.isfinite(period) else _seen_period(bursts)
        watch = max(ENOUGH * period - length, period)
        doubt = f"{least}{length / period:.1f} periods of the outermost stage seen"
        return replace(fit, duty=duty, doubt=doubt, watch=watch)
    known = all(math.isfinite(s.on.value) and s.every.value > 0 for s in fit.stages)
    if not known or any(not stage.loose <= LOOSE for stage in fit.stages):
        return replace(fit, duty=duty, doubt="not periodic")
    stages = [Stage(min(s.on.value, s.every.value), s.every.value) for s in fit.stages]
    duty = pattern_of(stages).duty
    mean = duty * fit.flow.value + below
    last, ahead = outer.last, math.ceil((length - outer.last.value) / period + 1e-9)
    # the error of the last start, and of the period for as many periods as follow
    off = (last.high - last.low) / 2 + ahead * (outer.every.high - outer.every.low) / 2
    phase = last.value + ahead * period - length
    return replace(fit, duty=duty, mean=mean, phase=Estimate(phase, phase - off, phase + off))


def _seen_period(bursts: Bursts) -> float:
    """The longest time seen from one start or end to the next one, or to an end of the record."""
    ends = float(bursts.end[-1] + max(bursts.wait[-1], 0.0))
    starts = np.append(bursts.start, ends)
    return float(max(np.diff(starts).max(), np.diff(bursts.end).max(initial=0.0)))
