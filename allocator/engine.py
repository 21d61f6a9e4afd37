"""The rooms put together: read a site, plan it, prove the plan, write it down."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from hashlib import sha256
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from allocator import __version__
from allocator.base.errors import AllocatorError, Fault, PlanFileError
from allocator.base.folders import RUN_FILE, digests, write_folder
from allocator.network.cautions import cautions_for
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.file import plan_to_json
from allocator.plans.records import Plan
from allocator.report.files import hand_over_files
from allocator.report.page import page_html
from allocator.report.page.simulation import simulation_of
from allocator.search import Outcome, Progress, Settings, make_plan
from allocator.search.outcome import Reporter
from allocator.site.records import Site
from allocator.solver.linear import least_value
from allocator.verify import AuditReport, audit

if TYPE_CHECKING:
    from allocator.simulation import SimulationSettings, Trace
    from allocator.simulation.work import DrawRun

PACKAGES = ("highspy", "networkx", "numba", "numpy", "pandas", "pint", "pulp", "pyyaml")
PROOF_FILES = ("simulation.json", "levels.csv", "events.csv", "broken.json")
RUN_FORMAT = "allocator.run/1"


class NoPlanError(AllocatorError):
    """Planning ended without a plan. ``outcome`` says whether none exists, and why."""

    def __init__(self, outcome: Outcome) -> None:
        self.outcome = outcome
        super().__init__(outcome.reason)


class Planned(NamedTuple):
    """A plan, how it was found, and what the audit says of it."""

    plan: Plan
    outcome: Outcome
    audit: AuditReport

    @property
    def alternatives(self) -> tuple[Plan, ...]:
        """Other plans that were asked for; the audit accepts each of them."""
        return self.outcome.alternatives


def plan_site(
    site: Site | str | os.PathLike[str],
    settings: Settings | None = None,
    report: Reporter | None = None,
    executor: Executor | None = None,
) -> Planned:
    """Plan a site and audit the plan.

    Args:
        site: the site, or the path of its file.
        settings: basis, limits, seed, solver.
        report: called with lines of progress.
        executor: what starts of the search run on; in this process one by one where left out.

    Returns:
        The plan with its cautions, marked ``verified`` when the audit accepts it; how planning
        went; the audit's report. Where the best plan fails its audit, the best one on the way there
        that passes is returned, and the search tells of the breaches.

    Raises:
        SiteFileError: the file has faults.
        NoPlanError: no plan exists, or none was found in the time.
        ValueError: the named solver is not available.
    """
    if not isinstance(site, Site):
        site = read_site(site)
    settings = replace(settings or Settings(), breaches=breaches_of)
    outcome = make_plan(site, settings, report, executor)
    if outcome.plan is None:
        raise NoPlanError(outcome)
    plan = replace(outcome.plan, cautions=cautions_for(site), verified=False)
    found = audit(site, plan)
    others = tuple(
        replace(other, verified=True)
        for plain in outcome.alternatives
        if audit(site, other := replace(plain, cautions=plan.cautions, verified=False)).accepted
    )
    outcome = replace(outcome, alternatives=others)
    return Planned(replace(plan, verified=found.accepted), outcome, found)


def breaches_of(site: Site, plan: Plan) -> tuple[str, ...]:
    """What the audit has against a plan, in words."""
    return tuple(str(breach) for breach in audit(site, plan).breaches)


def simulate_plan(
    site: Site,
    plan: Plan,
    settings: SimulationSettings | None = None,
    *,
    reserves: Mapping[str, float] | None = None,
    executor: Executor | None = None,
    given: Sequence[DrawRun] = (),
) -> Trace:
    """Run a plan through time from phases that try to break its promise.

    Args:
        site, plan: a plan on the firm basis, and the site that it is for.
        settings: how many draws of how many days, and what else.
        reserves: tank -> kg or J that is kept for the promise.
        executor: runs the draws after the first one, such as a process pool.
        given: draws to run in place of those of the settings.

    Returns:
        What every draw found; ``kept`` is true when the promise held in all.

    Raises:
        PlanFileError: the plan is for another site, not on the firm basis, claims to be audited
            and fails its audit, or makes no sense.
    """
    if plan.verified and plan.site_sha256 == site.sha256 and plan.basis == "firm":
        found = audit(site, plan)
        if not found.accepted:
            fault = Fault(
                "plan",
                0,
                0,
                "",
                f"the plan says that it is verified but fails its audit: {found.breaches[0]}",
                "it was changed after it was made: plan again, or see 'allocator audit'",
            )
            raise PlanFileError([fault])
    from allocator.simulation import simulate

    trace = simulate(site, plan, settings, reserves, least_value, executor, given)
    return replace(trace, plan_sha256=plan_digest(plan))


SHORT_PROOF = 200_000
"""Events, about, of the proof that a plan gets unasked: some tenths of a second of work."""


def prove_plan(
    site: Site,
    plan: Plan,
    draws: int | None = None,
    *,
    seed: int = 0,
    executor: Executor | None = None,
) -> tuple[Plan, Trace]:
    """Simulate an audited plan; the plan with set-points, not ``verified`` if its promise failed.

    ``draws``: from random phases, of a year each, and one against each store; None: two draws
    and those against stores, cut to :data:`SHORT_PROOF` events. With ``draws`` the set-points
    are searched store by store; else the better is taken of all full, or as promises need.

    Raises:
        PlanFileError: the plan is not on the firm basis, or has too much in it to simulate.
    """
    from allocator.simulation import SimulationSettings, simulate
    from allocator.simulation.search import best_reserves, quick_reserves, set_points_of
    from allocator.simulation.simulate import assemble
    from allocator.verify.tanks.phases import worst_windows

    site = network_of(site)
    settings = SimulationSettings(
        phases=2 if draws is None else draws,
        seed=seed,
        budget=SHORT_PROOF if draws is None else None,
    )
    assembly = assemble(site, plan)
    worst = worst_windows(assembly.case, assembly.circuit)
    short = replace(settings, phases=1, budget=SHORT_PROOF // 4)
    if draws is None:
        levels = quick_reserves(site, plan, short, worst).levels
    else:
        levels = best_reserves(site, plan, short, worst=worst).levels
    plan = replace(plan, set_points=set_points_of(site, plan, levels))
    trace = simulate(site, plan, settings, executor=executor, worst=worst)
    plan = replace(plan, verified=plan.verified and trace.kept)
    return plan, replace(trace, plan_sha256=plan_digest(plan))


def plan_digest(plan: Plan) -> str:
    """SHA-256 of the text of ``plan.json``."""
    return sha256(plan_to_json(plan).encode("utf-8")).hexdigest()


def plan_files(
    site: Site, plan: Plan, crew: float | None = None, proof: Trace | None = None
) -> dict[str, bytes]:
    """The files of a plan by name: the same bytes for the same site, plan and crew.

    ``crew``: kg/s of material that the crew builds; with it the build order has days.
    ``proof``: the plan simulated; with it ``simulation.json``, ``levels.csv``, ``events.csv``.
    """
    site = network_of(site)
    texts: dict[str, str] = {}
    simulation = None
    if proof is not None:
        from allocator.simulation.files import simulation_files

        texts = simulation_files(proof)
        facts, levels = texts["simulation.json"], texts["levels.csv"]
        simulation = simulation_of(facts, levels, plan, None, Path("simulation.json"))
    files = hand_over_files(site, plan, crew, None if simulation is None else simulation.reserves)
    texts["page.html"] = page_html(site, plan, simulation, crew=crew)
    files |= {name: text.encode("utf-8") for name, text in texts.items()}
    return {**files, "plan.json": plan_to_json(plan).encode("utf-8")}


def write_plan_files(
    directory: str | os.PathLike[str],
    site: Site,
    plan: Plan,
    outcome: Outcome | None = None,
    crew: float | None = None,
    proof: Trace | None = None,
) -> None:
    """Write a plan's files into a folder in one step: all of them, or none.

    Files of an older proof there, which is of another plan, are removed. Arguments and errors
    besides: see :func:`plan_folder_files` and :func:`allocator.base.folders.write_folder`.

    Raises:
        OutputError: the folder cannot be written.
    """
    files = plan_folder_files(site, plan, outcome, crew, proof)
    write_folder(Path(directory), files, "plan", outdated=PROOF_FILES)


def plan_folder_files(
    site: Site,
    plan: Plan,
    outcome: Outcome | None = None,
    crew: float | None = None,
    proof: Trace | None = None,
) -> dict[str, bytes]:
    """The files of a plan's folder by name.

    All that may differ between two runs that find the same plan is in ``run.json``, which holds
    the digests of the other files. ``crew`` and ``proof``: see :func:`plan_files`.
    """
    files = plan_files(site, plan, crew, proof)
    facts = run_facts(outcome, digests(files))
    run = json.dumps(facts, indent=2, ensure_ascii=False) + "\n"
    return {**files, RUN_FILE: run.encode("utf-8")}


def run_facts(outcome: Outcome | None, files: Mapping[str, str]) -> dict[str, object]:
    """What is true of one run only: seconds, the trail of the search, versions, machine."""
    return {
        "format": RUN_FORMAT,
        "seconds": {} if outcome is None else dict(outcome.seconds),
        "search": [] if outcome is None else [_trail(line) for line in outcome.search],
        "versions": {"allocator": __version__, "python": platform.python_version(), **_packages()},
        "machine": {
            "system": platform.system(),
            "release": platform.release(),
            "processor": platform.machine(),
            "cores": os.cpu_count(),
        },
        "files_sha256": dict(files),
    }


def _trail(line: Progress) -> dict[str, object]:
    return {
        "seconds": round(line.seconds, 3),
        "goal": line.goal,
        "value": line.value,
        "bound": line.bound,
        "gap": line.gap,
        "note": line.note,
    }


def _packages() -> dict[str, str]:
    found = {}
    for name in PACKAGES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "unknown"
    return found
