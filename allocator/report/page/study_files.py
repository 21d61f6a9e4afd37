"""Results of studies as their files say them: mixes side by side, frontiers, sweeps.

Read, checked against the site, ready for a page. The studies write these files; the page knows
no more of them than the files say.
"""

from __future__ import annotations

import itertools
import json
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from allocator.base.errors import Fault, FileError
from allocator.network.records import Network
from allocator.report.page.reading import text_of
from allocator.site.addresses import GIVEN
from allocator.site.money import unit_of_money

MIXES_FORMAT = "allocator.comparison/1"
FRONTIER_FORMAT = "allocator.frontier/1"
SWEEP_FORMAT = "allocator.sweep/1"


class StudyFileError(FileError):
    """Results of a study that cannot be read, or are of another site."""


@dataclass(frozen=True)
class MixShown:
    """One mix, SI; rates are means. Without a plan ``reason`` says why and all else is empty.

    ``amounts``: what the file says under its own names (``firm_clean``, ``firm_total``,
    ``mean_clean``, ``mean_total``, ``demand_mean``, ``counted``, ``money``).
    """

    name: str
    about: str
    reason: str = ""
    status: str = ""
    verified: bool = False
    gap: float | None = None
    hours_short: float | None = None
    amounts: Mapping[str, float] = field(default_factory=dict)
    machines: Mapping[str, float] = field(default_factory=dict)
    stores: Mapping[str, float] = field(default_factory=dict)
    materials: Mapping[str, float] = field(default_factory=dict)
    bought: Mapping[str, float] = field(default_factory=dict)

    @property
    def planned(self) -> bool:
        """Whether there is a plan of it."""
        return bool(self.amounts)


@dataclass(frozen=True, slots=True)
class Mixes:
    """What ``compare`` left: ``said`` is its sentence on what emitting supply buys."""

    rows: tuple[MixShown, ...]
    said: str


@dataclass(frozen=True, slots=True)
class PointShown:
    """A point of a frontier, SI. ``knee``: how many times less the next step buys, or None."""

    given: float
    power: float
    bound: float | None
    gap: float | None
    status: str
    end: str
    knee: float | None
    verified: bool
    changes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Frontier:
    """What ``frontier`` left: points in order; ``give``: a material, or a key of :data:`GIVEN`.

    ``currency``: of the site, where money is given. ``alike``: demands of several priorities count
    alike.
    """

    give: str
    basis: str
    points: tuple[PointShown, ...]
    currency: str = ""
    alike: bool = False


@dataclass(frozen=True, slots=True)
class SweepPoint:
    """A point of the grids of a sweep, SI: the figure as planned with and by quantile of draws.

    ``values``: what was varied, by address. ``kept``: draws of ``draws`` that keep the promise.
    """

    values: Mapping[str, float]
    planned: float | None
    quantiles: tuple[float, ...]
    draws: int
    kept: int | None


@dataclass(frozen=True, slots=True)
class Sweep:
    """What ``sweep`` left. ``figure``: ``firm_clean``, ``firm_total`` or ``fluid``.

    ``effects``: address of a value, its rank correlation with the figure, and the mean of the
    figure where the value is low and where it is high.
    """

    figure: str
    promised: float | None
    levels: tuple[float, ...]
    points: tuple[SweepPoint, ...]
    effects: tuple[tuple[str, float, float, float], ...]


AMOUNTS = (
    "firm_clean",
    "firm_total",
    "mean_clean",
    "mean_total",
    "demand_mean",
    "counted",
    "money",
)


def read_mixes(folder: str | os.PathLike[str], site: Network) -> Mixes:
    """The mixes in a folder of ``compare``, or in its ``comparison.json``.

    Raises:
        StudyFileError: the file is missing, damaged, or of another site.
    """
    path = _path(folder, "comparison.json")
    return mixes_of_text(text_of(path, partial(_fault, path)), site, path)


def mixes_of_text(text: str, site: Network, path: Path) -> Mixes:
    """The mixes in the text of their file; ``path``: what messages call it."""
    facts = _facts(text, site, path, MIXES_FORMAT, "compare")
    try:
        rows = tuple(_mix(mix) for mix in facts["mixes"])
        return Mixes(rows, str(facts.get("said", "")))
    except (KeyError, TypeError, ValueError, AttributeError):
        raise _fault(path, "lacks what a comparison holds", "compare the site again") from None


