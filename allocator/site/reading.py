"""A site file -> a :class:`~allocator.site.records.Site`, or all that is wrong with the file."""

from __future__ import annotations

import contextlib
import gc
import hashlib
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import Any

from allocator.base.errors import Fault
from allocator.base.quantities import QuantityError, Units, parse_quantity, shown
from allocator.site.catalogue_values import put_catalogue_in_place
from allocator.site.checks import check_site_records
from allocator.site.checks_boosters import check_booster
from allocator.site.checks_built import existing_things
from allocator.site.checks_demands import mean_and_profile
from allocator.site.checks_ground import check_folders_of_mixes, check_substance, check_vacuum
from allocator.site.checks_heat_sinks import sizes_and_defaults
from allocator.site.checks_machines import check_coolant, shortest_burst
from allocator.site.checks_network import layers_of, length_of_line, length_of_route
from allocator.site.checks_sources import stages_of
from allocator.site.checks_stores import check_store
from allocator.site.defaults import DefaultValue, defaults_of
from allocator.site.diagnostics import Diagnostics, Where
from allocator.site.document import DocumentError, read_document
from allocator.site.enclosures import check_enclosure, limit_heat_of_places
from allocator.site.formats import FORMAT, FORMER, renamed
from allocator.site.groups import OwnUnits
from allocator.site.kinds import shape
from allocator.site.nodes import Items, Node, Pairs, Scalar
from allocator.site.records import Ambient, Built, Limits, Site
from allocator.site.records.site import SITE
from allocator.site.shapes import Named
from allocator.site.shared_values import KINDS, note_unused, put_in_place, texts, value_of
from allocator.site.site_values import Rule, SiteValues
from allocator.site.table import Values
from allocator.site.warnings import note_warnings

MOST_BYTES = 64 * 1024 * 1024
"""The largest site file that is read."""


@dataclass(frozen=True, slots=True)
class Report:
    """What a site file holds: the site, or None where there are ``faults``; and its warnings.

    ``unitless``: the first plain number, which is read in SI, of each key that has a unit.
    ``defaults``: what holds because the file does not say it.
    """

    site: Site | None
    faults: tuple[Fault, ...]
    warnings: tuple[Fault, ...]
    unitless: tuple[Fault, ...] = ()
    defaults: tuple[DefaultValue, ...] = ()


Check = Callable[[Site, Values], None]
"""Notes what is wrong or odd about a site at the values that it was read from."""


def read_file(path: str | PathLike[str], check: Check, content: bytes | None = None) -> Report:
    """Reads and checks a site file; never raises for what the file holds.

    The site's ``sha256`` is that of the file's bytes followed by the bytes of the CSV files
    that it names, in the order in which they are named.

    Args:
        path: of the file.
        check: asked last, of a site without faults; may note faults of its own.
        content: read in place of the file.
    """
    with _collector_at_rest():
        return _checked(path, check, content)


@contextlib.contextmanager
def _collector_at_rest() -> Iterator[None]:
    """Without the garbage collector: it finds nothing to free while a file is read.

    On a file of 100,000 sources its passes over all that was read took half of the time.
    """
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def _checked(path: str | PathLike[str], check: Check, content: bytes | None) -> Report:
    file = Path(path)
    diagnostics = Diagnostics(str(path), file.parent)
    site = None
    try:
        if content is None:
            content = content_of(file)
        root = read_document(content)
    except DocumentError as error:
        diagnostics.fault(error.line, error.column, "", error.problem, error.remedy)
    else:
        if isinstance(root, Pairs) and _check_format(root, diagnostics):
            site = _read(root, diagnostics, file.stem, content, check)
        elif not isinstance(root, Pairs):
            diagnostics.fault(
                root.line,
                root.column,
                "site",
                "expects a mapping of keys (format, fluids, places, sources, ...)",
                f"begin the file with 'format: {FORMAT}'",
            )
    faults = diagnostics.faults
    return Report(
        None if faults else site,
        faults,
        diagnostics.warnings,
        diagnostics.unitless,
        diagnostics.defaults,
    )


