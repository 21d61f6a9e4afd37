"""Promises that must hold without some of their sources: every choice of them, one by one.

A plan may say that it withstands ``lost`` and ``low`` sources: with any ``lost`` of them giving
nothing and any ``low`` others the least of their range, for ever and with no valve touched, each
store keeps its promise. Choices that differ only in sources that do not feed the store are one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import combinations

from allocator.plans.records import SourceUse
from allocator.verify.case import Case
from allocator.verify.cycle import Cycle
from allocator.verify.report import Findings

MOST_CHOICES = 20_000
"""Choices of sources that are gone through for one promise."""

Supply = Sequence[tuple[str, Cycle, float]]


def min_share(case: Case, source: str) -> float:
    """Share of its flow that a source gives at the low end of its range."""
    whole = case.site.sources[source].part_of or source
    spread = case.site.spreads.get(f"sources.{whole}.flow")
    return 1.0 if spread is None else spread.low / case.site.sources[whole].flow


def without(
    case: Case, findings: Findings, subject: str, supply: Supply
) -> Iterator[tuple[str, list[tuple[Cycle, float]]]]:
    """What is left of a supply for each choice of sources: the choice in words, cycles, rates.

    Rule ``without_counted``: all choices can be gone through.
    """
    asked = case.plan.robustness
    if asked is None or not case.firm:
        return
    names = sorted({name for name, _, rate in supply if rate > 0})
    may_go = [name for name in names if not case.site.sources[name].reliable]
    lost = min(asked.lost, len(may_go))
    number = math.comb(len(may_go), lost) * math.comb(len(names) - lost, asked.low)
    counted = findings.holds(
        "without_counted",
        subject,
        number <= MOST_CHOICES,
        f"may lack sources in {number} ways, too many to go through",
    )
    if not counted:
        return
    for gone in combinations(may_go, lost):
        uncertain = [n for n in names if n not in gone and min_share(case, n) < 1.0]
        for weak in combinations(uncertain, min(asked.low, len(uncertain))):
            if not gone and not weak:
                continue
            share = {**{n: min_share(case, n) for n in weak}, **dict.fromkeys(gone, 0.0)}
            words = [f"source {n!r}" for n in gone] + [f"all of source {n!r}" for n in weak]
            left = [(cycle, rate * share.get(name, 1.0)) for name, cycle, rate in supply]
            yield " and ".join(words), [(cycle, rate) for cycle, rate in left if rate > 0]


def check_direct(case: Case, findings: Findings, source: SourceUse) -> None:
    """Rules ``direct_lost`` and ``direct_low``: what flows past all stores is sure as well.

    No source that may be lost gives it; one at its low end still gives it, and of the rest each
    destination its share: ``direct + share * collected <= share * flow``, and of the pump's rate.
    """
    asked = case.plan.robustness
    direct = case.at_peak(source.direct)
    if asked is None or not case.firm:
        return
    subject = f"source {source.name!r}"
    if asked.lost > 0 and not case.site.sources[source.name].reliable:
        message = "feeds a use without a store, and may be lost"
        findings.holds("direct_lost", subject, direct <= 0, message)
    if asked.low > 0 and direct > 0:
        record, share = case.site.sources[source.name], min_share(case, source.name)
        most = record.flow * share
        if record.pump is not None and record.pump.rate is not None:
            most = min(most, record.pump.rate)
        needed = math.fsum([direct, *(share * rate for rate in source.collect.values())])
        findings.at_most(
            "direct_low", subject, needed, most, "kg/s", "what it must give at its low end"
        )
