"""What each command does: call, print, and the exit code. No computing."""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from allocator.errors import AllocatorError, FileError

if TYPE_CHECKING:
    from allocator.planning import Outcome, Progress
    from allocator.proof import AuditReport
    from allocator.site.reading import Report
    from allocator.site.records import Site

DONE, BREACHES, BAD_INPUT, IMPOSSIBLE, NOT_FOUND, UNVERIFIED = 0, 1, 2, 3, 4, 5


def run(given: argparse.Namespace) -> int:
    """Run the command of parsed arguments; errors that a user can mend become words and 2."""
    _never_fail_on_letters()
    try:
        return _COMMANDS[given.command](given)
    except FileError as error:
        return fail(str(error), BAD_INPUT)
    except AllocatorError as error:
        return fail(f"allocator: {error}", BAD_INPUT)


def show(text: str) -> int:
    """Print data on stdout; a reader who has had enough (a broken pipe) is no error."""
    _write(sys.stdout, text)
    return DONE


def tell(text: str) -> None:
    """Print progress or an error on stderr."""
    _write(sys.stderr, f"{text}\n")


def fail(text: str, code: int) -> int:
    """Tell an error and hand its exit code back."""
    tell(text)
    return code


def _write(stream: io.TextIOBase | object, text: str) -> None:
    from allocator.reporting.text import printable

    assert hasattr(stream, "write")
    assert hasattr(stream, "flush")
    try:
        stream.write(printable(text))
        stream.flush()
    except BrokenPipeError:
        # what is still in the buffer must go nowhere, or Python complains at its end
        with contextlib.suppress(OSError, ValueError, AttributeError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())  # type: ignore[attr-defined]


def _never_fail_on_letters() -> None:
    """Show letters that a terminal does not know as escapes instead of failing on them."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _read(path: str) -> Site:
    """The site of a file, its oddities told on stderr. Raises SiteFileError."""
    from allocator.errors import SiteFileError
    from allocator.site.reading import check_site

    found = check_site(path)
    _warn(found)
    if found.site is None:
        raise SiteFileError(found.faults)
    return found.site


def _warn(found: Report) -> None:
    for warning in found.warnings:
        tell(f"warning: {warning}")


def _plan(given: argparse.Namespace) -> int:
    from allocator.reporting.folder import check_folder

    check_folder(Path(given.output))
    site = _read(given.site)
    from allocator.engine import NoPlanError, plan_site, write_plan_files
    from allocator.planning import Settings
    from allocator.quiet import stdout_for_data
    from allocator.reporting.summary import summary

    settings = Settings(
        basis=given.basis,
        time_limit=given.time_limit,
        gap=given.gap,
        seed=given.seed,
        threads=given.threads,
        solver=given.solver,
        node_limit=given.node_limit,
    )
    try:
        with stdout_for_data():
            plan, outcome, found = plan_site(site, settings, _follow if given.progress else None)
    except NoPlanError as error:
        return _no_plan(error.outcome)
    except ValueError as error:  # a solver that is not there
        return fail(f"allocator: {error}", BAD_INPUT)
    write_plan_files(given.output, site, plan, outcome)
    mean_basis = outcome.mean_basis if plan.basis == "firm" else None
    show(summary(site, plan, mean_basis) + f"\nFiles: {given.output}\n")
    if not found.accepted:
        _tell_breaches(found, tell)
        return fail("THE PLAN FAILED ITS AUDIT: do not build from it.", UNVERIFIED)
    return DONE


def _no_plan(outcome: Outcome) -> int:
    return fail(outcome.reason, IMPOSSIBLE if outcome.proven_impossible else NOT_FOUND)


def _follow(line: Progress) -> None:
    """One line of progress."""
    figures = [f"{line.seconds:7.1f} s", line.goal]
    for name, value in (("plan", line.value), ("bound", line.bound)):
        if value is not None:
            figures.append(f"{name} {value:.6g}")
    if line.gap is not None:
        figures.append(f"gap {100 * line.gap:.2f} %")
    if line.note:
        figures.append(line.note)
    tell("  ".join(figures))


def _tell_breaches(found: AuditReport, out: Callable[[str], object]) -> None:
    for breach in found.breaches:
        out(f"breach: {breach}")


def _check(given: argparse.Namespace) -> int:
    from allocator.site.reading import check_site

    found = check_site(given.site)
    _warn(found)
    for fault in found.faults:
        tell(str(fault))
    if found.site is None:
        return show(f"{given.site}: {_times(len(found.faults), 'fault')}\n") or BAD_INPUT
    site = found.site
    held = [
        _times(len(part), name)
        for part, name in (
            (site.sources, "source"),
            (site.stores, "kind of store"),
            (site.routes, "route"),
            (site.machines, "kind of machine"),
            (site.demands, "demand"),
        )
        if part
    ]
    noted = _times(len(found.warnings), "warning") if found.warnings else "no warnings"
    return show(f"{given.site}: in order, {noted}; {', '.join(held)}\n")


def _times(number: int, name: str) -> str:
    head, space, rest = name.partition(" ")
    return f"{number} {head}{'' if number == 1 else 's'}{space}{rest}"


def _audit(given: argparse.Namespace) -> int:
    from allocator.plan_file import read_plan
    from allocator.proof import audit
    from allocator.site.reading import read_site

    site = read_site(given.site)
    path = Path(given.plan)
    plan = read_plan(path / "plan.json" if path.is_dir() else path)
    found = audit(site, plan)
    checks = sum(found.checks.values())
    if found.accepted:
        return show(f"{path}: accepted; {checks} comparisons hold\n")
    lines = [f"breach: {breach}\n" for breach in found.breaches]
    show("".join(lines) + f"{path}: rejected; {_times(len(found.breaches), 'breach')}\n")
    return BREACHES


def _sources(given: argparse.Namespace) -> int:
    from allocator.reporting.folder import OutputError, check_file

    if given.output is not None:
        check_file(Path(given.output))
    site = _read(given.site)
    from allocator.studies.sources_report import sources_csv, sources_json, sources_text

    if given.output is not None:
        from allocator.atomic import write_text

        try:
            write_text(given.output, sources_csv(site))
        except OSError as error:
            raise OutputError(f"cannot write {given.output}: {error.strerror}") from error
    return show(sources_json(site) if given.json else sources_text(site))


def _schema(given: argparse.Namespace) -> int:
    if given.plan:
        from allocator.plan_file import plan_schema as schema
    else:
        from allocator.site.schema import site_schema as schema
    return show(json.dumps(schema(), indent=2, ensure_ascii=False) + "\n")


_COMMANDS: dict[str, Callable[[argparse.Namespace], int]] = {
    "plan": _plan,
    "check": _check,
    "audit": _audit,
    "sources": _sources,
    "schema": _schema,
}
