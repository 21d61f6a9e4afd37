"""Rules of chambers at sources: what is drawn out of them through pauses is there.

A pump may go on while its source pauses, out of the chamber between them. A plan names what it so
draws as sources of their own, each on throughout the on-time of one stage, or always. On one
clock with their source, these draws and direct use together must never ask a chamber, full at
first, for more than it holds above the pressure that is kept in it.
"""

from __future__ import annotations

import math

import numpy as np

from allocator.plans.records import SourceUse
from allocator.site.records import Source
from allocator.verify.basis import content
from allocator.verify.case import ROUNDING, Case
from allocator.verify.cycle import Cycle, cycle_of
from allocator.verify.report import LIMIT, Findings
from allocator.verify.sure_clocks import is_exact
from allocator.verify.words import spoken


def check_chambers(case: Case, findings: Findings) -> None:
    """What may be drawn, the pump's rate, the mean of the source, and every window, for all of it.

    What is drawn less the share :data:`LIMIT` of it is there for ever.
    """
    for name, uses in drawn_through(case).items():
        record = case.site.sources[name]
        subject = f"chamber of source {name!r}"
        for use in uses:
            findings.holds(
                "chamber_draw",
                f"source {use.name!r}",
                _may_be_drawn(case, record, case.site.sources[use.name]),
                "is not what a pump may draw out of a chamber through pauses",
            )
        whole = next((use for use in case.plan.sources if use.name == name), None)
        findings.holds(
            "tap_missing",
            subject,
            whole is not None and whole.tapped,
            "is drawn on but the source is not connected",
        )
        asked = case.plan.robustness
        findings.holds(
            "chamber_without",
            subject,
            asked is None or not asked.of_sources,
            "is counted with, which firm output that holds with lost or low sources may not do",
        )
        _windows(case, findings, subject, record, rates_of(case, name))


ALIKE = ("place", "fluid", "temperature", "pressure", "water", "clock", "error")
"""What is the same of a source and of what is drawn out of its chamber."""


def _may_be_drawn(case: Case, whole: Source, part: Source) -> bool:
    """Whether a part is on while one of the outer stages of an exact cycle is, or always; at no

    more than the source and its pump give; at the source's own times, and for as much power.
    """
    inner = len(whole.stages) - len(part.stages)
    pump, drawn = whole.pump, part.pump
    if pump is None or drawn is None or pump.chamber is None or whole.delivered or inner < 1:
        return False
    most = whole.flow if pump.rate is None else min(whole.flow, pump.rate)
    return (
        is_exact(case.site, whole)
        and part.stages == whole.stages[inner:]
        and part.next_start == (whole.next_start if part.stages else None)
        and part.flow <= most
        and drawn.energy == pump.energy
        and all(getattr(part, field) == getattr(whole, field) for field in ALIKE)
        and is_exact(case.site, part)
    )


def _windows(
    case: Case,
    findings: Findings,
    subject: str,
    record: Source,
    rates: list[tuple[Cycle, float]],
) -> None:
    together = math.fsum(rate for _, rate in rates)
    if record.pump is not None and record.pump.rate is not None:
        most = record.pump.rate
        findings.at_most("pump_rate", subject, together, most, "kg/s", "what is pumped in all")
    rates = [(cycle, rate * (1.0 - LIMIT)) for cycle, rate in rates]
    comes = record.flow * rates[0][0].mean
    goes = math.fsum(rate * cycle.mean for cycle, rate in rates)
    slack = ROUNDING * max(comes, goes)
    what = "what is drawn on the mean"
    findings.at_most("chamber_long_run", subject, goes, comes, "kg/s", what, slack)
    findings.count("chamber_cut")
    if goes > comes + slack:
        return  # it runs down sooner or later, whatever it holds
    size = content(case.site, record, hold_of(case, record))
    draw = math.fsum(rate for cycle, rate in rates if cycle.steady)
    fall, length = deepest_fall(net_cycle(record, rates), draw)
    if fall > size:
        short = fall - size
        findings.breach(
            "chamber_cut",
            subject,
            short,
            "kg",
            f"holds {spoken(size, 'kg')} and is {spoken(short, 'kg')} short of what is "
            f"drawn out of it in windows of {spoken(length, 's')}",
        )


def deepest_fall(net: Cycle, draw: float) -> tuple[float, float]:
    """Most that a chamber falls from full, kg, and the length of that window, s.

    ``net``: kg/s into it less what goes out of it on and off; ``draw``: kg/s always drawn. All is
    on one clock and balances over a period, so the level marched over two periods, from each
    highest one on, has the worst window in it.
    """
    lengths = np.tile(np.diff(np.append(net.times, net.period)), 2)
    level = np.concatenate(([0.0], np.cumsum((np.tile(net.rates, 2) - draw) * lengths)))
    falls = np.maximum.accumulate(level) - level
    end = int(np.argmax(falls))
    begin = int(np.argmax(level[: end + 1]))
    return float(falls[end]), float(np.sum(lengths[begin:end]))


def drawn_through(case: Case) -> dict[str, list[SourceUse]]:
    """Source -> what is drawn out of its chamber through pauses, where anything is."""
    found: dict[str, list[SourceUse]] = {}
    for use in case.plan.sources:
        whole = case.site.sources[use.name].part_of
        if whole and taken(case, use) > 0:
            found.setdefault(whole, []).append(use)
    return found


def rates_of(case: Case, source: str) -> list[tuple[Cycle, float]]:
    """Cycle and highest rate of a source, first, and of what is drawn out of its chamber."""
    uses = {use.name: use for use in case.plan.sources}
    names = [source, *(use.name for use in drawn_through(case).get(source, ()))]
    return [(case.cycles[name], taken(case, uses[name]) if name in uses else 0.0) for name in names]


def taken(case: Case, use: SourceUse) -> float:
    """Highest rate at which a source is drawn on, kg/s."""
    return math.fsum([*use.collect.values(), case.at_peak(use.direct)])


def hold_of(case: Case, source: Source) -> float:
    """Pa that a source's pump keeps in its chamber: the plan's set-point, or the site's least."""
    points = case.plan.set_points
    holds = {} if points is None else {hold.source: hold.pressure for hold in points.chambers}
    least = (
        0.0
        if source.pump is None or source.pump.chamber is None
        else source.pump.chamber.min_pressure
    )
    return max(least, holds.get(source.name, least))


def net_cycle(record: Source, rates: list[tuple[Cycle, float]]) -> Cycle:
    """What comes into a chamber less what goes out of it on and off, kg/s, on the source's clock.

    ``rates``: of the source itself first; what is always drawn is left out.
    """
    own, as_it_comes = rates[0]
    moving = [(own, record.flow - as_it_comes)]
    moving += [(cycle, -rate) for cycle, rate in rates[1:] if not cycle.steady]
    return together(moving)


def together(parts: list[tuple[Cycle, float]]) -> Cycle:
    """The sum of cycles of one period and one clock, each times its weight."""
    times = np.unique(np.concatenate([cycle.times for cycle, _ in parts]))
    rates = np.zeros(len(times))
    for cycle, weight in parts:
        rates += weight * cycle.rates[np.searchsorted(cycle.times, times, side="right") - 1]
    return cycle_of(parts[0][0].period, times, rates)
