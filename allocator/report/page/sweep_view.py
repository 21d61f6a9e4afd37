"""A sweep on the page: the figure by point as a band of draws, and what it depends on most."""

from __future__ import annotations

from dataclasses import dataclass

from allocator.base.labels import head
from allocator.network.facts import facts_of
from allocator.network.records import Network
from allocator.report.page.study_files import Sweep, SweepPoint
from allocator.report.words import percent, quantity

NAMES = {
    "firm_clean": head("firm_clean"),
    "firm_total": head("firm_total"),
    "fluid": head("fluid_served"),
}
EFFECT_HEADS = tuple(head(key) for key in ("value", "rank", "low_third", "high_third"))
MOST = 24
"""Points and effects on the page; the files of the sweep have all."""


@dataclass(frozen=True, slots=True)
class Band:
    """A point of a sweep: lowest to highest of the draws and the plan, in percent of the bar."""

    name: str
    low: float
    high: float
    planned: float | None
    said: str


@dataclass(frozen=True, slots=True)
class SweepView:
    """``effects``: what was varied, correlation, the figure where it is low and where it is high.

    ``left_out``: points that only the files have.
    """

    title: str
    heads: tuple[str, ...]
    bands: tuple[Band, ...]
    effects: tuple[tuple[str, str, str, str], ...]
    left_out: int


def sweep_view(found: Sweep, site: Network) -> SweepView:
    """A sweep for the page."""
    amounts = [value for point in found.points for value in point.quantiles]
    amounts += [point.planned for point in found.points if point.planned is not None]
    most = max(amounts, default=0.0)
    facts = facts_of(site)

    def point_words(point: SweepPoint) -> str:
        parts = [
            f"{a} {quantity(v, facts[a].dimension) if a in facts else f'{v:.4g}'}"
            for a, v in point.values.items()
        ]
        return ", ".join(parts) or "all draws"

    return SweepView(
        NAMES.get(found.figure, found.figure),
        EFFECT_HEADS,
        tuple(_band(found, point, point_words(point), most) for point in found.points[:MOST]),
        tuple(
            (address, f"{rank:+.2f}", _amount(found, low), _amount(found, high))
            for address, rank, low, high in found.effects[:MOST]
        ),
        max(0, len(found.points) - MOST),
    )


def _band(found: Sweep, point: SweepPoint, name: str, most: float) -> Band:
    share = 100.0 / most if most > 0 else 0.0
    low, high = (min(point.quantiles), max(point.quantiles)) if point.quantiles else (0.0, 0.0)
    said = "" if point.planned is None else f"at planned values {_amount(found, point.planned)}"
    if point.quantiles:
        middle = point.quantiles[len(point.quantiles) // 2]
        drawn = f"draws {_amount(found, low)} to {_amount(found, high)}"
        drawn += f", middle {_amount(found, middle)}"
        said = f"{drawn}; {said}" if said else drawn
    if point.kept is not None and point.draws:
        share_kept = percent(point.kept / point.draws)
        said += f"; {head('promise_kept')} in {share_kept} of {point.draws} draws"
    planned = None if point.planned is None else point.planned * share
    return Band(name, low * share, high * share, planned, said)


def _amount(found: Sweep, value: float) -> str:
    return quantity(value, "mass_rate" if found.figure == "fluid" else "power")