def content_of(file: Path) -> bytes:
    try:
        if file.is_dir():
            raise DocumentError(0, 0, "is a folder, not a site file", "name a file in it")
        with file.open("rb") as stream:
            content = stream.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise DocumentError(0, 0, "there is no such file", "check the path") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise DocumentError(0, 0, f"cannot be read ({reason})", "check the path") from None
    if len(content) > MOST_BYTES:
        raise DocumentError(0, 0, "is larger than 64 MB", "move series into CSV files")
    return content


def named_files(path: Path) -> Iterator[Path]:
    """The files that a site file names, such as series; none where it cannot be read."""
    try:
        nodes = [read_document(content_of(path))]
    except DocumentError:
        return
    while nodes:
        node = nodes.pop()
        if isinstance(node, Items):
            nodes += node.items
        for key, value in node.pairs if isinstance(node, Pairs) else ():
            if isinstance(key, Scalar) and key.text == "csv" and isinstance(value, Scalar):
                yield path.parent / value.text
            nodes.append(value)


def _check_format(root: Pairs, diagnostics: Diagnostics) -> bool:
    """Whether the file may be read on: its format is this program's, or missing."""
    node = next((v for k, v in root.pairs if isinstance(k, Scalar) and k.text == "format"), None)
    if node is None or (isinstance(node, Scalar) and node.text == FORMAT):
        return True  # a missing format is noted with the other missing keys
    if isinstance(node, Scalar) and node.text == FORMER:
        renamed(root)
        node.text = FORMAT
        diagnostics.warn(
            node.line,
            node.column,
            "site",
            f"format {shown(FORMER)} is read by the names that its keys have in {FORMAT}",
            "'allocator migrate FILE' rewrites the file",
        )
        return True
    text = node.text if isinstance(node, Scalar) else ""
    family, own = FORMAT.split("/")
    version = re.fullmatch(re.escape(family) + r"/([0-9]{1,9})", text)
    if version and int(version[1]) > int(own):
        problem, remedy = f"{shown(text)} is newer than this program reads", "use a newer version"
    else:
        problem = f"{shape(node)} is not the format of a site file"
        remedy = f"write '{FORMAT}'"
    diagnostics.fault(node.line, node.column, "site", f"format {problem}", remedy)
    return False


def _read(
    root: Pairs, diagnostics: Diagnostics, stem: str, content: bytes, check: Check
) -> Site | None:
    sections = _sections(root, diagnostics)
    note_unused(root, put_in_place(root, sections), diagnostics)
    diagnostics.catalogued = put_catalogue_in_place(root, sections)
    diagnostics.names = _names(root, sections)
    diagnostics.units = _units(root, diagnostics)
    diagnostics.ambient_pressure = _ambient_pressure(root, diagnostics.units)
    mark = Scalar("", True, 1, 1)
    start = value_of(root, "starts_at")
    diagnostics.starts_at = start.text if isinstance(start, Scalar) else ""
    values = SITE.read_marked(root, Where(diagnostics, "site"), mark)
    if not isinstance(values, Values):
        return None
    site = _records(values, stem)
    check_site_records(site, values)
    if diagnostics.faults:
        return None
    note_warnings(site, values)
    digest = hashlib.sha256(content)
    for extra in diagnostics.extra:
        digest.update(extra)
    site = replace(site, sha256=digest.hexdigest())
    check(site, values)
    diagnostics.defaults = defaults_of(values)
    return None if diagnostics.faults else site


def _sections(root: Pairs, diagnostics: Diagnostics) -> dict[str, str]:
    """The sections of the file as they are written -> their names, misspelt ones included."""
    sections = {key.name for key in SITE.keys if isinstance(key.kind, Named)}
    given = {key.text for key, _ in texts(root)}
    missing = [key.name for key in SITE.keys if key.name not in given]
    found: dict[str, str] = {}
    for key, node in texts(root):
        section = key.text
        if isinstance(node, Pairs) and section not in sections and section not in SITE.reserved:
            section = diagnostics.closest(section, missing)
        if section in sections and section not in found.values():
            found.setdefault(key.text, section)
    return found


