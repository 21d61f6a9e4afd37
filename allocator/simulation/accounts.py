"""From the sums of a run to amounts: power, fuel, emissions, spill, starts."""

from __future__ import annotations

import math
from collections.abc import Mapping

from allocator.plans.records import MachineUse
from allocator.simulation.columns import (
    BURNT,
    CLEAN,
    CLEAN_DIRECT,
    CLEAN_LOST,
    EMITTING,
    EMITTING_LOST,
    EMPTY,
    EVENTS,
    FULL,
    HIGHEST,
    LAST_SHORT,
    LEAST_SHARE,
    LEVEL,
    LOST,
    LOWEST,
    SAVED,
    SHORT,
    SHORT_SECONDS,
    SPILL,
    UNSERVED,
    UNTAKEN,
)
from allocator.simulation.running import Finished
from allocator.simulation.trace import Draw, TankTrace
from allocator.simulation.venting import turned_by, vented_kg
from allocator.site.records import POWER
from allocator.verify.case import Case, counts
from allocator.verify.running import battery_efficiency, swing_of
from allocator.verify.tanks.assembly import Assembly

KEPT = 1e-9
"""A promise counts as kept when no more than this share of its energy, or of what a store gives,

is missing: the rounding of a long sum.
"""


def draw_of(
    assembly: Assembly, run: Finished, name: str, needs: Mapping[str, float] | None = None
) -> Draw:
    """What a run amounts to. ``needs``: worst windows of tanks that the draw was set against."""
    case, sums, seconds, means = assembly.case, run.sums, run.seconds, run.means
    tanks = tuple(
        _tank(run, k, means, (needs or {}).get(t.name)) for k, t in enumerate(run.circuit.tanks)
    )
    firm = {"clean": 0.0, "emitting": 0.0}
    for use in case.plan.demands:
        if use.wants == POWER:
            shape = f"shape:{case.shape_of[use.name]}"
            firm["clean"] += use.clean_share * use.mean * means.get(shape, 1.0)
            firm["emitting"] += use.emitting_share * use.mean * means.get(shape, 1.0)
    promised = math.fsum(firm.values())
    bus = [math.fsum(column) / seconds for column in sums.bus.T]
    total = promised - bus[CLEAN_LOST] - bus[EMITTING_LOST] + bus[CLEAN_DIRECT] + bus[EMITTING]
    clean = min(total, firm["clean"] - bus[CLEAN_LOST] + bus[CLEAN])
    recovered = math.fsum(rate.at(means) for rate in assembly.recovered)  # clean, and beside it all
    clean, total = clean + recovered, total + recovered
    unserved = float(sums.whole[UNSERVED])
    short = any(t.short > KEPT * max(t.drawn, t.size) for t in tanks)
    kept = unserved <= KEPT * promised * seconds and not short
    turned = turned_by(assembly, run, means, tanks)
    released = _released(case, turned)
    vented = vented_kg(assembly, run, means, turned, tanks)
    return Draw(
        name=name,
        phases=dict(run.phases),
        seconds=seconds,
        kept=kept,
        worst_firm_w=case.plan.power.firm_total * (1.0 if kept else float(sums.whole[LEAST_SHARE])),
        short_s=0.0 if kept else float(sums.whole[SHORT_SECONDS]),
        last_short_s=0.0 if kept else float(sums.whole[LAST_SHORT]),
        unserved_j=unserved,
        unserved_by_demand_j={
            load.name: float(energy)
            for load, energy in zip(run.circuit.loads, sums.load, strict=True)
        },
        mean_clean_w=clean,
        mean_total_w=total,
        clean_share=clean / total if total > 0 else 0.0,
        emissions_kg=math.fsum(
            [
                *(
                    kg * case.site.fluids[f].emission_weight
                    for f, kg in released.items()
                    if counts(case.site, f)
                ),
                *(kg * case.site.fluids[f].vented_weight for f, kg in vented.items()),
            ]
        ),
        released_kg=released,
        bought_kg=_bought(assembly, run, means),
        spilt_kg=_spilt(assembly, tanks),
        spilt_j=math.fsum(
            t.spilt
            for t, tank in zip(tanks, run.circuit.tanks, strict=True)
            if tank.kind == "burst"
        ),
        starts=_starts(assembly, run),
        tanks=tanks,
        events=int(sums.whole[EVENTS]),
        vented_kg=vented,
    )


