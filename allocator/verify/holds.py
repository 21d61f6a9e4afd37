"""Set-points of a plan: reserves that its promises need, run levels, the order of starting."""

from __future__ import annotations

import math

from allocator.verify.case import Case, class_of
from allocator.verify.report import LIMIT, Findings
from allocator.verify.running import battery_efficiency

FOUND = 1e-6
"""Worst windows are found to 1e-7 of their need."""


def check_set_points(case: Case, findings: Findings) -> None:
    """What a crew is told to keep keeps every promise.

    * worst window of a store or part <= its reserve <= its size (all of it where the promise
      withstands lost or low sources: what is left over stands in for them);
    * what sources seen in a state leave a store to bridge <= its reserve by the rule of that state
      <= level above which surplus is burnt <= its size;
    * 0 <= start < stop <= what the swing part (and the receivers) allow a group, and the run
      between them, (stop - start) / (e P (1 - c)), is no shorter than its least run, the rest
      between them, (stop - start) / (e P c), no shorter than its least rest;
    * least pressure of a chamber <= pressure to hold in it <= pressure at the source's mouth;
    * the order of starting names groups that give power, each once, clean ones first.
    """
    points = case.plan.set_points
    if points is None:
        return
    if not findings.holds(
        "set_points", "set-points", case.firm, "a plan on the mean basis has no firm output"
    ):
        return
    from allocator.verify.tanks.assembly import assembly_of
    from allocator.verify.tanks.phases import worst_window
    from allocator.verify.tanks.weakened import must_withstand

    tanks = {tank.name: tank for tank in assembly_of(case).circuit.kept}
    for name in {hold.store for hold in points.stores} ^ set(tanks):
        known = "has no reserve" if name in tanks else "is no store of the plan"
        findings.holds("set_points", f"set-point of {name!r}", False, known)
    for hold in points.stores:
        tank = tanks.get(hold.store)
        if tank is None:
            continue
        subject = f"set-point of {hold.store!r}"
        findings.holds("set_points", subject, hold.unit == tank.unit, f"its unit is {tank.unit}")
        findings.at_most("reserve_most", subject, hold.reserve, tank.size, tank.unit, "the reserve")
        window = None if must_withstand(case) else worst_window(case, tank)
        need = tank.size if window is None else min(tank.size, window.need)
        findings.at_least(
            "reserve_need", subject, hold.reserve, need * (1.0 - FOUND), tank.unit, "the reserve"
        )
    _check_rules(case, findings)
    _check_cycled(case, findings)
    _check_order(case, findings)
    _check_chambers(case, findings)


def _check_rules(case: Case, findings: Findings) -> None:
    points = case.plan.set_points
    if points is None or not points.rules:
        return
    from allocator.verify.tanks.assembly import assembly_of
    from allocator.verify.tanks.present import (
        ALL_WORK,
        SourceState,
        free_sources,
        present_tank,
        reserve_of,
        switch_times,
    )

    tanks = {t.name: present_tank(case, t) for t in assembly_of(case).circuit.kept}
    for rule in points.rules:
        subject = f"reserve rule of {rule.store!r}"
        known = rule.store in tanks
        if rule.state in ("on", "off"):
            known = known and rule.source in case.site.sources
        if not findings.holds("set_points", subject, known, "names what the plan does not have"):
            continue
        present, states, at = tanks[rule.store], {}, None
        if rule.state in ("on", "off"):
            states = {rule.source: SourceState(rule.state == "on", 0.0)}
        elif rule.state == "time":
            at = rule.at
        unit, size = present.tank.unit, present.tank.size
        free = free_sources(case, present)
        said_so = (
            rule.unit == unit
            and rule.free == tuple(name for name in free if name != rule.source)
            and rule.every == (switch_times(present)[1] if rule.state == "time" else None)
        )
        findings.holds("set_points", subject, said_so, "its unit, sources or period are others")
        need = reserve_of(case, present, states, at)
        slack = FOUND * size
        if rule.keep < need - slack:  # more windows say whether less is enough
            need = reserve_of(case, present, states, at, ALL_WORK)
        said = ("reserve_rule", subject)
        findings.at_least(*said, rule.keep, need, unit, "the reserve", slack)
        findings.at_least(*said, rule.burn_above, rule.keep, unit, "what surplus is burnt above")
        findings.at_most(*said, rule.burn_above, size, unit, "what surplus is burnt above")


def _check_chambers(case: Case, findings: Findings) -> None:
    points = case.plan.set_points
    assert points is not None
    for hold in points.chambers:
        subject = f"chamber of {hold.source!r}"
        source = case.site.sources.get(hold.source)
        chamber = None if source is None or source.pump is None else source.pump.chamber
        if source is None or chamber is None:
            findings.holds("set_points", subject, False, "is none of the site")
            continue
        most = math.inf if source.pressure is None else source.pressure
        said = ("chamber_hold", subject, hold.pressure)
        findings.at_least(*said, chamber.min_pressure, "Pa", "the pressure kept in it")
        findings.at_most(*said, most, "Pa", "the pressure kept in it")


def _check_cycled(case: Case, findings: Findings) -> None:
    from allocator.verify.running import swing_of

    points = case.plan.set_points
    assert points is not None
    groups = {m.name: m for m in case.plan.machines if m.cycled > 0}
    for name in {levels.machine for levels in points.cycled} ^ set(groups):
        known = "has no run levels" if name in groups else "is not run on and off"
        findings.holds("set_points", f"run levels of {name!r}", False, known)
    for levels in points.cycled:
        machine = groups.get(levels.machine)
        if machine is None:
            continue
        subject = f"run levels of {levels.machine!r}"
        swing = swing_of(case, machine)
        slack = LIMIT * swing
        findings.at_least("run_levels", subject, levels.start, 0.0, "J", "the start level")
        findings.at_most("run_levels", subject, levels.stop, swing, "J", "the stop level", slack)
        power = battery_efficiency(case, machine) * case.machine_type(machine).power_out
        kind = case.machine_type(machine)
        swings = {
            "run": kind.min_up_time * power * (1.0 - machine.cycled),
            "rest": kind.min_down_time * power * machine.cycled if machine.cycled < 1.0 else 0.0,
        }
        swing = levels.stop - levels.start
        for what, least in swings.items():
            findings.at_least(
                "run_levels", subject, swing, least, "J", f"the swing for a {what}", FOUND * least
            )


def _check_order(case: Case, findings: Findings) -> None:
    points = case.plan.set_points
    assert points is not None
    giving = {m.name: m for m in case.plan.machines if case.machine_type(m).power_out > 0}
    once = sorted(points.start_order) == sorted(giving)
    if findings.holds(
        "start_order", "order of starting", once, "must name each group that gives power once"
    ):
        clean = [
            class_of(case.site, case.machine_type(giving[n])) == "clean" for n in points.start_order
        ]
        findings.holds(
            "start_order",
            "order of starting",
            clean == sorted(clean, reverse=True),
            "clean groups must come before the others",
        )
