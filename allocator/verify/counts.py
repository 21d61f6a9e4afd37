"""Rules of what is built: counts, sizes, builds, and existing assets."""

from __future__ import annotations

import math

from allocator.plans.records import BatteryUse, Run, StoreUse
from allocator.site.records import POWER
from allocator.verify.case import ROUNDING, Case
from allocator.verify.report import Findings, relative

ROOM = 1e-6
"""What must be served is served to this share of it: see "Tolerances" in DEVELOPERS.md."""


def check_taps(case: Case, findings: Findings) -> None:
    """A tap is new where none stands, and only there."""
    for source in case.plan.sources:
        subject = f"source {source.name!r}"
        if case.site.sources[source.name].part_of:
            # what is drawn out of a chamber is tapped with it
            told = "a connection is stated to be new where it is that of the chamber's source"
            findings.holds("stands_already", subject, not source.new, told)
            continue
        stands = source.name in case.site.built.sources
        _new_or_existing(findings, subject, "a connection", source.new, source.tapped, stands)
        if source.new:
            findings.holds(
                "tap_missing",
                subject,
                source.tapped,
                "a connection is new but the source is not connected",
            )
            _not_excluded(case, findings, subject, case.site.sources[source.name].place)


def check_stores(case: Case, findings: Findings) -> None:
    """Sizes: standing + new; new ones within least and most, in whole units, where offered."""
    for store in case.holders:
        _store(case, findings, store)


def _store(case: Case, findings: Findings, store: StoreUse | BatteryUse) -> None:
    kind = case.site.storage[store.type]
    unit = "J" if kind.holds == POWER else "kg"
    subject = f"store {store.name!r}"
    existing = case.site.built.storage.get((store.type, store.place), 0.0)
    together = existing + store.new_size
    findings.equals(
        "store_size",
        subject,
        store.size,
        together,
        unit,
        "the size (existing and new)",
        relative(ROUNDING, together),
    )
    if store.new_size > 0:
        findings.at_most("store_most", subject, store.size, kind.max_size, unit, "the size")
        findings.at_least("store_least", subject, store.size, kind.min_size, unit, "the size")
        findings.holds(
            "place_not_offered", subject, store.place in kind.places, "may not be built there"
        )
        _not_excluded(case, findings, subject, store.place)
    if kind.unit is None:
        findings.holds(
            "store_units", subject, not store.units, "is sold by size, not in whole units"
        )
    else:
        units = store.units or 0
        findings.holds("whole_number", subject, int(units) == units, "units are no whole number")
        findings.equals(
            "store_units",
            subject,
            store.new_size,
            units * kind.unit,
            unit,
            f"the new size ({units} units)",
            relative(ROUNDING, units * kind.unit),
        )


def check_machines(case: Case, findings: Findings) -> None:
    """Counts: whole, standing + new, within the limits of the place and of the type."""
    for machine in case.plan.machines:
        kind = case.machine_type(machine)
        subject = f"machine {machine.name!r}"
        for what in ("count", "new", "running"):
            number = getattr(machine, what)
            findings.holds(
                "whole_number", subject, int(number) == number, f"{what} is no whole number"
            )
        existing = case.site.built.machines.get((machine.type, machine.place), 0)
        findings.equals(
            "machine_count",
            subject,
            machine.count,
            existing + machine.new,
            "units",
            "the count (existing and new)",
            0.0,
        )
        if machine.new > 0:
            offered = machine.place in kind.places
            findings.holds("place_not_offered", subject, offered, "may not be put there")
            most = kind.places.get(machine.place)
            if most is not None:
                findings.at_most(
                    "machine_place_limit", subject, machine.count, most, "units", "the count there"
                )
            _not_excluded(case, findings, subject, machine.place)
    for kind in case.site.machines.values():
        mine = [m for m in case.plan.machines if m.type == kind.name]
        if kind.max_units is not None and any(m.new for m in mine):
            existing = sum(
                n for (name, _), n in case.site.built.machines.items() if name == kind.name
            )
            count = existing + sum(m.new for m in mine)
            findings.at_most(
                "machine_type_limit",
                f"machine type {kind.name!r}",
                count,
                kind.max_units,
                "units",
                "the count on the site",
            )


def check_runs(case: Case, findings: Findings) -> None:
    """One allowed build a route and fluid; new where that very pipe does not stand."""
    site = case.site
    seen: set[tuple[str, str]] = set()
    for run in case.plan.runs:
        subject = f"run {run.route!r} of {run.fluid!r}"
        findings.holds(
            "one_build",
            subject,
            (run.route, run.fluid) not in seen,
            "has more than one pipe for one fluid",
        )
        seen.add((run.route, run.fluid))
        stands = any(
            (b.route, b.pipe, b.fluid) == (run.route, run.build, run.fluid)
            for b in site.built.pipes
        )
        _new_or_existing(findings, subject, f"a {run.build!r} pipe", run.new, True, stands)
        if run.new:
            _new_run(case, findings, run, subject)


def _new_run(case: Case, findings: Findings, run: Run, subject: str) -> None:
    route = case.site.routes[run.route]
    findings.holds(
        "build_not_offered",
        subject,
        run.build in route.pipes,
        f"build {run.build!r} is not offered on this route",
    )
    findings.holds(
        "build_fluid",
        subject,
        case.site.may_carry(run.route, run.build, run.fluid),
        f"build {run.build!r} is not for {run.fluid!r}",
    )
    for place in (route.start, route.end):
        _not_excluded(case, findings, subject, place)


def check_lines(case: Case, findings: Findings) -> None:
    """A line is new where none stands, and not to an excluded place."""
    for line in case.plan.lines:
        subject = f"line {line.name!r}"
        stands = line.name in case.site.built.power_lines
        _new_or_existing(findings, subject, "a line", line.new, True, stands)
        if line.new:
            for place in (
                case.site.power_lines[line.name].start,
                case.site.power_lines[line.name].end,
            ):
                _not_excluded(case, findings, subject, place)


def _new_or_existing(
    findings: Findings, subject: str, thing: str, new: bool, there: bool, stands: bool
) -> None:
    if new:
        findings.holds(
            "stands_already", subject, not stands, f"{thing} is stated to be new but exists already"
        )
    elif there:
        findings.holds("not_standing", subject, stands, f"{thing} is stated to exist but does not")


def _not_excluded(case: Case, findings: Findings, subject: str, place: str) -> None:
    findings.holds(
        "excluded_place",
        subject,
        place not in case.site.limits.excluded_places,
        f"is built at {place!r}, which is excluded",
    )


def check_shares(case: Case, findings: Findings) -> None:
    """Shares: clean and emitting together at most 1, and at least what must be served."""
    listed = {d.name: d for d in case.plan.demands}
    for demand in case.site.demands.values():
        subject = f"demand {demand.name!r}"
        use = listed.get(demand.name)
        findings.holds("not_told", subject, use is not None, "the plan does not list it")
        clean = use.clean_share if use else 0.0
        emitting = use.emitting_share if use else 0.0
        share = math.fsum([clean, emitting])
        findings.at_most("served_share", subject, share, 1.0, "", "the share served")
        if demand.min_share > 0:
            least = demand.min_share
            findings.at_least(
                "min_share", subject, share, least, "", "the share served", ROOM * least
            )
        if demand.wants != POWER:
            findings.at_most(
                "fluid_share", subject, emitting, 0.0, "", "the emitting share of a fluid"
            )
