"""What may be changed on the page of a site, and the site with what was changed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from allocator.base.errors import AllocatorError
from allocator.base.quantities import (
    QuantityError,
    exact_text,
    parse_quantity,
    shown,
    unit_lacking,
)
from allocator.network.facts import Fact, FactError, changed, facts_of
from allocator.plans.records import Plan, Robustness
from allocator.report.words import plain
from allocator.site.records import Site
from allocator.site.writing import series_texts, site_text

SITE_FILE = "site.yaml"
MOST_LOST = 99
"""Sources or units that a promise may be asked to hold without: more is a slip of the hand."""
GROUPS = (
    ("Stocks and limits", ("stock.", "limits."), ""),
    ("Demand", ("demands.",), ""),
    ("Storage limits", ("storage.",), ".size.max"),
)
"""Titles, with the beginnings and the ending of the addresses below them."""


class ChangeError(AllocatorError):
    """A change that the page asks for and that cannot be: what is wrong, what to do."""


@dataclass(frozen=True, slots=True)
class SourceChange:
    """What is changed of a source.

    ``flow``: ``low`` (the low end of its range) or ``lost``; empty: as in the site file. ``clock``,
    ``next_start``, ``error``: as the keys of the site file; empty: as there.
    """

    flow: str = ""
    clock: str = ""
    next_start: str = ""
    error: str = ""


@dataclass(frozen=True, slots=True)
class Changes:
    """All that is changed at once.

    ``values``: address -> quantity. ``units``: ``machine@place`` -> most units there. ``sources``:
    by name. ``lose``, ``robust``, ``lose_machines``, ``keep_weight``: as of ``allocator plan`` and
    ``allocator replan``.
    """

    values: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, int] = field(default_factory=dict)
    sources: Mapping[str, SourceChange] = field(default_factory=dict)
    lose: int = 0
    robust: int = 0
    lose_machines: int = 0
    keep_weight: float | None = None

    @property
    def robustness(self) -> Robustness:
        """What the firm promise is to hold against."""
        return Robustness(self.lose, self.robust, self.lose_machines)


def changes_of(data: object) -> Changes:
    """What a request asks for. Raises :class:`ChangeError` for what is no change."""
    if not isinstance(data, dict) or not set(data) <= set(Changes.__dataclass_fields__):
        raise ChangeError("the request is no list of changes; load the page again")
    counts = {name: _count(name, data.get(name, 0)) for name in ("lose", "robust", "lose_machines")}
    weight = data.get("keep_weight")
    if weight is not None and not (_number(weight) and 0 <= weight < 1):
        raise ChangeError("the share given up for an unchanged plan must be from 0 up to 1")
    units = {name: _count(name, number) for name, number in _mapping(data, "units").items()}
    sources = {}
    for name, one in _mapping(data, "sources").items():
        if not isinstance(one, dict) or not set(one) <= set(SourceChange.__dataclass_fields__):
            raise ChangeError(f"source {shown(name)}: no such change; load the page again")
        sources[name] = SourceChange(**{key: _text(name, text) for key, text in one.items()})
    values = {name: _text(name, text) for name, text in _mapping(data, "values").items()}
    return Changes(values, units, sources, keep_weight=weight, **counts)


def _mapping(data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = data.get(key, {})
    if not isinstance(found, dict):
        raise ChangeError(f"{key}: the request is no list of changes; load the page again")
    return found


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _text(name: str, value: object) -> str:
    if not isinstance(value, str):
        raise ChangeError(f"{shown(name)}: expects text, got {shown(value)}")
    return value.strip()


def _count(name: str, value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= MOST_LOST:
        raise ChangeError(
            f"{shown(name)}: must be a whole number from 0 to {MOST_LOST}, got {shown(value)}"
        )
    return value


def changed_site(site: Site, changes: Changes) -> Site:
    """The site with the changes, known by the digest of its own file (:func:`site_files`).

    Raises:
        ChangeError: a change that cannot be; all of them, a line each.
    """
    faults: list[str] = []
    facts = {fact.address: fact for _, fact in _facts(site)}
    values: dict[str, float] = {}
    for address, text in changes.values.items():
        if address not in facts:
            faults.append(f"{shown(address)} cannot be changed here; load the page again")
            continue
        fact = facts[address]
        if lacking := _unit_lacking(text, fact.dimension, fact.value):
            faults.append(f"{address}: {lacking}")
            continue
        try:
            values[address] = fact.read(text)
        except FactError as error:
            faults.append(str(error))
    try:
        site = _set(site, values)
    except FactError as error:
        faults.append(str(error))
    for change in (_with_units, _with_sources):
        try:
            site = change(site, changes)
        except ChangeError as error:
            faults.append(str(error))
    if faults:
        raise ChangeError("\n".join(faults))
    return replace(site, sha256=digest_of(site_files(site)))


def _unit_lacking(text: str, dimension: str, shown_value: float | None) -> str:
    """What is wrong with a number without a unit, where the page shows one with a unit; else "".

    The page shows the value that it had in some unit, which a number alone would not be in.
    """
    if not unit_lacking(text, dimension):
        return ""
    unit = "" if not shown_value else exact_text(shown_value, dimension).partition(" ")[2]
    such = f"write the unit, such as '{text.strip()} {unit}'" if unit else ""
    return f"{text.strip()} has no unit; {such or unit_lacking(text, dimension)}"


def _set(site: Site, values: Mapping[str, float]) -> Site:
    """The site with other values, which then have no range. Raises :class:`FactError`."""
    kept = {address: one for address, one in site.spreads.items() if address not in values}
    return replace(changed(site, values), spreads=kept)


def _with_units(site: Site, changes: Changes) -> Site:
    machines, standing = dict(site.machines), dict(site.built.machines)
    for address, most in changes.units.items():
        name, _, place = address.partition("@")
        if name not in machines or place not in machines[name].places:
            raise ChangeError(f"{shown(address)} cannot be changed here; load the page again")
        machine = machines[name]
        machines[name] = replace(machine, places={**machine.places, place: most})
        if (name, place) in standing:
            standing[name, place] = min(standing[name, place], most)
    return replace(site, machines=machines, built=replace(site.built, machines=standing))


def _with_sources(site: Site, changes: Changes) -> Site:
    for name, change in changes.sources.items():
        if name not in site.sources:
            raise ChangeError(f"source {shown(name)} is not in the site file; load the page again")
        if change.flow == "lost":
            site = _without(site, name)
            continue
        site = _with_clock(_with_flow(site, name, change.flow), name, change)
    return site


def _with_flow(site: Site, name: str, flow: str) -> Site:
    spread = site.spreads.get(f"sources.{name}.flow")
    if flow not in ("", "low") or (flow and spread is None):
        raise ChangeError(f"source {shown(name)}: no flow {shown(flow)}; write 'low' or 'lost'")
    return _set(site, {f"sources.{name}.flow": spread.low}) if flow and spread else site


def _without(site: Site, name: str) -> Site:
    """The site with a source lost, and all that is there for it alone."""
    gone = [f"sources.{name}."]
    sinks = [key for key, sink in site.heat_sinks.items() if sink.source == name]
    gone += [f"heat_sinks.{key}." for key in sinks]
    if len(site.sources) == 1:
        raise ChangeError("all sources are lost: at least one must be left to plan with")
    return replace(
        site,
        sources={key: source for key, source in site.sources.items() if key != name},
        heat_sinks={key: sink for key, sink in site.heat_sinks.items() if key not in sinks},
        built=replace(
            site.built,
            sources=tuple(one for one in site.built.sources if one != name),
            coolers=tuple(one for one in site.built.coolers if one.source != name),
            heat_sinks=tuple(one for one in site.built.heat_sinks if one.heat_sink not in sinks),
        ),
        spreads={
            address: spread
            for address, spread in site.spreads.items()
            if not address.startswith(tuple(gone))
        },
    )


def _with_clock(site: Site, name: str, change: SourceChange) -> Site:
    """The site with another clock of a source; the rules for it are those of the site file."""
    made: dict[str, Any] = {} if not change.clock else {"clock": change.clock}
    for key in ("next_start", "error"):
        if text := getattr(change, key):
            if lacking := _unit_lacking(text, "duration", getattr(site.sources[name], key)):
                raise ChangeError(f"source {shown(name)}: {key}: {lacking}")
            try:
                made[key] = parse_quantity(text, "duration")
            except QuantityError as error:
                raise ChangeError(f"source {shown(name)}: {key}: {error}") from None
    if not made:
        return site
    source = replace(site.sources[name], **made)
    return replace(site, sources={**site.sources, name: source})


def site_files(site: Site) -> dict[str, bytes]:
    """The site as files by name: the site file, then the series that it names, in its order."""
    texts = {SITE_FILE: site_text(site), **series_texts(site)}
    return {name: text.encode("utf-8") for name, text in texts.items()}


def digest_of(files: Mapping[str, bytes]) -> str:
    """SHA-256 of a site file and its series, as reading the file gives it."""
    return hashlib.sha256(b"".join(files.values())).hexdigest()


def _facts(site: Site) -> Iterator[tuple[str, Fact]]:
    """The values that may be changed, each with the title above it."""
    for title, beginnings, ending in GROUPS:
        for address, fact in facts_of(site).items():
            of_group = address.startswith(beginnings) and address.endswith(ending)
            if of_group and fact.value is not None:
                yield title, fact


def controls_of(site: Site, plan: Plan | None) -> dict[str, Any]:
    """All that may be changed, as the page shows it: plain data for JSON."""
    robustness = Robustness() if plan is None or plan.robustness is None else plan.robustness
    used = {plain(use.name): use.count for use in (() if plan is None else plan.machines)}
    return {
        "values": [
            {"group": title, "address": fact.address, "value": exact_text(value, fact.dimension)}
            for title, fact in _facts(site)
            if (value := fact.value) is not None
        ],
        "units": [
            {
                "address": f"{machine.name}@{place}",
                "most": most,
                "used": used.get(f"{machine.name}@{place}", 0),
            }
            for machine in site.machines.values()
            for place, most in machine.places.items()
            if most is not None
        ],
        "sources": [
            {
                "name": name,
                "flow": exact_text(source.flow, "mass_rate"),
                "low": f"sources.{name}.flow" in site.spreads,
                "clock": source.clock,
                "clocked": bool(source.stages),
                "next_start": _span(source.next_start),
                "error": _span(source.error),
            }
            for name, source in site.sources.items()
        ],
        "lose": robustness.lost,
        "robust": robustness.low,
        "lose_machines": robustness.machines,
        "firm": plan is None or plan.basis == "firm",
    }


def _span(seconds: float | None) -> str:
    return "" if seconds is None else exact_text(seconds, "duration")


def told(changes: Changes) -> list[str]:
    """The changes in words, one each, for the page."""
    words = [f"{address} {text}" for address, text in changes.values.items()]
    words += [f"{address}: at most {most} units" for address, most in changes.units.items()]
    for name, one in changes.sources.items():
        parts = [f"flow {one.flow}"] if one.flow else []
        parts += [f"{key} {text}" for key, text in asdict(one).items() if key != "flow" and text]
        words.append(f"source {name}: {', '.join(parts)}")
    for number, what in (
        (changes.lose, "sources lost"),
        (changes.robust, "sources low"),
        (changes.lose_machines, "machine units out"),
    ):
        words += [f"firm with any {number} {what}"] if number else []
    return words
