"""The files of a plan's folder: tables, page, map, plan.json, and what is true of one run only."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Mapping
from hashlib import sha256
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING

from allocator import __version__
from allocator.base.folders import RUN_FILE, digests, folder_at, write_folder
from allocator.base.rendering import csv_of
from allocator.base.text import WIDTH, columns
from allocator.network.deriving import network_of
from allocator.plans.file import plan_to_json
from allocator.plans.records import Plan
from allocator.report.brief import cautions_text
from allocator.report.changes import changes_lines, changes_table
from allocator.report.files import hand_over_files
from allocator.report.page import page_html
from allocator.report.page.simulation import simulation_of
from allocator.report.summary import full_summary
from allocator.search import Outcome, Progress
from allocator.site.records import Site

if TYPE_CHECKING:
    from allocator.simulation import Trace

PACKAGES = ("highspy", "networkx", "numba", "numpy", "pandas", "pint", "pulp", "pyyaml")
PROOF_FILES = ("simulation.json", "levels.csv", "events.csv", "broken.json")
PLAN_FILES = frozenset(
    {
        *PROOF_FILES,
        *("baths.csv", "bill_of_materials.csv", "boosters.csv", "build_order.csv", "changes.csv"),
        *("coolers.csv", "cut_list.csv", "cutting_plan.csv", "heat_demands.csv"),
        *("heat_limits.csv", "machine_counts.csv", "outages.csv", "pressure_paths.csv"),
        *("pressures.csv", "runs.csv", "set_points.csv", "sources_used.csv", "stock_list.csv"),
        *("store_sizes.csv", "cautions.txt", "changes.txt", "summary.txt", "page.html"),
        *("plan.geojson", "plan.graphml", "plan.json", "plan.xlsx", RUN_FILE),
    }
)
"""All that may be written into a plan's folder."""
RUN_FORMAT = "allocator.run/1"


def folder_of(folder: str | os.PathLike[str], number: int) -> Path:
    """The folder of a plan: the one that is named, or that name with a number."""
    path = Path(folder)
    return path if number == 1 else path.with_name(f"{path.name}_{number}")


def plan_digest(plan: Plan) -> str:
    """SHA-256 of the text of ``plan.json``."""
    return sha256(plan_to_json(plan).encode("utf-8")).hexdigest()


def plan_files(
    site: Site,
    plan: Plan,
    crew: float | None = None,
    proof: Trace | None = None,
    former: Plan | None = None,
    mean_basis: Plan | None = None,
) -> dict[str, bytes]:
    """The files of a plan by name: the same bytes for the same site, plan and crew.

    ``crew``: kg/s of material that the crew builds; with it the build order has days.
    ``proof``: the plan simulated; with it ``simulation.json``, ``levels.csv``, ``events.csv``.
    ``former``: the plan that this one replaces; with it the page shows what changes.
    ``mean_basis``: the plan at average flows, for the estimate in ``summary.txt``.
    """
    site = network_of(site)
    texts: dict[str, str] = {}
    simulation = None
    if proof is not None:
        from allocator.simulation.files import simulation_files

        texts = simulation_files(proof)
        facts, levels = texts["simulation.json"], texts["levels.csv"]
        simulation = simulation_of(facts, levels, plan, None, Path("simulation.json"))
    texts["summary.txt"] = full_summary(site, plan, mean_basis, proof)
    texts["cautions.txt"] = cautions_text(plan)
    files = hand_over_files(site, plan, crew, None if simulation is None else simulation.reserves)
    texts["page.html"] = page_html(site, plan, simulation, crew=crew, former=former)
    files |= {name: text.encode("utf-8") for name, text in texts.items()}
    return {**files, "plan.json": plan_to_json(plan).encode("utf-8")}


def write_plan_files(
    directory: str | os.PathLike[str],
    site: Site,
    plan: Plan,
    outcome: Outcome | None = None,
    crew: float | None = None,
    proof: Trace | None = None,
    former: Plan | None = None,
    site_file: str | os.PathLike[str] | None = None,
) -> None:
    """Write a plan's files into a folder in one step: all of them, or none.

    Files of an older proof there, which is of another plan, are removed. ``site_file`` is named in
    ``run.json``. Arguments and errors besides: see :func:`plan_folder_files` and
    :func:`allocator.base.folders.write_folder`.

    Raises:
        OutputError: the folder cannot be written.
    """
    named = None if site_file is None else _way_to(site_file, directory)
    files = plan_folder_files(site, plan, outcome, crew, proof, former, named)
    write_folder(folder_at(directory), files, "plan", outdated=PROOF_FILES)


def plan_folder_files(
    site: Site,
    plan: Plan,
    outcome: Outcome | None = None,
    crew: float | None = None,
    proof: Trace | None = None,
    former: Plan | None = None,
    site_file: str | None = None,
) -> dict[str, bytes]:
    """The files of a plan's folder by name.

    All that may differ between two runs that find the same plan is in ``run.json``, which holds
    the digests of the other files. ``crew`` and ``proof``: see :func:`plan_files`. ``former``: the
    plan that this one replaces; with it ``changes.txt`` and ``changes.csv``.
    ``site_file``: the way from the folder to the site file, where it is known.
    """
    mean_basis = outcome.mean_basis if outcome is not None and plan.basis == "firm" else None
    files = plan_files(site, plan, crew, proof, former, mean_basis)
    if former is not None:
        with columns(WIDTH):
            lines = changes_lines(former, plan)
        files["changes.txt"] = ("\n".join(lines) + "\n").encode("utf-8")
        files["changes.csv"] = csv_of(changes_table(former, plan)).encode("utf-8")
    facts = run_facts(outcome, digests(files), site_file)
    run = json.dumps(facts, indent=2, ensure_ascii=False) + "\n"
    return {**files, RUN_FILE: run.encode("utf-8")}


def site_file_of(folder: str | os.PathLike[str]) -> Path | None:
    """The site file that a plan's folder was made from, as its ``run.json`` says; None: unknown."""
    try:
        facts = json.loads((Path(folder) / RUN_FILE).read_text(encoding="utf-8"))
        return Path(folder, facts["site_file"])
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _way_to(site_file: str | os.PathLike[str], directory: str | os.PathLike[str]) -> str:
    try:
        return Path(os.path.relpath(site_file, directory)).as_posix()
    except ValueError:  # on another drive
        return os.path.abspath(site_file)


def run_facts(
    outcome: Outcome | None, files: Mapping[str, str], site_file: str | None = None
) -> dict[str, object]:
    """What is true of one run only: seconds, the trail of the search, versions, machine."""
    return {
        "format": RUN_FORMAT,
        **({} if site_file is None else {"site_file": site_file}),
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
