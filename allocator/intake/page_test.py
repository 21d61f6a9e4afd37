"""Page's cumulative-sum test: has the mean of a record left its stated value?

Page (1954, Biometrika 41:100) adds up what each observation says for a changed mean and against
the stated one, and begins again at 0 whenever the sum falls below it. With z the departure in
standard deviations and k the one that is looked for, halved, the log-likelihood ratio is

    S(n) = max(0, S(n-1) + 2 k (z(n) - k)),    alarm at S(n) > b.

While nothing has changed the ratio of likelihoods has mean 1, so of N observations a false alarm
comes with a probability of no more than N exp(-b) (Wald 1947). Sums rise above b by leaps, so that
there are fewer: ``LEAP`` is what drawn records allow (``benchmarks/following.py``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

FALSE_ALARMS = 0.01
"""Probability that a month of all records of a site brings a false alarm, at most."""
LEAP = 1.0
"""What the threshold may be below Wald's."""
LEAST = 0.25
"""Standard deviations: half of the smallest change that is looked for."""


def threshold_of(observations: float) -> float:
    """The sum that is an alarm, where a month brings so many observations in all tests."""
    return math.log(max(observations, 1.0) / FALSE_ALARMS) - LEAP


@dataclass(slots=True)
class PageTest:
    """One side of the test: ``sum``, and what was observed since it was last 0."""

    sum: float = 0.0
    count: int = 0
    total: float = 0.0
    begin: float = 0.0

    def add(self, departure: float, half: float, value: float, since: float) -> float:
        """The sum after an observation of ``value``, which began at ``since`` s.

        ``departure``: in standard deviations, above 0 in the direction that is looked for.
        ``half``: k.
        """
        more = self.sum + 2.0 * half * (departure - half)
        if more <= 0.0:
            self.sum, self.count, self.total = 0.0, 0, 0.0
            return 0.0
        if self.count == 0:
            self.begin = since
        self.sum, self.count, self.total = more, self.count + 1, self.total + value
        return more

    def lower(self, by: float) -> None:
        """Takes off what came of something else than a change."""
        self.sum -= by
        if self.sum <= 0.0:
            self.sum, self.count, self.total = 0.0, 0, 0.0

    @property
    def mean(self) -> float:
        """Mean of what was observed since the sum was last 0: the best guess of the new value."""
        return self.total / self.count
