"""What planning returns: the plan with its bound, status, audit, simulation and tables."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from allocator.base.labels import head
from allocator.base.shown import Facts, Shown
from allocator.base.status import Status
from allocator.base.table import Table
from allocator.engine.plan_folder import folder_of, write_plan_files
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report import heat_tables, line_tables, tables
from allocator.report.brief import brief_summary
from allocator.report.changes import changes_table
from allocator.report.files import reserves_of
from allocator.report.handover.lists import set_points_table
from allocator.report.summary import full_summary
from allocator.report.words import gap, goal_title, goal_value
from allocator.search import Outcome
from allocator.site.money import unit_of_money
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
    left_out
        What no time was left for after the search, in words.
    former
        The plan that it replaces, of which it changes little; None where it replaces none.

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
    left_out: tuple[str, ...] = ()
    former: Plan | None = None

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

    @property
    def sources(self) -> Table:
        """Connected sources and what each feeds."""
        return tables.sources_used(self._network, self.plan)

    @property
    def storage(self) -> Table:
        """Stores and batteries: sizes, what of them is new, firm output."""
        return tables.store_sizes(self._network, self.plan)

    @property
    def pipes(self) -> Table:
        """Pipes: build, length, peak flow against the capacity, temperatures."""
        return line_tables.pipes(self._network, self.plan)

    @property
    def power_lines(self) -> Table:
        """Power lines: length, peak power against the capacity."""
        return line_tables.power_lines(self._network, self.plan)

    @property
    def machines(self) -> Table:
        """Machines by type and place: units, new and existing, and their duty."""
        return tables.machine_counts(self._network, self.plan)

    @property
    def coolers(self) -> Table:
        """Coolers: units, set-point, duty, power."""
        return line_tables.coolers(self._network, self.plan)

    @property
    def heat_sinks(self) -> Table:
        """Heat sinks: temperatures in the settled cycle, cooling that is enough."""
        return heat_tables.heat_sinks(self.plan)

    @property
    def demands(self) -> Table:
        """Demands and the shares of them that are served."""
        return tables.demands(self._network, self.plan)

    @property
    def materials(self) -> Table:
        """Materials used, against their stocks."""
        return tables.materials(self.plan)

    @property
    def changes(self) -> Table:
        """What is built differently from the former plan; without rows where there is none."""
        return changes_table(self.former or self.plan, self.plan)

    @property
    def heat(self) -> Table:
        """Limits of temperature and heat: value, limit, margin."""
        return heat_tables.heat_limits(self.plan)

    @property
    def set_points(self) -> Table:
        """What the crew sets: valves, reserves of stores, machines."""
        return set_points_table(self._network, self.plan, reserves_of(self.plan))

    @property
    def goals(self) -> Table:
        """Goals in order: value, bound, gap, and why the search stopped."""
        return tables.goals(self.plan, unit_of_money(self.site))

    @property
    def bill_of_materials(self) -> Table:
        """What is to be bought and built, with mass and money."""
        return tables.bill(self._network, self.plan)

    @property
    def _network(self) -> Network:
        return network_of(self.site)

    def summary(self, *, full: bool = False) -> str:
        """The result on one screen, as ``allocator plan`` prints it; ``full``: all tables."""
        text = full_summary if full else brief_summary
        return text(self.site, self.plan, self.mean_basis, self.simulation)

    def simulate(self, **settings: Any) -> Trace:
        """Simulate the plan, with the keywords of :func:`allocator.simulate`."""
        from allocator.engine.simulating import simulate

        return simulate(self.site, self.plan, **settings)

    def save(
        self,
        folder: str | os.PathLike[str],
        *,
        crew: float | None = None,
        site_file: str | os.PathLike[str] | None = None,
    ) -> None:
        """Write the folder that ``allocator plan -o`` writes, whole or not at all.

        Alternatives go to folders of the same name with ``_2``, ``_3`` and so on.

        Parameters
        ----------
        folder
            Where to; an older plan there is replaced.
        crew
            kg/s of material that the crew builds; with it the build order has days.
        site_file
            Where the site was read from, so that ``allocator view`` finds it.

        Raises
        ------
        OutputError
            The folder cannot be written.
        """
        proof, former = self.simulation, self.former
        write_plan_files(folder, self.site, self.plan, self.outcome, crew, proof, former, site_file)
        for number, other in enumerate(self.alternatives, 2):
            write_plan_files(folder_of(folder, number), self.site, other, self.outcome, crew)

    def facts(self) -> Facts:
        """The first goal, its bound and gap, why the search stopped, and the audit, in words."""
        facts, currency = [("PlanResult", self.plan.site_name)], unit_of_money(self.site)
        for goal in self.plan.goals[:1]:
            facts += [
                (f"{self.plan.basis} {goal_title(goal)}", goal_value(goal, goal.value, currency)),
                (head("bound"), goal_value(goal, goal.bound, currency)),
                (head("gap"), gap(goal.gap)),
            ]
        breaches = len(self.audit.breaches)
        facts.append(("search", self.status))
        facts.append(("audit", f"{breaches} breaches" if breaches else "passed"))
        if self.simulation is not None:
            kept = "kept" if self.simulation.kept else "NOT kept"
            facts.append((head("promised"), f"{kept} when simulated"))
        return facts
