"""The state file of a plan in operation: what it may name, what cannot be, and a template of it."""

from __future__ import annotations

import os
from datetime import datetime
from functools import partial

from allocator.base.errors import Fault, StateFileError
from allocator.base.quantities import format_quantity, shown
from allocator.simulation.operating import OutUnits, PresentState
from allocator.site.clocks import varying_ranges
from allocator.site.state import STATE_FORMAT, OperatingState, read_state
from allocator.site.table import Values
from allocator.verify.case import Case
from allocator.verify.cycle import source_cycle
from allocator.verify.tanks.assembly import Assembly
from allocator.verify.tanks.present import SourceState
from allocator.verify.tanks.true_clocks import longest_spells, may_be, may_be_within

NEAR = 1e-6
"""Of a spell: what is seen of it may be off by so much, as rounding."""
ROUNDED = 1e-3
"""Of a period: a crew writes no more digits of the time since the outermost stage turned on."""


def state_of(path: str | os.PathLike[str], assembly: Assembly) -> PresentState:
    """What a state file says of a plan.

    Raises:
        StateFileError: unknown names, levels above the size, sources in no possible state, a time
            before the site's.
    """
    case = assembly.case
    names = {
        "stores": dict.fromkeys(tank.name for tank in assembly.circuit.kept),
        "sources": dict.fromkeys(use.name for use in case.plan.sources),
        "machines": dict.fromkeys(case.site.machines),
        "places": dict.fromkeys(case.site.places),
    }
    sizes = {tank.name: (tank.size, tank.unit) for tank in assembly.circuit.kept}
    check = partial(_check, case)
    read = read_state(path, case.site.name, names, sizes, check)
    return present_of(case, read)


def present_of(case: Case, state: OperatingState) -> PresentState:
    """The same as a controller sees it."""
    return PresentState(
        dict(state.levels),
        {
            name: SourceState(one.state == "on", one.since, one.spell)
            for name, one in state.sources.items()
            if one.state != "unknown" and one.since is not None
        },
        _seconds(case, state.time),
        tuple(
            OutUnits(name, count, o.until)
            for o in state.units_out
            for name, count in _groups_out(case, o.machine, o.place, o.count).items()
        ),
    )


def _groups_out(case: Case, machine: str, place: str, count: int) -> dict[str, int]:
    """Units out by group of the plan; a place may stand for parts of it, the fullest first."""
    counts = {one.name: one.count for one in case.plan.machines}
    if (own := f"{machine}@{place}") in counts:
        return {own: count}
    parts = [
        one
        for one in case.plan.machines
        if one.type == machine and case.whole.ground(one.place) == place
    ]
    found: dict[str, int] = {}
    for one in sorted(parts, key=lambda one: -one.count):
        if count > 0 and one.count > 0:
            found[one.name] = min(count, one.count)
            count -= found[one.name]
    return found


def _seconds(case: Case, text: str) -> float | None:
    """Seconds from the site's ``starts_at`` to a time; None where either is not given.

    Raises ValueError for what is no time, TypeError where only one of both has a time zone.
    """
    begin = case.site.starts_at
    if not (text and begin):
        return None
    return (datetime.fromisoformat(text) - datetime.fromisoformat(begin)).total_seconds()


def _check(case: Case, state: OperatingState, values: Values) -> None:
    """Notes what cannot be."""
    begin = case.site.starts_at
    try:
        at = _seconds(case, state.time)
    except ValueError:
        return  # noted already
    except TypeError:
        at, both = None, f"is {shown(state.time)} and 'starts_at' of the site is {shown(begin)}"
        values.fault("time", f"{both}: one has a time zone", "give both with one, or none")
    if at is not None and at < 0:
        values.fault("time", f"is before the site's 'starts_at', {begin}", "give a later time")
    for name, one in values.get("sources", {}).items():
        if one.get("state") != "unknown":
            _check_source(case, name, one, at)
    counts = {machine.name: machine.count for machine in case.plan.machines}
    out: dict[str, int] = {}
    for one in values.get("units_out", ()):
        machine, place, count = one.get("machine"), one.get("place"), one.get("count")
        name = f"{machine}@{place}"
        groups = _groups_out(case, machine, place, max(counts.values(), default=0))
        if not groups:
            one.fault("machine", f"is {shown(name)}, of which the plan has none", "name another")
            continue
        out[name] = out.get(name, 0) + count
        if out[name] > (most := sum(counts[group] for group in groups)):
            one.fault("count", f"is above the plan's {most} units of {name}", "correct it")


