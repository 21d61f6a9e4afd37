"""Firm power against one scarce thing, as tables: points, knees, and what changes between them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from allocator.base.labels import labelled
from allocator.base.rendering import section_of, shown_value
from allocator.base.table import Column, Table
from allocator.base.text import paragraph, section, width
from allocator.engine.paths import SiteOrPath, site_of
from allocator.network.deriving import network_of
from allocator.plans.records import Plan
from allocator.report.words import ALIKE, STATUS_WORDS, knee_words, power_against, quantity
from allocator.search import Settings
from allocator.site.addresses import given_address
from allocator.site.money import unit_of_money
from allocator.site.records import POWER, Site
from allocator.studies.result import StudyResult, joined, study_json
from allocator.studies.trade_off import TradeOffStep, frontier_steps, given_of

FORMAT = "allocator.frontier/1"
_BETWEEN = (
    "Each row is a plan. With an amount between two rows, at least the power of the former can be "
    "had, and no more than the proven limit of the latter; more --steps show more of it."
)


@dataclass(frozen=True, slots=True, repr=False)
class FrontierResult(StudyResult):
    """Best trade-offs found (no other point is better in both), each with a plan that was audited.

    Attributes:
        give: what is given: a material, ``money``, ``booster_power`` or ``emissions``.
        frontier: the points, with knees and with the changes from the point before.
        steps: the same as records, with the plans.
    """

    command: ClassVar[str] = "frontier"
    more_files: ClassVar[tuple[str, ...]] = ("page.html",)
    site: Site
    give: str
    frontier: Table
    steps: tuple[TradeOffStep, ...]

    def summary(self) -> str:
        """Points, knees, and what changes from point to point."""
        power = power_against(self.give, _basis(self.steps))
        heading = [f"{self.site.name}: {power} against {given_address(self.give)}"]
        if self.alike:
            heading += ["", *paragraph(f"{ALIKE[0].upper()}{ALIKE[1:]}.", indent=0)]
        return joined(
            [heading[0], "-" * width(), *heading[1:]],
            section_of(self._points()),
            section("Knees", self._knees()),
            section("Changes from the point before", self._changes()),
        )

    @property
    def alike(self) -> bool:
        """Whether demands of several priorities are counted alike."""
        demands = self.site.demands.values()
        return len({demand.priority for demand in demands if demand.wants == POWER}) > 1

    def _points(self) -> Table:
        """The points with words for people."""
        columns = self.frontier.columns[:4]
        rows = tuple(
            (
                *row[:4],
                STATUS_WORDS.get(step.point.status, step.point.status),
                step.point.end or ("knee" if step.knee else None),
                "accepted" if step.plan.verified else "REJECTED",
            )
            for row, step in zip(self.frontier.rows, self.steps, strict=True)
        )
        between = _BETWEEN if len(rows) > 1 else ""
        words = (Column("search", "search"), Column("end", "end or knee"), Column("audit", "audit"))
        return Table("points", self.frontier.title, (*columns, *words), rows, between)

    def _knees(self) -> list[str]:
        lines = []
        for step in sorted(self.steps, key=lambda s: -(s.knee or 0.0)):
            if step.knee is not None:
                power = quantity(step.point.power, "power")
                lines += paragraph(
                    f"{self._given(step)} for {power}: {knee_words(step.knee)}", bullet="* "
                )
        return lines

    def _changes(self) -> list[str]:
        return [
            line
            for step in self.steps[1:]
            for line in paragraph(
                f"to {self._given(step)}: {', '.join(step.changes) or 'amounts alone'}",
                bullet="* ",
            )
        ]

    def _given(self, step: TradeOffStep) -> str:
        """An amount of what is given, in the unit of the table."""
        return shown_value(self.frontier, "given", step.point.given)

    def to_json(self) -> str:
        """The points as JSON."""
        return study_json(
            FORMAT,
            self.site,
            {
                "give": self.give,
                "demands_alike": self.alike,
                "basis": _basis(self.steps),
                "points": [
                    {
                        "given": step.point.given,
                        "power_w": step.point.power,
                        "bound_w": step.point.bound,
                        "gap": step.point.gap,
                        "status": step.point.status,
                        "least_given": step.point.least_given,
                        "end": step.point.end,
                        "knee": step.knee,
                        "audited": step.plan.verified,
                        "changes": list(step.changes),
                    }
                    for step in self.steps
                ],
            },
        )

    def plans(self) -> Mapping[str, Plan]:
        """A plan for each point."""
        return {f"point_{number:02}": step.plan for number, step in enumerate(self.steps, 1)}

    def other_files(self) -> dict[str, str]:
        """The page with the chart."""
        from allocator.report.page import study_page
        from allocator.report.page.study_files import frontier_of_text

        network = network_of(self.site)
        chart = frontier_of_text(self.to_json(), network, Path("frontier.json"))
        return {"page.html": study_page(network, frontier=chart)}


def _basis(steps: Sequence[TradeOffStep]) -> str:
    return steps[0].plan.basis if steps else "firm"


def frontier(
    site: SiteOrPath,
    give: str,
    *,
    steps: int = 10,
    settings: Settings | None = None,
    tell: Callable[[str], object] = lambda words: None,
) -> FrontierResult:
    """The most firm power for each amount of one scarce thing, point by point.

    Power counts alike for all demands: their priorities, which a plan keeps to, play no part.

    Parameters
    ----------
    site
        The site, or the path of its file.
    give
        The address of a stock, such as ``"stock.steel"``, ``"limits.money"``,
        ``"boosters.power"``, or ``"limits.emission"`` (then all power counts).
    steps
        Points, both ends included; those that another dominates are dropped.
    settings
        Of the search; the time limit is that of all points and their audits.
    tell
        Called with words of progress.

    Returns
    -------
    FrontierResult
        ``points``: a row a point; ``plans()``: the plan of each.

    Raises
    ------
    AddressError
        The site has nothing with that address to give.
    ValueError
        ``steps`` is below 2.

    References
    ----------
    Y. Y. Haimes, L. S. Lasdon, D. A. Wismer, IEEE Transactions on Systems, Man, and Cybernetics 1
    (1971) 296: the epsilon-constraint method.

    Examples
    --------
    >>> import allocator as al
    >>> quick = al.Settings(node_limit=500)
    >>> result = al.frontier("networks/first.yaml", "stock.steel", steps=3, settings=quick)
    >>> [round(power) for power in result["frontier"].column("firm_power")]
    [0, 13374]
    """
    site = site_of(site)
    given = given_of(site, give)
    if steps < 2:
        raise ValueError("steps must be 2 or more: the two ends are points")
    return frontier_result(site, given, frontier_steps(site, given, steps, settings, tell))


def frontier_result(site: Site, give: str, steps: Sequence[TradeOffStep]) -> FrontierResult:
    """The result of points that were worked out."""
    kind, unit = {
        "money": ("money", ""),
        "emissions": ("emission_rate", "_kg_per_s"),
        "booster_power": ("power", "_w"),
    }.get(give, ("mass", "_kg"))
    counted_in = unit_of_money(site) if give == "money" else ""
    columns = (
        Column(
            *("given", given_address(give), kind, "What the plan uses."),
            f"{give}{unit}",
            counted_in,
        ),
        Column("firm_power", power_against(give, _basis(steps)), "power"),
        labelled("bound", "power", "No plan with as much of it has more power."),
        labelled("gap", "share"),
        labelled("status"),
        Column(
            *("least_given", "minimum for it", kind, "No plan of that power uses less."),
            f"least_{give}{unit}_for_it",
            counted_in,
        ),
        labelled("end_of_frontier", name="end"),
        labelled("knee", "number"),
        labelled("audited", "flag"),
        labelled("changes"),
    )
    rows = tuple(
        (
            *(step.point.given, step.point.power, step.point.bound, step.point.gap),
            *(step.point.status, step.point.least_given, step.point.end, step.knee),
            *(step.plan.verified, "; ".join(step.changes)),
        )
        for step in steps
    )
    table = Table(
        "frontier", "Best trade-offs found (no other point is better in both)", columns, rows
    )
    return FrontierResult(site, give, table, tuple(steps))
