"""On-times that are sure of inexact clocks: jitter, drift, known phases with an error.

Durations that vary are in :mod:`allocator.cycles.spreads`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from allocator.cycles.curves import Curve, curve_of, curve_of_pattern
from allocator.cycles.lines import Array, RepeatingLine, frozen
from allocator.cycles.merging import merged_stages
from allocator.cycles.patterns import Pattern
from allocator.cycles.spreads import spread_curve
from allocator.site.clocks import Timing


@dataclass(frozen=True, slots=True, eq=False)
class KnownCurve(Curve):
    """The curve of a source whose outermost stage turns on at ``start`` s, to within ``error`` s.

    As a :class:`Curve` it says what is sure at any phase. The whole timetable is shifted by one
    unknown amount, and each burst by ``jitter`` s at most, so that what is sure in a window is
    exact: some possible world attains it. Where bursts are merged, ``timetable`` is that of
    ``rate``, and what is sure is a little less.
    """

    start: float
    error: float
    jitter: float
    timetable: Pattern
    rate: float = 1.0

    def between(self, begins: Array, lengths: Array, more: float | Array = 0.0) -> Array:
        """Least on-time, s, in windows from ``begins`` on: min over |e| <= error of

        F(t + L + e) - F(t + e), with F the on-time of the timetable up to a time. ``more``: s of
        further error. In e it falls until an on-time ends at the window's begin or one begins at
        its end, so only those shifts and both ends count. With jitter the window is that much
        shorter at both ends (:func:`jittered`).
        """
        period = self.timetable.period
        whole, lengths = lengths, np.maximum(lengths - 2.0 * self.jitter, 0.0)
        middle = np.asarray(begins + self.jitter - self.start, dtype=np.float64)
        reach = np.broadcast_to(np.asarray(self.error + more, dtype=np.float64), middle.shape)
        any_phase = 2.0 * reach >= period
        least = np.minimum(self._on(middle - reach, lengths), self._on(middle + reach, lengths))
        inside = reach > 0.0
        if inside.any():
            for marks in (self.timetable.ends[None, :], self.timetable.starts - lengths[:, None]):
                turns = np.round((middle[:, None] - marks) / period)
                at = marks + period * turns
                near = (np.abs(at - middle[:, None]) < reach[:, None]) & inside[:, None]
                at = np.where(near, at, middle[:, None] - reach[:, None])
                least = np.minimum(least, self._on(at, lengths[:, None]).min(axis=1))
        if any_phase.any():
            least = np.where(any_phase, self.line.at(whole), least)
        return np.asarray(np.maximum(least, 0.0))

    def begins(self) -> Array:
        """Times of a period at which what is sure may turn up for windows that begin there, s."""
        return self._shifted(self.timetable.ends - self.jitter)

    def ends(self) -> Array:
        """The same for windows that end there."""
        return self._shifted(self.timetable.starts + self.jitter)

    def _shifted(self, marks: Array) -> Array:
        both = np.concatenate((marks - self.error, marks + self.error))
        return np.unique((both + self.start) % self.timetable.period)

    def _on(self, begins: Array, lengths: Array) -> Array:
        return np.asarray(self.rate * (self._up_to(begins + lengths) - self._up_to(begins)))

    def _up_to(self, times: Array) -> Array:
        pattern = self.timetable
        turns = np.floor(times / pattern.period)
        spans = pattern.ends - pattern.starts
        before = np.concatenate(([0.0], np.cumsum(spans)))
        edges = np.stack((pattern.starts, pattern.ends), axis=1).ravel()
        done = np.stack((before[:-1], before[1:]), axis=1).ravel()
        rest = times - turns * pattern.period
        return np.asarray(turns * before[-1] + np.interp(rest, edges, done, left=0.0))


def curve_of_timing(timing: Timing) -> Curve:
    """What is sure of a source by what is known of its clock."""
    return curve_of(timing.stages) if timing == Timing(timing.stages) else _sure(timing)


def attained_curve(timing: Timing) -> Curve:
    """On-times that some possible clock attains in any window: for bounds on every plan."""
    if timing.merged:
        return _merged(timing, -1.0)
    return curve_of_timing(replace(timing, varying=0))


@lru_cache(maxsize=4096)
def _sure(timing: Timing) -> Curve:
    curve = curve_of(timing.stages)
    if curve.pattern.steady:
        return curve
    if timing.varying:
        curve = spread_curve(timing.stages, timing.varying)
    if timing.merged:
        return _merged(timing, 1.0)
    curve = drifting(jittered(curve, timing.jitter), timing.drift)
    if timing.start is None:
        return curve
    pattern, start, error = curve.pattern, timing.start, timing.error
    return KnownCurve(
        pattern, curve.duty, curve.sigma, curve.line, start, error, timing.jitter, pattern
    )


@lru_cache(maxsize=1024)
def _merged(timing: Timing, sign: float) -> KnownCurve:
    """What is sure where inner stages are merged; ``sign`` -1: no less than what is sure."""
    assert timing.start is not None
    merged = merged_stages(timing.stages, timing.merged)
    late = timing.jitter + sign * 0.5 * (merged.early + merged.late)
    curve = jittered(curve_of_pattern(merged.pattern), late)
    line = replace(
        curve.line,
        gain=merged.rate * curve.line.gain,
        values=frozen(merged.rate * curve.line.values),
    )
    pattern = curve_of(timing.stages).pattern
    return KnownCurve(
        replace(pattern, longest_quiet=pattern.longest_quiet + 2.0 * timing.jitter),
        merged.rate * curve.duty,
        merged.rate * curve.sigma,
        line,
        timing.start - 0.5 * (merged.early - merged.late),
        timing.error,
        late,
        merged.pattern,
        merged.rate,
    )


def jittered(curve: Curve, jitter: float) -> Curve:
    """The curve of bursts that are each shifted as a whole by at most ``jitter`` s, either way.

    A burst shifted by j has in [t, u] what it had in [t - j, u - j], so at least what it has in
    [t + J, u - J]: tau_J(L) = tau(max(0, L - 2 J)). Bursts before a worst window come early and
    those after it late, so it is attained. The mean stays.
    """
    if jitter == 0.0:
        return curve
    line, late = curve.line, 2.0 * jitter
    shifted = replace(
        line,
        lengths=frozen(np.append(0.0, line.lengths[1:] + late)),
        kinks=frozen(line.kinks + late),
        peaks=frozen(line.peaks + late),
        onset=line.onset + late,
    )
    pattern = replace(curve.pattern, longest_quiet=curve.pattern.longest_quiet + late)
    return Curve(pattern, curve.duty, curve.sigma + curve.duty * late, shifted)


def drifting(curve: Curve, drift: float) -> Curve:
    """The curve of a clock whose rate may be anywhere from 1 / (1 + drift) to 1 + drift.

    The worst clock runs fast while the source is on and slow while it rests, so a window with
    on-time w and rest q by the clock has w / (1 + drift) and (1 + drift) q: exactly
    tau_d(L) = tau(l) / (1 + drift) with (1 + drift) (l - tau(l)) + tau(l) / (1 + drift) = L.
    """
    if drift == 0.0 or curve.pattern.steady:
        return curve
    pace = 1.0 + drift
    on = np.diff(curve.line.values)
    rest = np.maximum(np.diff(curve.line.lengths) - on, 0.0)
    values = np.concatenate(([0.0], np.cumsum(on))) / pace
    lengths = np.concatenate(([0.0], np.cumsum(on / pace + rest * pace)))
    turns_up = lengths[1::2]
    onset = float(np.interp(curve.line.onset, curve.line.lengths, lengths))
    period = float(lengths[-1]) - onset
    gain = float(values[-1]) - float(np.interp(onset, lengths, values))
    line = RepeatingLine(
        period,
        gain,
        frozen(lengths),
        frozen(values),
        frozen(np.unique(lengths[1:])),
        frozen(turns_up[turns_up > 0.0]),
        onset=onset,
    )
    duty = gain / period
    sigma = float(np.max(duty * lengths - values))
    return Curve(_at_worst(curve.pattern, pace), duty, sigma, line)


def _at_worst(pattern: Pattern, pace: float) -> Pattern:
    """The on-intervals as the worst clock has them."""
    on = (pattern.ends - pattern.starts) / pace
    next_starts = np.append(pattern.starts[1:], pattern.period + pattern.starts[0])
    rests = (next_starts - pattern.ends) * pace
    starts = pattern.starts[0] * pace + np.concatenate(([0.0], np.cumsum(on + rests)[:-1]))
    period = float(np.sum(on) + np.sum(rests))
    return Pattern(
        period,
        frozen(starts),
        frozen(starts + on),
        float(np.sum(on)) / period,
        pattern.rule_of_thumb,
        pattern.longest_quiet * pace,
        False,
    )