def _check_source(case: Case, name: str, one: Values, at: float | None) -> None:
    on, since = one.get("state") == "on", one.get("since")
    source, spell = case.site.sources[name], one.get("spell")
    word = "on" if on else "off"
    longest = longest_spells(case, name)[0 if on else 1]
    if source.steady:
        if not on:
            one.fault(
                "state", "is off, and the source is always on", "take it out of the site file"
            )
        return
    if since is not None and since > longest * (1.0 + NEAR):
        most = format_quantity(longest, "duration")
        problem = (
            f"says {word} for {format_quantity(since, 'duration')}; it is so for {most} at most"
        )
        one.fault("since", problem, "correct it, leave it out, or correct the source's cycle")
    elif spell is not None and since is not None and spell < since and on:
        one.fault("spell", "is less than 'since'", "it begins with the burst or before it")
    elif spell is not None and not _agrees(case, name, spell, on):
        problem = (
            f"says that its outermost stage turned on {format_quantity(spell, 'duration')} ago"
        )
        remedy = f"correct it, or leave it out; by its cycle the source is not {word} then"
        one.fault("spell", problem, remedy)
    elif at is not None and at >= 0 and not may_be(case, name, at, on):
        remedy = "correct the state or the time, or survey the source's clock again"
        one.fault("state", f"is {word}, and by its known clock it has no such spell now", remedy)


def _agrees(case: Case, name: str, spell: float, on: bool) -> bool:
    """Whether a source may be on, or off, so long after its outermost stage turned on."""
    source = case.site.sources[name]
    cycle = source_cycle(source.stages)
    late = source.jitter + ROUNDED * cycle.period
    if varying_ranges(source, case.site.spreads) is not None or source.drift:
        return True
    return spell <= cycle.period + late and may_be_within(cycle, spell, late, on)


def template_of(assembly: Assembly) -> str:
    """A state file to fill in: every store full, every source unknown."""
    case = assembly.case
    lines = [
        "# What is there now, for 'allocator operate': fill in, and give it with --state.",
        f"format: {STATE_FORMAT}",
        f"site: {_quoted(case.site.name)}",
        "# time: 2027-03-01T06:00      # for known clocks and profiles of demands"
        + ("" if case.site.starts_at else "; needs 'starts_at' of the site"),
        "levels:                       # an amount, as 80 kg or 20 kWh, or a share",
        *(
            f"  {_quoted(tank.name)}: 100 %    # size {_amount(tank.size, tank.unit)}"
            for tank in assembly.circuit.kept
        ),
        "sources:                      # state: on, off or unknown; since: when it last turned",
        *(
            f"  {_quoted(use.name)}: {{state: unknown}}    # {{state: on, since: 2 h}}"
            for use in case.plan.sources
            if use.tapped and not case.site.sources[use.name].steady
        ),
        "units_out: []                 # - {machine: NAME, place: NAME, count: 1, until: 12 h}",
    ]
    return "\n".join(lines) + "\n"


def _amount(size: float, unit: str) -> str:
    return format_quantity(size, "mass" if unit == "kg" else "energy")


def _quoted(text: str) -> str:
    plain = text.replace("_", "").replace("@", "").replace("-", "").replace(" ", "")
    return text if plain.isalnum() and text[0].isalpha() else "'" + text.replace("'", "''") + "'"


def refuse_existing(path: str | os.PathLike[str]) -> None:
    """Raises StateFileError where a template would overwrite a file."""
    if os.path.lexists(path):
        problem = "exists already, and is not overwritten by a template"
        raise StateFileError(
            [Fault(str(path), 0, 0, "", problem, "read it with --state, or name another file")]
        )
