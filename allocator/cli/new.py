"""``allocator new``: a first site file from lists, flags or a few questions."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from allocator.cli.terminal import show, tell

if TYPE_CHECKING:
    from allocator.intake.lists import ListedSource

HELP = "write a first site file from lists of sources and places, flags or a few questions"

QUESTIONS = {
    "fluid": ("fluid that the source gives", "gas", ""),
    "flow": ("its flow while it is on", "10 g/s", "mass_rate"),
    "on": ("how long it is on", "6 h", "duration"),
    "every": ("how often it turns on", "24 h", "duration"),
    "demand": ("power that is wanted", "", "power"),
}
"""Flag -> question, default, dimension; an empty default is worked out of the flows."""
_TRIES = 3


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    command.add_argument("folder", metavar="DIR", help="folder for site.yaml; made if missing")
    command.add_argument("--name", default=None, help="name of the site (that of the folder)")
    command.add_argument("--sources", metavar="FILE", help="list of sources, .csv or .xlsx")
    command.add_argument("--places", metavar="FILE", help="list of places, .csv or .xlsx")
    for name, (question, default, _) in QUESTIONS.items():
        note = f" (without a list: {default})" if default else ""
        command.add_argument(f"--{name}", metavar="VALUE", help=f"{question}{note}")
    command.add_argument("--demand-place", default="", metavar="PLACE", help="where it is wanted")
    command.add_argument(
        "--heating-value",
        action="append",
        default=[],
        metavar="FLUID=VALUE",
        help="such as 'biogas=20 MJ/kg'; may be given several times",
    )
    command.add_argument("--no-questions", action="store_true", help="ask nothing, use defaults")


def run(given: argparse.Namespace) -> int:
    """Read the lists, ask what is missing, write the file, list what to fill in."""
    from allocator.base.errors import AllocatorError, FileError, OutputError
    from allocator.base.folders import check_file, write_file
    from allocator.base.text import paragraph
    from allocator.intake.lists import read_places, read_sources
    from allocator.intake.new_site import Answers, new_site
    from allocator.network.reading import check_site

    target = Path(given.folder) / "site.yaml"
    lists = {Path(one).resolve() for one in (given.sources, given.places) if one}
    _check_folder(Path(given.folder), lists)
    heating = dict(_heating_value(text) for text in given.heating_value)
    clash = [name for name in ("fluid", "flow", "on", "every") if getattr(given, name)]
    if given.sources and clash:
        raise AllocatorError(f"--{clash[0]} is for a site without --sources; leave one out")
    places = read_places(Path(given.places)) if given.places else ()
    if given.sources:
        sources = read_sources(Path(given.sources), [place.name for place in places])
    answers = {name: _answer(given, name) for name in QUESTIONS if _wanted(given, name)}
    if not given.sources:
        sources = (_one_source(answers, places[0].name if places else "field"),)
    name = given.name or Path(given.folder).resolve().name or "Site"
    made = new_site(Answers(name, sources, places, heating, answers["demand"], given.demand_place))
    content = made.text.encode("utf-8")
    if faults := check_site(target, content).faults:  # such as a temperature that cannot be
        listed = str(given.sources or "the answers")
        raise FileError(replace(fault, file=listed, line=0, column=0) for fault in faults)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"cannot make the folder {target.parent}: {error.strerror}") from None
    check_file(target)
    write_file(target, content)
    listed = "".join(f"{line}\n" for one in made.fill_in for line in paragraph(one, bullet="* "))
    return show(
        f"Site file: {target}\nTo fill in next (also at its top):\n{listed}"
        f"Then: allocator check {target}; allocator plan {target} -o {target.parent / 'plan'}\n"
    )


def _check_folder(folder: Path, lists: set[Path]) -> None:
    """Refuses a folder that holds more than the lists that are read."""
    from allocator.base.errors import OutputError

    try:
        held = sorted(folder.iterdir()) if folder.is_dir() else []
    except OSError as error:
        raise OutputError(f"{folder}: cannot be read ({error.strerror})") from None
    others = [one.name for one in held if one.resolve() not in lists]
    if others:
        more = f" and {len(others) - 1} more" if len(others) > 1 else ""
        raise OutputError(
            f"{folder}: is not empty, it holds {others[0]}{more}; name a new or empty folder"
        )


def _heating_value(text: str) -> tuple[str, str]:
    from allocator.base.errors import AllocatorError

    fluid, sign, value = text.partition("=")
    if not sign or not fluid.strip():
        raise AllocatorError(f"--heating-value {text}: write it as 'biogas=20 MJ/kg'")
    _check("heating-value", value.strip(), "energy_per_mass")
    return fluid.strip(), value.strip()


def _check(name: str, text: str, dimension: str) -> None:
    from allocator.base.errors import AllocatorError
    from allocator.base.quantities import QuantityError, parse_quantity, unit_lacking

    if not dimension:
        return
    if remedy := unit_lacking(text, dimension):
        raise AllocatorError(f"--{name}: {text} has no unit; {remedy}")
    try:
        if parse_quantity(text, dimension) <= 0:
            raise AllocatorError(f"--{name}: must be above 0, got {text}")
    except QuantityError as error:
        raise AllocatorError(f"--{name}: {error.problem}; {error.remedy}".rstrip("; ")) from None


def _wanted(given: argparse.Namespace, name: str) -> bool:
    return name == "demand" or not given.sources


def _answer(given: argparse.Namespace, name: str) -> str:
    """What a flag says, else what a person at a terminal answers, else the default."""
    from allocator.base.errors import AllocatorError

    question, default, dimension = QUESTIONS[name]
    flag: str | None = getattr(given, name)
    if flag is not None:
        _check(name, flag, dimension)
        return flag
    # a list or a pipe has nobody to ask: the default then stands in the list of what to fill in
    if given.no_questions or sys.stdin is None or not sys.stdin.isatty():
        return default
    for _ in range(_TRIES):
        sys.stderr.write(f"{question[0].upper()}{question[1:]} [{default or 'mean flows'}]: ")
        sys.stderr.flush()
        text = sys.stdin.readline().strip()
        if not text:
            return default
        try:
            _check(name, text, dimension)
            return text
        except AllocatorError as error:
            tell(str(error))
    tell(f"taken: {default or 'mean flows'}")
    return default


def _one_source(answers: dict[str, str], place: str) -> ListedSource:
    from allocator.base.errors import AllocatorError
    from allocator.base.quantities import parse_quantity
    from allocator.intake.lists import ListedSource
    from allocator.site.groups import name_refusal

    on, every = answers["on"], answers["every"]
    if parse_quantity(on, "duration") > parse_quantity(every, "duration"):
        raise AllocatorError(f"--on {on} is longer than --every {every}")
    if refusal := name_refusal(answers["fluid"], ("power", "heat")):
        raise AllocatorError(f"--fluid {refusal}")
    return ListedSource("source_1", place, answers["fluid"], answers["flow"], ((on, every),))
