"""``built``: what of a plan stands by now, and the site file that says so."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar

from allocator.base.dimensions import next_shown
from allocator.base.labels import labelled
from allocator.base.quantities import format_quantity
from allocator.base.rendering import section_of
from allocator.base.table import Column, Table
from allocator.base.text import paragraph, width
from allocator.engine.paths import PlanOrPath, plan_of
from allocator.intake.merging import merged
from allocator.intake.workbook import tree_of
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.report.handover.build_order import BuildStep, build_order
from allocator.report.loads import corridor_of
from allocator.site.document import read_document
from allocator.site.formats import FORMAT
from allocator.site.records import Site
from allocator.site.writing import tree_text
from allocator.studies.done_steps import (
    DoneStep,
    StepError,
    check_needs,
    checked_date,
    keys_of,
    record_text,
)
from allocator.studies.result import StudyResult, joined, study_json
from allocator.studies.standing import LEAST, built_part, materials_built, standing_tree

STANDING = "allocator.built/1"

_NEXT = (
    Column("step", "step", "count"),
    Column("action", "action"),
    Column("what", "what"),
    labelled("where"),
    labelled("mass", "mass"),
    Column("unlocks", "unlocks"),
)


@dataclass(frozen=True, slots=True, repr=False)
class BuiltResult(StudyResult):
    """What of a plan is built.

    Attributes:
        site_text: the site file with what exists, and the stock and money that are left.
        record: the steps that are done, as the CSV file that keeps them.
        next_steps: the steps that may be done now.
        done: the steps that are done, by key.
        used: kg of each material that is built, pipe as it was laid.
    """

    command: ClassVar[str] = "built"
    more_files: ClassVar[tuple[str, ...]] = ("site.yaml", "built.csv")
    site: Site
    site_text: str
    record: str
    next_steps: Table
    steps: tuple[BuildStep, ...]
    done: Mapping[str, DoneStep]
    used: Mapping[str, float]

    def summary(self) -> str:
        """How far the build is, what to mind, then what may be done now."""
        ready = [step for step in self.steps if step.key in self.done]
        masses = sum(self.used.values()), sum(step.mass for step in self.steps)
        built, whole = (format_quantity(mass, "mass") for mass in masses)
        told = f"Done: {len(ready)} of {len(self.steps)} steps, {built} of {whole} of material."
        return joined(
            [f"{self.site.name}: built so far", "-" * width(), told, *self._notes()],
            section_of(self.next_steps) or ["", "Nothing is left to build."],
        )

    def _notes(self) -> list[str]:
        """What is not tested, and what is more than there was."""
        found = []
        due = [
            step.number
            for step in self.steps
            if step.key not in self.done and step.key.removeprefix("test ") in self.done
        ]
        if due:
            numbers = f"step{'s' * (len(due) > 1)} {', '.join(map(str, due))}"
            found.append(
                f"To be pressure-tested before first gas: {numbers}. A plan made of the site "
                "file with what exists does not list these tests again."
            )
        for name, kg in self.used.items():
            material = self.site.materials.get(name)
            stock = None if material is None else material.stock
            if stock is not None and kg > stock * (1.0 + LEAST):
                more = format_quantity(kg - stock, "mass")
                found.append(
                    f"{name}: {more} more is built than the site has in stock; check both."
                )
        return [line for note in found for line in paragraph(note, indent=0)]

    def to_json(self) -> str:
        """The steps as JSON."""
        rows = [
            {
                "step": step.number,
                "thing": step.key,
                "done": step.key in self.done,
                **(_facts(self.done[step.key]) if step.key in self.done else {}),
            }
            for step in self.steps
        ]
        return study_json(STANDING, self.site, {"steps": rows})

    def other_files(self) -> dict[str, str]:
        """The site file and the record."""
        return {"site.yaml": self.site_text, "built.csv": self.record}


def _facts(one: DoneStep) -> dict[str, object]:
    return {"date": one.date, "pipe": one.pipe, "length_m": one.length}


def built(
    site: str | os.PathLike[str],
    plan: PlanOrPath,
    *,
    done: Iterable[int] = (),
    undo: Iterable[int] = (),
    before: Mapping[str, DoneStep] | None = None,
    date: str = "",
    pipes: Mapping[int, str] | None = None,
    lengths: Mapping[int, float] | None = None,
) -> BuiltResult:
    """Note which steps of a plan's build order are done, and write what exists as a site file.

    Parameters
    ----------
    site
        Path of the site file that was planned.
    plan
        The plan, its result or its path.
    done, undo
        Numbers of steps that are done, and of some that are not after all.
    before
        What was done before, by key.
    date
        When the steps were done, as ISO 8601 has it.
    pipes, lengths
        The pipe that a step laid, and its length in m, where they are not the plan's.

    Returns
    -------
    BuiltResult
        ``site_text``: the site file with ``built``, and stock and money as left.

    Raises
    ------
    SiteFileError, PlanFileError
        The site or the plan has faults.
    StepError
        A step that there is not, that cannot be done before others, or a pipe that cannot be.

    Examples
    --------
    >>> import allocator as al
    >>> plan = al.plan("networks/first.yaml", node_limit=1000).plan
    >>> result = al.built("networks/first.yaml", plan, done=[1, 2])
    >>> "small_engine: {mill: 2}" in result.site_text
    True
    """
    path = Path(site)
    network, made = network_of(read_site(path)), plan_of(plan)
    steps = build_order(network, made)
    now = _now(steps, before or {}, done, undo, checked_date(date))
    for number, metres in (lengths or {}).items():
        if not 0.0 < metres < math.inf:
            raise StepError(f"the length of step {number} must be above 0; write '12=212 m'")
    planned = {
        f"run:{run.route}:{run.fluid}": network.routes[run.route].length for run in made.runs
    }
    now = _as_laid(steps, now, pipes or {}, lengths or {}, planned)
    check_needs(steps, now)
    laid, part = built_part(network, made, now)
    text = path.read_text(encoding="utf-8")
    tree = tree_of(read_document(text.encode("utf-8")))
    if tree.get("format") != FORMAT:
        raise StepError(f"{path}: run 'allocator migrate {path}' first")
    new = standing_tree(tree, laid, part, _lengths(laid, now))
    left = [step for step in steps if step.key not in now]
    keys = {step.number: step.key for step in steps}
    ready = [step for step in left if all(keys[number] in now for number in step.after)]
    rows = tuple((s.number, s.action, s.what, s.where, s.mass, s.unlocks) for s in ready[:MOST])
    table = Table("next_steps", "What may be done now", _NEXT, rows)
    written, record = merged(text, new) or tree_text(new), record_text(steps, now)
    return BuiltResult(
        network, written, record, table, tuple(steps), now, materials_built(laid, part)
    )


MOST = 12
"""Steps that may be done now, of which so many are told."""


def _now(
    steps: Sequence[BuildStep],
    before: Mapping[str, DoneStep],
    done: Iterable[int],
    undo: Iterable[int],
    date: str,
) -> dict[str, DoneStep]:
    """What is done, once more is and some is not after all."""
    now, done, undo = dict(before), tuple(done), tuple(undo)
    if both := sorted({*done} & {*undo}):
        raise StepError(f"step {both[0]} is given both as done and as not done after all")
    for key in keys_of(steps, done):
        now[key] = replace(
            now.get(key, DoneStep(key)), date=date or now.get(key, DoneStep(key)).date
        )
    undone = keys_of(steps, undo)
    for key, number in zip(undone, undo, strict=True):
        if now.pop(key, None) is None:
            raise StepError(f"step {number} is not done, so it cannot be undone")
    return now


def _as_laid(
    steps: Sequence[BuildStep],
    now: dict[str, DoneStep],
    pipes: Mapping[int, str],
    lengths: Mapping[int, float],
    planned: Mapping[str, float],
) -> dict[str, DoneStep]:
    """What is done, with pipes and lengths as laid where they differ from ``planned``, m by key."""
    for number in (*pipes, *lengths):
        (key,) = keys_of(steps, [number])
        if key not in now or not key.startswith("run:"):
            raise StepError(f"step {number} is no pipe that is laid: name it as done as well")
    names = {keys_of(steps, [number])[0]: name for number, name in pipes.items()}
    metres = {
        key: length
        for number, length in lengths.items()
        if not _as_planned(length, planned[(key := keys_of(steps, [number])[0])])
    }
    return {
        key: replace(one, pipe=names.get(key, one.pipe), length=metres.get(key, one.length))
        for key, one in now.items()
    }


def _as_planned(laid: float, planned: float) -> bool:
    """Whether a length is the planned one as lists print it: in three figures or more."""
    printed = (next_shown(planned, 1, digits) for digits in range(3, 10))
    nearest = (float(f"{planned:.{digits}g}") for digits in range(3, 10))
    return any(math.isclose(laid, one, rel_tol=1e-9) for one in (planned, *printed, *nearest))


def _lengths(site: Site, now: Mapping[str, DoneStep]) -> dict[str, float]:
    """Lengths as laid, by route of the file."""
    routes = network_of(site).routes
    return {
        corridor_of(routes[key.removeprefix("run:").rpartition(":")[0]]): one.length
        for key, one in now.items()
        if one.length is not None
    }
