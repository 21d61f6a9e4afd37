"""How certain a promise is: what it withstands, and what was planned with in place of ranges."""

from __future__ import annotations

import math

from allocator.base.text import paragraph
from allocator.network.records import Network
from allocator.plans.records import Plan, Robustness
from allocator.report.words import percent


def certainty(site: Network, plan: Plan) -> list[str]:
    """Paragraphs beside a firm promise; none where nothing is uncertain or withstood."""
    lines: list[str] = []
    if plan.basis != "firm":
        return lines
    robustness = plan.robustness
    if robustness is not None and robustness.anything:
        lines += paragraph(withstood(robustness))
        count = most_uncertain(site, plan)
        if 0 < robustness.low < count:
            lines += paragraph(
                f"Where up to {count} uncertain flows feed one store, independent and as likely "
                "above as below what was planned with, a given stretch of time fails with a "
                f"chance of at most {percent(chance_bound(count, robustness.low))} "
                "(Bertsimas & Sim 2004)."
            )
    if site.spreads:
        one = len(site.spreads) == 1
        told = (
            "1 value of the site has a range; it is"
            if one
            else (f"{len(site.spreads)} values of the site have ranges; each is")
        )
        lines += paragraph(
            f"{told} planned with at its middle, likely or mean value: 'allocator sweep --plan' "
            "shows how often the firm output holds."
        )
    return lines


def withstood(robustness: Robustness) -> str:
    """What a promise holds against, in a sentence."""
    parts = []
    if robustness.lost:
        parts.append(f"any {_sources(robustness.lost)} giving nothing at all")
    if robustness.low:
        other = "other " if robustness.lost else ""
        parts.append(f"any {_sources(robustness.low, other)} giving the low end of the range")
    told = []
    if parts:
        told.append(
            f"The firm output holds with {' and '.join(parts)}, for ever and with no valve touched."
        )
    if robustness.machines:
        units = f"any {robustness.machines} machine unit{'' if robustness.machines == 1 else 's'}"
        also = "also " if parts else ""
        told.append(f"The firm output {also}holds with {units} out of order.")
    return " ".join(told)


def _sources(number: int, other: str = "") -> str:
    return f"{number} {other}source{'' if number == 1 else 's'}"


def most_uncertain(site: Network, plan: Plan) -> int:
    """The most sources of uncertain flow that feed one store, or one battery by bursts."""
    feeding: dict[str, set[str]] = {}
    for use in plan.sources:
        whole = site.sources[use.name].part_of or use.name
        if f"sources.{whole}.flow" in site.spreads:
            for destination, rate in use.collect.items():
                if rate > 0:
                    held = destination.split(">")[-1]
                    feeding.setdefault(held, set()).add(whole)
    return max((len(names) for names in feeding.values()), default=0)


def chance_bound(count: int, budget: int) -> float:
    """B(n, G): what the chance does not pass that a row with budget G of n values is broken.

    The values are independent, each evenly to both sides of its middle and within its range:

        B = ((1 - m) sum_{k >= f} C(n, k) + m sum_{k > f} C(n, k)) / 2^n,

    v = (G + n) / 2, f = floor(v), m = v - f. D. Bertsimas & M. Sim, "The Price of Robustness",
    Operations Research 52 (2004), the bound of their section on probabilities (from memory).
    """
    middle = 0.5 * (budget + count)
    floor = math.floor(middle)
    part = middle - floor
    above = sum(math.comb(count, k) for k in range(floor + 1, count + 1))
    return ((1.0 - part) * math.comb(count, floor) + above) / 2.0**count
