"""Rules of gas that is vented: how much at the most, and what flares burn of it."""

from __future__ import annotations

import math
from collections.abc import Iterator

from allocator.network.records import Outflow
from allocator.plans.records import MachineUse
from allocator.verify.case import Case, counts
from allocator.verify.cycle import source_cycle
from allocator.verify.loads import flare_units, loads, mean_bursts, mean_turnover
from allocator.verify.report import Findings
from allocator.verify.scale import fluid_tolerances


def vented(case: Case) -> dict[str, float]:
    """Most that is vented, mean kg/s, of each fluid that has a weight for it.

    What comes less what is used: captured is only what the promise takes, for what overflows of a
    store, leaks out of it or is left over is not used.
    """
    return {
        name: max(0.0, math.fsum([*_comes(case, name), *(-used for used in _used(case, name))]))
        for name, fluid in case.site.fluids.items()
        if fluid.vented_weight
    }


def always_coming(case: Case, fluid: str) -> Iterator[tuple[str, Outflow, float]]:
    """Sources that vent what nobody takes of them, each with its mean flow, kg/s."""
    for name, source in case.whole.own_sources.items():
        if source.fluid == fluid and source.when_untapped == "vents":
            yield name, source, source.flow * source_cycle(source.stages).mean


def _comes(case: Case, fluid: str) -> list[float]:
    found = [mean for _, _, mean in always_coming(case, fluid)]
    for use in case.plan.sources:
        source = case.site.sources[use.name]
        if source.fluid == fluid and source.when_untapped != "vents":
            found += [rate * case.duty(use.name) for rate in use.collect.values() if rate > 0]
            found += use.direct.values()
    for machine in case.plan.machines:
        rate = case.machine_type(machine).outputs.get(fluid, 0.0)
        if rate:
            units = [*loads(machine).values(), *mean_bursts(case, machine)]
            found += [rate * each for each in (*units, flare_units(case, machine))]
    return found


def _used(case: Case, fluid: str) -> list[float]:
    found = [
        rate * mean_turnover(case, machine)
        for machine in case.plan.machines
        if (rate := case.machine_type(machine).inputs.get(fluid, 0.0))
    ]
    served = [use for use in case.plan.demands if use.wants == fluid]
    return found + [(use.clean_share + use.emitting_share) * use.mean for use in served]


def check_flares(case: Case, findings: Findings) -> None:
    """A flare has room for all that may come to it at once, and burns what it is stated to."""
    guarded: dict[str, str] = {}
    for machine in case.plan.machines:
        kind = case.machine_type(machine)
        subject = f"machine {machine.name!r}"
        if not kind.flare:
            findings.holds(
                "flare", subject, not machine.overflow, "guards a store, but is no flare"
            )
            continue
        taken = case.arriving(f"flare:{machine.name}")
        for name in machine.overflow:
            alone = guarded.setdefault(name, machine.name) == machine.name
            findings.holds("flare", subject, alone, f"guards {name!r}, which another flare guards")
            taken += _guarded(case, findings, machine, name)
        if machine.overflow or taken > 0:
            findings.holds(
                "flare",
                subject,
                _weighs_less(case, machine),
                "burns what weighs no more when it is vented than what becomes of it",
            )
        (rate,) = kind.inputs.values()
        findings.at_most(
            "flare_room",
            subject,
            machine.flat_load + taken / rate,
            machine.count,
            "units",
            "all that may reach it at once",
        )


def _guarded(case: Case, findings: Findings, machine: MachineUse, name: str) -> float:
    """Most that comes to a store which a flare guards, kg/s; its overflow is as stated."""
    subject = f"machine {machine.name!r}"
    store = next(store for store in case.plan.stores if store.name == name)
    beside = store.place == machine.place and store.holds in case.machine_type(machine).inputs
    findings.holds(
        "flare", subject, case.firm and beside, f"guards {name!r}, which has no gas for it there"
    )
    sent = list(case.collected(f"store:{name}"))
    overflow = math.fsum(
        [
            *(rate * case.duty(source.name) for source, rate in sent),
            store.inflow,
            *(-draw for draw in store.draw.values()),
            -case.site.storage[store.type].loss * store.size,
        ]
    )
    findings.equals(
        "flare_overflow",
        subject,
        machine.overflow[name],
        max(0.0, overflow),
        "kg/s",
        f"what overflows of {name!r}",
        fluid_tolerances(case)[store.holds],
    )
    return math.fsum([*(rate for _, rate in sent), store.inflow])


def _weighs_less(case: Case, machine: MachineUse) -> bool:
    kind, fluids = case.machine_type(machine), case.site.fluids
    let_go = math.fsum(rate * fluids[f].vented_weight for f, rate in kind.inputs.items())
    given = [
        rate * (fluids[f].emission_weight if counts(case.site, f) else fluids[f].vented_weight)
        for f, rate in kind.outputs.items()
    ]
    return let_go > 0.0 and math.fsum(given) <= let_go