def _mix(mix: Mapping[str, Any]) -> MixShown:
    name, about, figures = str(mix["mix"]), str(mix["about"]), mix["figures"]
    if figures is None:
        return MixShown(name, about, str(mix["reason"]))
    return MixShown(
        name,
        about,
        "",
        str(figures["status"]),
        bool(figures["verified"]),
        _known(figures["gap"]),
        _known(mix["hours_short_per_year"]),
        {key: _figure(figures[key]) for key in AMOUNTS},
        {str(n): _figure(v) for n, v in figures["machines"].items()},
        {str(n): _figure(v) for n, v in figures["stores"].items()},
        {str(n): _figure(v) for n, v in figures["materials"].items()},
        {str(n): _figure(v) for n, v in figures["bought"].items()},
    )


def read_frontier(folder: str | os.PathLike[str], site: Network) -> Frontier:
    """The frontier in a folder of ``frontier``, or in its ``frontier.json``.

    Raises:
        StudyFileError: the file is missing, damaged, or of another site.
    """
    path = _path(folder, "frontier.json")
    return frontier_of_text(text_of(path, partial(_fault, path)), site, path)


def frontier_of_text(text: str, site: Network, path: Path) -> Frontier:
    """The frontier in the text of its file; ``path``: what messages call it."""
    facts = _facts(text, site, path, FRONTIER_FORMAT, "frontier")
    try:
        points = tuple(_point(point) for point in facts["points"])
        found = Frontier(
            *(str(facts["give"]), str(facts.get("basis", "firm")), points, unit_of_money(site)),
            facts.get("demands_alike") is True,
        )
        rising = all(a.given <= b.given for a, b in itertools.pairwise(points))
        if not points or not rising:
            raise ValueError
    except (KeyError, TypeError, ValueError, AttributeError):
        raise _fault(path, "lacks what a frontier holds", "run 'frontier' again") from None
    if found.give not in (*site.materials, *GIVEN):
        raise _fault(path, "is against a material that the site does not have", "see its 'give'")
    return found


def _point(point: Mapping[str, Any]) -> PointShown:
    return PointShown(
        _figure(point["given"]),
        _figure(point["power_w"]),
        _known(point["bound_w"]),
        _known(point["gap"]),
        str(point["status"]),
        str(point["end"]),
        _known(point["knee"]),
        bool(point["audited"]),
        tuple(str(change) for change in point["changes"]),
    )


def read_sweep(folder: str | os.PathLike[str], site: Network) -> Sweep:
    """The sweep in a folder of ``sweep``, or in its ``sweep.json``.

    Raises:
        StudyFileError: the file is missing, damaged, or of another site.
    """
    path = _path(folder, "sweep.json")
    facts = _facts(text_of(path, partial(_fault, path)), site, path, SWEEP_FORMAT, "sweep")
    try:
        found = Sweep(
            str(facts["figure"]),
            _known(facts["promised"]),
            tuple(_figure(level) for level in facts["levels"]),
            tuple(_sweep_point(point) for point in facts["points"]),
            tuple(
                (str(e["address"]), _figure(e["rank"]), _figure(e["low"]), _figure(e["high"]))
                for e in facts["effects"]
            ),
        )
        if any(len(p.quantiles) not in (0, len(found.levels)) for p in found.points):
            raise ValueError
    except (KeyError, TypeError, ValueError, AttributeError):
        raise _fault(path, "lacks what a sweep holds", "sweep the site again") from None
    return found


def _sweep_point(point: Mapping[str, Any]) -> SweepPoint:
    kept = point["kept"]
    return SweepPoint(
        {str(address): _figure(value) for address, value in point["point"].items()},
        _known(point["planned"]),
        tuple(_figure(value) for value in point["quantiles"]),
        int(_figure(point["draws"])),
        None if kept is None else int(_figure(kept)),
    )


def _known(value: object) -> float | None:
    return None if value is None else _figure(value)


def _figure(value: object) -> float:
    """A finite number; ValueError for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError
    return float(value)


def _path(folder: str | os.PathLike[str], name: str) -> Path:
    given = Path(folder)
    return given / name if given.is_dir() else given


def _facts(text: str, site: Network, path: Path, kind: str, command: str) -> Mapping[str, Any]:
    try:
        facts = json.loads(text)
    except ValueError:
        raise _fault(path, "is not whole JSON", f"run '{command}' again") from None
    if not isinstance(facts, dict) or facts.get("format") != kind:
        problem = f"is no file of the format {kind!r}"
        raise _fault(path, problem, f"name a folder that '{command}' has written")
    about = facts.get("site")
    if not isinstance(about, dict) or about.get("sha256") != site.sha256:
        problem = "is of another site, or of an older file of this one"
        raise _fault(path, problem, f"run '{command}' on this site file")
    return facts


def _fault(path: Path, problem: str, remedy: str = "") -> StudyFileError:
    return StudyFileError([Fault(os.fspath(path), 0, 0, "", problem, remedy)])
