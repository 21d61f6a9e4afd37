"""Guaranteed and most on-time in any window of a length, as exact piecewise-linear curves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Protocol

import numpy as np

from allocator.cycles.blocks import Block, block_of
from allocator.cycles.corners import corners_of
from allocator.cycles.lines import Array, RepeatingLine, frozen, straight
from allocator.cycles.patterns import Pattern, pattern_of
from allocator.site.records import Stage


class Supply(Protocol):
    """What a store can be fed by: a guaranteed curve with a mean and a bounded lag."""

    @property
    def duty(self) -> float:
        """Long-run mean of the curve per second of window."""

    @property
    def sigma(self) -> float:
        """Least constant with tau(L) >= duty * L - sigma for all L."""

    @property
    def line(self) -> RepeatingLine:
        """tau over one period."""


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """On-time curves of one pattern.

    ``duty``: mean. ``sigma``: s, least constant with tau(L) >= duty * L - sigma for all L.
    ``line``: tau. Made by :func:`curve_of`; guaranteed and most on-time are the service and
    arrival curves of network calculus (Le Boudec & Thiran, Network Calculus, Springer LNCS
    2050, 2001).
    """

    pattern: Pattern
    duty: float
    sigma: float
    line: RepeatingLine

    def guaranteed(self, lengths: Array) -> Array:
        """tau(L): least on-time, s, in any window of each length L >= 0, s. Exact."""
        return self.line.at(np.asarray(lengths, dtype=np.float64))

    def most(self, lengths: Array) -> Array:
        """Most on-time, s, in any window of each length L >= 0, s. Exact."""
        given = np.asarray(lengths, dtype=np.float64)
        period = self.line.period
        whole = np.ceil(given / period)
        return whole * self.line.gain - self.line.at(whole * period - given)


def curve_of(stages: Sequence[Stage]) -> Curve:
    """The guaranteed on-time of a duty cycle: tau(L), the least time on in any window of length L.

    Parameters
    ----------
    stages
        Nested stages, innermost first; none for a source that is always on.

    Returns
    -------
    Curve
        ``curve.guaranteed(lengths)``: tau of lengths, s; ``curve.duty``: the share of time on.

    Raises
    ------
    ValueError
        Stages that do not nest.

    References
    ----------
    J.-Y. Le Boudec, P. Thiran, *Network Calculus*, Springer, 2001: minimum service curves.

    Examples
    --------
    >>> import allocator as al
    >>> curve = al.curve_of([al.Stage(on=6 * 3600, every=24 * 3600)])
    >>> curve.duty, *curve.guaranteed([18 * 3600, 24 * 3600]).tolist()
    (0.25, 0.0, 21600.0)
    """
    return _curve_of(tuple(stages))


@lru_cache(maxsize=4096)
def _curve_of(stages: tuple[Stage, ...]) -> Curve:
    pattern = pattern_of(stages)
    if pattern.steady:
        return Curve(pattern, 1.0, 0.0, straight(1.0))
    outer = pattern.stages[-1]
    return _curve(pattern, block_of(pattern.stages[:-1], outer.on))


def curve_of_pattern(pattern: Pattern) -> Curve:
    """The curve of a pattern; for explicit intervals in time that grows with their square."""
    if pattern.steady or pattern.stages:
        return curve_of(pattern.stages)
    if len(pattern.starts) == 0:
        return Curve(pattern, 0.0, 0.0, straight(0.0, pattern.period))
    lengths = pattern.ends - pattern.starts
    none = np.zeros(len(lengths), dtype=np.int64)
    before = np.concatenate(([0.0], np.cumsum(lengths)[:-1]))
    total = Fraction(pattern.duty * pattern.period)
    return _curve(pattern, Block(pattern.starts, lengths, before, total, none, none))


def _curve(pattern: Pattern, block: Block) -> Curve:
    w, q = corners_of(block, pattern.period)
    turns_up = w + q
    total = float(block.on_time)
    # From each corner on-time is gained second by second up to the next corner's on-time.
    following = np.concatenate((w[1:], [total]))
    turns_flat = following + q
    turns_flat[-1] = pattern.period
    lengths = np.concatenate(([0.0], np.stack((turns_up, turns_flat), axis=1).ravel()))
    values = np.concatenate(([0.0], np.stack((w, following), axis=1).ravel()))
    line = RepeatingLine(
        pattern.period,
        total,
        frozen(lengths),
        frozen(values),
        frozen(np.unique(lengths[1:])),
        frozen(turns_up),
    )
    sigma = float(np.max(pattern.duty * turns_up - w))
    return Curve(pattern, pattern.duty, sigma, line)
