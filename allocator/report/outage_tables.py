"""How a plan is run with machine units out of order: who does what, where that differs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from allocator.base.labels import labelled
from allocator.base.table import Table
from allocator.plans.outages import OutageOperation
from allocator.plans.records import Plan
from allocator.report.parts import duty_words
from allocator.report.tables import Row, table_of
from allocator.report.words import at, quantity, shape

SAME = 1e-6
"""Share of a flow or load below which a difference is rounding."""

_COLUMNS = (
    labelled("out_of_order"),
    labelled("runs_otherwise"),
    labelled("normal_operation"),
    labelled("operation_in_outage"),
)
_NOTE = (
    "What is not listed runs as in normal operation: collection, charging of batteries, and what "
    "fills the stores never change."
)


def outages(plan: Plan) -> Table:
    """A row for each machine group and store that runs otherwise, of each choice of units."""
    rows: list[Row] = []
    for outage in plan.outages:
        mine = list(_changed(plan, outage))
        words = units_out(outage.out)
        rows += [
            {
                "out_of_order": words,
                "runs_otherwise": what,
                "normal_operation": before,
                "operation_in_outage": now,
            }
            for what, before, now in mine or [("", "", "as in normal operation")]
        ]
    found = table_of("outages", "Operation with units out of order", _COLUMNS, rows)
    return replace(found, note=_NOTE) if rows else found


def units_out(out: Mapping[str, int]) -> str:
    """Units that are out of order, in words."""
    return " and ".join(f"{units} {at(name)}" for name, units in sorted(out.items()))


def _changed(plan: Plan, outage: OutageOperation) -> Iterator[tuple[str, str, str]]:
    left = {machine.name: machine for machine in outage.machines}
    for machine in plan.machines:
        now = left.get(machine.name)
        if now is None:
            continue
        same = now.running == machine.running and _alike(
            {**machine.following, "": machine.flat_load}, {**now.following, "": now.flat_load}
        )
        if not same:
            yield at(machine.name), duty_words(machine), duty_words(now)
    given = [(at(store.name), store.draw, outage.draws) for store in plan.stores]
    names = [store.name for store in plan.stores]
    given += [(source.name, source.direct, outage.direct) for source in plan.sources]
    names += [source.name for source in plan.sources]
    for name, (words, before, all_now) in zip(names, given, strict=True):
        after = all_now.get(name, {})
        if not _alike(before, after):
            yield words, _flows(before), _flows(after)


def _alike(one: Mapping[str, float], other: Mapping[str, float]) -> bool:
    most = max([*one.values(), *other.values()], default=0.0)
    return all(
        abs(one.get(name, 0.0) - other.get(name, 0.0)) <= SAME * most for name in {*one, *other}
    )


def _flows(given: Mapping[str, float]) -> str:
    said = [f"{quantity(rate, 'mass_rate')} {shape(name)}" for name, rate in given.items() if rate]
    return ", ".join(said) or "nothing"
