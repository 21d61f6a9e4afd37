"""What an audit finds: breaches, each with its rule, subject and size, and how much was checked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from allocator.verify.words import spoken

LIMIT = 1e-9
"""Limits, capacities, stocks and promises hold to this share of themselves: a plan whose amounts
are all less by it keeps them exactly. DEVELOPERS.md, "Tolerances", says why no less can be asked,
and why no more is needed."""


@dataclass(frozen=True, slots=True)
class Breach:
    """One rule broken. ``size``: by how much, SI, in ``unit``; ``message``: in people's words."""

    rule: str
    subject: str
    size: float
    unit: str
    message: str

    def __str__(self) -> str:
        return f"{self.subject}: {self.message} [{self.rule}]"


@dataclass(frozen=True, slots=True)
class AuditReport:
    """The outcome of an audit.

    Attributes
    ----------
    breaches : tuple of Breach
        Rules that are broken, each with its subject, and by how much.
    checks : mapping of str to int
        How many comparisons each rule made.

    Examples
    --------
    >>> import allocator as al
    >>> report = al.plan("networks/first.yaml", node_limit=1000).audit
    >>> report.accepted, report.breaches, sum(report.checks.values()) > 100
    (True, (), True)
    """

    breaches: tuple[Breach, ...]
    checks: Mapping[str, int] = field(default_factory=dict)

    @property
    def accepted(self) -> bool:
        """True when no rule is broken."""
        return not self.breaches

    @property
    def rules(self) -> tuple[str, ...]:
        """Names of the rules that are broken, each once, in the order found."""
        return tuple(dict.fromkeys(breach.rule for breach in self.breaches))


class Findings:
    """Collects what the rules of one audit find. Comparisons with NaN count as breaches."""

    def __init__(self) -> None:
        self._breaches: list[Breach] = []
        self._checks: dict[str, int] = {}

    @property
    def clean(self) -> bool:
        """True when nothing has been found."""
        return not self._breaches

    def report(self) -> AuditReport:
        """What has been found so far."""
        return AuditReport(tuple(self._breaches), dict(self._checks))

    def breach(self, rule: str, subject: str, size: float, unit: str, message: str) -> None:
        """Record a breach."""
        self._breaches.append(Breach(rule, subject, size, unit, message))

    def holds(self, rule: str, subject: str, condition: bool, message: str) -> bool:
        """A condition without a size."""
        self.count(rule)
        if not condition:
            self.breach(rule, subject, 1.0, "", message)
        return condition

    def at_most(
        self,
        rule: str,
        subject: str,
        value: float,
        limit: float,
        unit: str,
        what: str,
        tolerance: float | None = None,
    ) -> None:
        """``value <= limit + tolerance``; ``what`` names the value in the message.

        Without a tolerance of its own a limit holds to the share :data:`LIMIT` of itself.
        """
        self.count(rule)
        tolerance = relative(LIMIT, limit) if tolerance is None else tolerance
        if not value <= limit + tolerance:
            size = value - limit
            message = (
                f"{what} is {spoken(value, unit)}, at most {spoken(limit, unit)} can be"
                f" ({spoken(size, unit)} too much)"
            )
            self.breach(rule, subject, size, unit, message)

    def at_least(
        self,
        rule: str,
        subject: str,
        value: float,
        limit: float,
        unit: str,
        what: str,
        tolerance: float | None = None,
    ) -> None:
        """``value >= limit - tolerance``; ``what`` names the value in the message.

        Without a tolerance of its own a limit holds to the share :data:`LIMIT` of itself.
        """
        self.count(rule)
        tolerance = relative(LIMIT, limit) if tolerance is None else tolerance
        if not value >= limit - tolerance:
            size = limit - value
            message = (
                f"{what} is {spoken(value, unit)}, at least {spoken(limit, unit)} is needed"
                f" ({spoken(size, unit)} too little)"
            )
            self.breach(rule, subject, size, unit, message)

    def equals(
        self,
        rule: str,
        subject: str,
        value: float,
        expected: float,
        unit: str,
        what: str,
        tolerance: float,
    ) -> None:
        """``|value - expected| <= tolerance``; ``value`` is the plan's figure."""
        self.count(rule)
        if not abs(value - expected) <= tolerance:
            size = abs(value - expected)
            message = (
                f"{what} is given as {spoken(value, unit)}, recomputed"
                f" {spoken(expected, unit)} ({spoken(size, unit)} off)"
            )
            self.breach(rule, subject, size, unit, message)

    def count(self, rule: str, times: int = 1) -> None:
        """Count comparisons of a rule."""
        self._checks[rule] = self._checks.get(rule, 0) + times


def relative(share: float, *values: float) -> float:
    """A tolerance: a share of the largest of some values."""
    finite = [abs(value) for value in values if math.isfinite(value)]
    return share * max(finite, default=0.0)