def _names(root: Pairs, sections: Mapping[str, str]) -> dict[str, dict[str, None]]:
    """The names that each section declares, known before any reference is read."""
    names: dict[str, dict[str, None]] = {}
    for key, node in texts(root):
        if key.text in sections and isinstance(node, Pairs):
            names.setdefault(sections[key.text], {name.text: None for name, _ in texts(node)})
    for key, kinds in texts(value_of(root, KINDS)):
        names[f"{KINDS}.{key.text}"] = {name.text: None for name, _ in texts(kinds)}
    return names


def _units(root: Pairs, diagnostics: Diagnostics) -> Units:
    node: Node | None = next(
        (v for k, v in root.pairs if isinstance(k, Scalar) and k.text == "units"), None
    )
    own = OwnUnits().read(node, Where(diagnostics, "site", "units")) if node is not None else None
    return own if isinstance(own, Units) else Units()


def _ambient_pressure(root: Pairs, units: Units) -> float:
    """Pa that the file gives, before anything else is read; a faulty one is noted later."""
    node: Node = root
    for name in ("ambient", "pressure"):
        pairs = node.pairs if isinstance(node, Pairs) else []
        found = (v for k, v in pairs if isinstance(k, Scalar) and k.text == name)
        node = next(found, Scalar("", True, 1, 1))
    try:
        value = node.value if isinstance(node, Scalar) and not node.empty else None
        return Ambient().pressure if value is None else parse_quantity(value, "pressure", units)
    except QuantityError:
        return Ambient().pressure


RULES: Mapping[str, Rule] = {
    "fluids": check_substance,
    "materials": check_vacuum,
    "sources": stages_of,
    "storage": check_store,
    "pipes": layers_of,
    "routes": length_of_route,
    "power_lines": length_of_line,
    "machines": shortest_burst,
    "coolers": check_coolant,
    "boosters": check_booster,
    "demands": mean_and_profile,
    "enclosures": check_enclosure,
    "heat_sinks": sizes_and_defaults,
    "built": existing_things,
}
"""What is checked, or filled, by more than one value, by the key at the top level."""


def _records(values: Values, stem: str) -> Site:
    """The site of all records that are whole; what is faulty has been noted."""
    whole = SiteValues(values)
    check_folders_of_mixes(whole.section("mixes"))
    whole.made["ambient"] = _part("ambient", Ambient(), whole)
    whole.made["origin"] = _part("origin", None, whole)
    whole.made["limits"] = _part("limits", Limits(), whole)
    for key in SITE.keys:
        if isinstance(key.kind, Named):
            whole.made[key.name] = _section(key.name, whole)
    whole.made["places"] = limit_heat_of_places(whole)
    whole.made["built"] = _part("built", Built(), whole)
    whole.made["name"] = values.get("name", stem)
    whole.made["spreads"] = dict(values.where.diagnostics.spreads)
    whole.made["catalogued"] = values.where.diagnostics.catalogued
    site: Site = SITE.made(values, **whole.made)
    return site


def _section(name: str, whole: SiteValues) -> dict[str, Any]:
    """Every record of a section that is whole."""
    rule = RULES.get(name)
    made = {}
    for thing, values in whole.section(name).items():
        more = rule(values, whole) if rule and values.complete else {}
        if more is not None and values.whole:
            made[thing] = values.table.made(values, name=thing, **more)
    return made


def _part(name: str, absent: Any, whole: SiteValues) -> Any:
    """A record that the site has once; ``absent`` where it is not given or not whole."""
    values: Values | None = whole.values.get(name)
    if values is None:
        return absent
    rule = RULES.get(name)
    more = rule(values, whole) if rule else {}
    return values.table.made(values, **(more or {})) if values.whole else absent
