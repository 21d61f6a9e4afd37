"""Other plans beside a plan: what each gives, and what it lays that the first does not."""

from __future__ import annotations

from collections.abc import Sequence

from allocator.base.text import table
from allocator.plans.records import Plan


def alternatives_text(plan: Plan, others: Sequence[Plan], loss: float) -> str:
    """A short table: the first goal of each plan against the first plan's, and pipes apart."""
    if not others:
        return (
            "Other plans\n  none found that lays something else and loses at most "
            f"{loss:.1%} of the first goal\n"
        )
    first = plan.goals[0]
    mine = {(run.route, run.fluid) for run in plan.runs if run.new}
    rows = []
    for number, other in enumerate(others, 2):
        laid = {(run.route, run.fluid) for run in other.runs if run.new}
        share = other.goals[0].value / first.value if first.value else 1.0
        rows.append(
            [
                str(number),
                f"{share:.1%}",
                str(len(laid & mine)),
                str(len(laid - mine)),
                str(len(mine - laid)),
            ]
        )
    heading = ["plan", f"of the first plan's {first.name}", "runs shared", "other runs", "without"]
    lines = ["Other plans", *table(heading, rows, range(1, 5))]
    return "\n".join(lines) + "\n"