def _starts(assembly: Assembly, run: Finished) -> dict[str, float | None]:
    """Starts of units run on and off, and of idle units that keep run and rest times."""
    found: dict[str, float | None] = {}
    batches = list(zip(run.circuit.burners, run.sums.started, assembly.burner_of, strict=False))
    for machine in assembly.case.plan.machines:
        mine = [
            int(number) * burner.capacity.steady
            for burner, number, owner in batches
            if owner == machine.name and burner.run > 0 and burner.capacity.steady > 0
        ]
        cycled = starts_of(assembly.case, machine, run.seconds) if machine.cycled > 0 else 0.0
        if machine.cycled > 0 or mine:
            found[machine.name] = None if cycled is None else cycled + math.fsum(mine)
    return found


def _tank(run: Finished, k: int, means: Mapping[str, float], need: float | None) -> TankTrace:
    tank, column = run.circuit.tanks[k], [float(v) for v in run.sums.tank[k]]
    first = tank.size if tank.first is None else min(tank.first, tank.size)
    return TankTrace(
        name=tank.name,
        unit=tank.unit,
        size=tank.size,
        first=first,
        last=column[LEVEL],
        lowest=column[LOWEST],
        highest=column[HIGHEST],
        arrived=tank.arrivals.at(means) * run.seconds,
        drawn=tank.draws.at(means) * run.seconds,
        lost=column[LOST],
        spilt=column[SPILL] - column[UNTAKEN],
        untaken=column[UNTAKEN],
        short=column[SHORT],
        burnt=column[BURNT],
        saved=column[SAVED],
        times_full=int(column[FULL]),
        times_empty=int(column[EMPTY]),
        need=need,
    )


def _released(case: Case, turned: Mapping[str, float]) -> dict[str, float]:
    """kg released of every fluid that is an emission, by all machines."""
    found: dict[str, float] = {}
    for machine in case.plan.machines:
        for fluid, rate in case.machine_type(machine).outputs.items():
            if case.site.fluids[fluid].emission != "none":
                found[fluid] = found.get(fluid, 0.0) + rate * turned[machine.name]
    return found


def _bought(assembly: Assembly, run: Finished, means: Mapping[str, float]) -> dict[str, float]:
    """kg taken of every source that is bought; what did not fit was not delivered."""
    case, seconds = assembly.case, run.seconds
    untaken: dict[str, float] = {}
    for tank, column in zip(run.circuit.tanks, run.sums.tank, strict=True):
        into = tank.bought.at(means) * seconds
        if tank.kind == "store" and into > 0:
            untaken[f"store:{tank.name}"] = min(1.0, float(column[UNTAKEN]) / into)
    found = {}
    for source in case.plan.sources:
        record = case.site.sources[source.name]
        if not (record.delivered or record.price > 0):
            continue
        taken = [
            rate * means.get(source.name, 1.0) * (1.0 - untaken.get(destination, 0.0))
            for destination, rate in source.collect.items()
        ]
        taken += [rate * means.get(f"shape:{s}", 1.0) for s, rate in source.direct.items()]
        found[source.name] = math.fsum(taken) * seconds
    return found


def _spilt(assembly: Assembly, tanks: tuple[TankTrace, ...]) -> dict[str, float]:
    found: dict[str, float] = {}
    holds = {store.name: store.holds for store in assembly.case.plan.stores}
    for tank in tanks:
        if tank.name in holds:
            found[holds[tank.name]] = found.get(holds[tank.name], 0.0) + tank.spilt
    return found


def levels_of(case: Case, machine: MachineUse) -> tuple[float, float]:
    """J of the swing part at which a unit that is run on and off starts, and stops.

    As the plan sets them; else from empty to full, which makes the fewest starts there are.
    """
    points = case.plan.set_points
    for levels in () if points is None else points.cycled:
        if levels.machine == machine.name:
            return levels.start, levels.stop
    return 0.0, swing_of(case, machine)


def starts_of(case: Case, machine: MachineUse, seconds: float) -> float | None:
    """Starts of a unit that is run on and off between the two ends of its swing part.

    On at power P and used at e c P, a swing S fills in S / (e P (1 - c)) and empties in
    S / (e c P). None: no swing part, and so no bound.
    """
    if machine.cycled >= 1.0:
        return 0.0
    start, stop = levels_of(case, machine)
    swing = stop - start
    if swing <= 0:
        return None
    power = battery_efficiency(case, machine) * case.machine_type(machine).power_out
    return seconds * power * machine.cycled * (1.0 - machine.cycled) / swing
