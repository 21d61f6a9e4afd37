"""A simulation as its files say it: read, checked against the plan, ready for the page."""

from __future__ import annotations

import csv
import io
import json
import os
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from allocator.base.errors import Fault, FileError
from allocator.base.spreadsheet_cells import without_guard
from allocator.plans.records import Plan
from allocator.report.page.reading import text_of

FORMAT = "allocator.simulation/1"


class SimulationFileError(FileError):
    """A simulation that cannot be read, or is of something else."""


@dataclass(frozen=True)
class Simulation:
    """``facts``: simulation.json. ``phases``: s of the first draw. ``levels``: stores over time."""

    facts: dict[str, Any]
    phases: dict[str, float]
    levels: list[dict[str, Any]] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def reserves(self) -> dict[str, tuple[float, str]]:
        """What must stay in each tank for the promise, and its unit."""
        points = self.facts.get("set_points") or []
        return {p["tank"]: (float(p["reserve"]), str(p["unit"])) for p in points}

    @property
    def least_pressure(self) -> tuple[float, int, int] | None:
        """The least margin of pressure along lines, Pa, and how many states were checked of how

        many; None where none was."""
        met = self.facts.get("pressures") or {}
        margins = [float(end["lowest"]) - float(end["needs"]) for end in met.get("ends", ())]
        return (min(margins), int(met["checked"]), int(met["states"])) if margins else None


def read_simulation(
    folder: str | os.PathLike[str], plan: Plan, digest: str | None = None
) -> Simulation:
    """The simulation in a folder (or beside its simulation.json), for the plan given.

    ``digest``: SHA-256 of the text of ``plan.json``; a simulation that says another is refused.

    Raises:
        SimulationFileError: files that are missing, broken, or of another site or plan.
    """
    given = Path(folder)
    path = given / "simulation.json" if given.is_dir() else given
    levels = path.parent / "levels.csv"
    text, rows = (text_of(file, partial(_fault, file)) for file in (path, levels))
    return simulation_of(text, rows, plan, digest, path)


def simulation_of(text: str, levels: str, plan: Plan, digest: str | None, path: Path) -> Simulation:
    """The simulation in the texts of its files; ``path``: what messages call it.

    Raises SimulationFileError as :func:`read_simulation` does.
    """
    try:
        facts = json.loads(text)
    except ValueError:
        raise _fault(path, "is not whole JSON; simulate again") from None
    if not isinstance(facts, dict) or facts.get("format") != FORMAT:
        raise _fault(path, f"is no simulation of the format {FORMAT!r}")
    try:
        if facts["site"]["sha256"] != plan.site_sha256:
            raise _fault(path, "is of another site file than the plan; simulate this plan")
        if digest is not None and facts.get("plan_sha256") not in (None, "", digest):
            raise _fault(path, "is of another plan; simulate this one")
        phases = {name: float(s) for name, s in facts["draws"][0]["phases_s"].items()}
        seconds = float(facts["draws"][0]["seconds"])
        found = Simulation(facts, phases, _levels(levels), seconds)
        assert all(key in facts for key in ("kept", "settings", "draws_run"))
        assert isinstance(found.reserves, dict)
        assert found.least_pressure is None or len(found.least_pressure) == 3
    except (AssertionError, KeyError, IndexError, TypeError, ValueError, AttributeError):
        raise _fault(path, "lacks what a simulation holds; simulate again") from None
    return found


def _levels(text: str) -> list[dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for row in csv.DictReader(io.StringIO(text, newline="")):
        name = without_guard(row["store"])
        store = found.setdefault(
            name, {"name": name, "unit": row["unit"], "t": [], "low": [], "high": []}
        )
        store["t"].append(_short(row["time_s"]))
        store["low"].append(_short(row["lowest"]))
        store["high"].append(_short(row["highest"]))
    return list(found.values())


def _short(text: str) -> float:
    return float(f"{float(text):.6g}")


def _fault(path: Path, problem: str) -> SimulationFileError:
    return SimulationFileError([Fault(os.fspath(path), 0, 0, "", f"the simulation {problem}")])
