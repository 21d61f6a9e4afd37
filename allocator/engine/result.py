"""What planning returns: the plan with its bound, status, audit, simulation and tables."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from allocator.base.shown import Facts, Shown
from allocator.base.status import Status
from allocator.engine.plan_folder import folder_of, write_plan_files
from allocator.plans.records import Plan
from allocator.report.summary import summary
from allocator.report.words import gap, goal_title, goal_value
from allocator.search import Outcome
from allocator.site.records import Site
from allocator.verify import AuditReport

if TYPE_CHECKING:
    from allocator.simulation import Trace


@dataclass(frozen=True, slots=True, repr=False)
class PlanResult(Shown):
    """A plan, how it was found, and what its audit and its simulation say.

    Having a plan and why the search stopped (:attr:`status`) are separate facts.

    Parameters
    ----------
    site
        The site that the plan is for.
    plan
        The plan, ``verified`` where the audit accepts it and its simulation kept the promise.
    audit
        What the audit says of the plan, before its simulation gave it set-points.
    outcome
        How the search went; None where the plan was read from a file.
    simulation
        The simulation of the plan; None where there was none.
    not_simulated
        Why a plan on the firm basis was not simulated; empty where it was, or was not to be.

    Examples
    --------
    >>> import allocator as al
    >>> result = al.plan("networks/first.yaml", node_limit=1000)
    >>> result.status, round(result.bound), result.audit.accepted, result.simulation.kept
    (<Status.OPTIMAL: 'optimal'>, 13374, True, True)
    """

    site: Site
    plan: Plan
    audit: AuditReport
    outcome: Outcome | None = None
    simulation: Trace | None = None
    not_simulated: str = ""

    @property
    def status(self) -> Status:
        """Why the search stopped, of the goal of which least is proven."""
        return self.plan.status

    @property
    def bound(self) -> float | None:
        """What no plan can pass by the first goal, in its SI unit; None where it is not known."""
        return self.plan.goals[0].bound if self.plan.goals else None

    @property
    def gap(self) -> float | None:
        """``|bound - value|`` of the first goal, as a share of the larger of both."""
        return self.plan.goals[0].gap if self.plan.goals else None

    @property
    def alternatives(self) -> tuple[Plan, ...]:
        """Other plans that were asked for; the audit accepts each of them."""
        return () if self.outcome is None else self.outcome.alternatives

    @property
    def mean_basis(self) -> Plan | None:
        """The plan that averages alone would make, where it was made beside a firm one."""
        firm = self.outcome is not None and self.plan.basis == "firm"
        return self.outcome.mean_basis if self.outcome is not None and firm else None

    def summary(self) -> str:
        """The result for a person to act on: plain text, as ``allocator plan`` prints it."""
        return summary(self.site, self.plan, self.mean_basis, self.simulation)

    def simulate(self, **settings: Any) -> Trace:
        """Simulate the plan, with the keywords of :func:`allocator.simulate`."""
        from allocator.engine.simulating import simulate

        return simulate(self.site, self.plan, **settings)

    def save(self, folder: str | os.PathLike[str], *, crew: float | None = None) -> None:
        """Write the folder that ``allocator plan -o`` writes, whole or not at all.

        Alternatives go to folders of the same name with ``_2``, ``_3`` and so on.

        Parameters
        ----------
        folder
            Where to; an older plan there is replaced.
        crew
            kg/s of material that the crew builds; with it the build order has days.

        Raises
        ------
        OutputError
            The folder cannot be written.
        """
        write_plan_files(folder, self.site, self.plan, self.outcome, crew, self.simulation)
        for number, other in enumerate(self.alternatives, 2):
            write_plan_files(folder_of(folder, number), self.site, other, self.outcome, crew)

    def facts(self) -> Facts:
        """The first goal, its bound and gap, why the search stopped, and the audit, in words."""
        facts = [("PlanResult", self.plan.site_name)]
        for goal in self.plan.goals[:1]:
            facts += [
                (f"{self.plan.basis} {goal_title(goal)}", goal_value(goal, goal.value)),
                ("bound", goal_value(goal, goal.bound)),
                ("gap", gap(goal.gap)),
            ]
        breaches = len(self.audit.breaches)
        facts.append(("search", self.status))
        facts.append(("audit", f"{breaches} breaches" if breaches else "passed"))
        if self.simulation is not None:
            facts.append(("promise simulated", "kept" if self.simulation.kept else "BROKEN"))
        return facts
