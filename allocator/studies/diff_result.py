"""``diff``: two plans side by side."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import ClassVar

from allocator.base.table import Table
from allocator.base.text import width
from allocator.engine.paths import PlanOrPath, plan_of
from allocator.plans.differences import Difference, differences
from allocator.plans.records import Plan
from allocator.report.changes import both_figures, changes_lines, changes_table
from allocator.studies.result import StudyResult, joined, study_json

FORMAT = "allocator.diff/1"


@dataclass(frozen=True, slots=True, repr=False)
class DiffResult(StudyResult):
    """What a plan has differently from a former one.

    Attributes:
        before, after: both plans.
        figures: power, emissions, cost and materials of both.
        changes: each thing that is not the same in both.
        rows: every thing of either plan, kept ones too.
    """

    command: ClassVar[str] = "diff"
    before: Plan
    after: Plan
    figures: Table
    changes: Table
    rows: tuple[Difference, ...]

    def summary(self) -> str:
        """How many things are kept, the figures, then what differs."""
        before, after = self.before.site_name, self.after.site_name
        head = before if before == after else f"{before} and {after}"
        lines = changes_lines(self.before, self.after)
        return joined([f"{head}: a former plan and a new one", "-" * width(), *lines])

    def to_json(self) -> str:
        """Every thing and every figure as JSON."""
        rows = [{f.name: getattr(row, f.name) for f in fields(Difference)} for row in self.rows]
        keys = self.figures.keys
        facts = {
            "before": self.before.site_name,
            "after": self.after.site_name,
            "figures": [dict(zip(keys, row, strict=True)) for row in self.figures.rows],
            "things": rows,
        }
        return study_json(FORMAT, None, facts)


def diff(before: PlanOrPath, after: PlanOrPath) -> DiffResult:
    """Compare two plans, of one site or of two states of it.

    Parameters
    ----------
    before, after
        The former and the new plan, their results, or paths of their files or folders.

    Returns
    -------
    DiffResult
        ``figures`` and ``changes``: what is kept, changed, moved, new and lost.

    Raises
    ------
    PlanFileError
        A plan file has faults.

    Examples
    --------
    >>> import allocator as al
    >>> plan = al.plan("networks/first.yaml", node_limit=1000).plan
    >>> len(al.diff(plan, plan).changes)
    0
    """
    old, new = plan_of(before), plan_of(after)
    figures, changes = both_figures(old, new), changes_table(old, new)
    return DiffResult(old, new, figures, changes, differences(old, new))
