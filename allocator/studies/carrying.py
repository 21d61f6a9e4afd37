"""How many generators a site can carry, by type and place, and what stops the next one.

Each count is a plan of its own: the site with no other generator on it, asked for as much flat
power as there can be. What is carried is the most that can be generated, in units at full load,
those among them that give what pumps, coolers and converters take; at the site's load factor each
unit runs at that share of full load on average, fuel being affine in load.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

from allocator.base.clock import Clock, OutOfTimeError
from allocator.cycles import curve_of
from allocator.engine import NoPlanError, plan_site
from allocator.model.limits import Limit, Want
from allocator.model.rules.power import own_load
from allocator.model.stating import offered
from allocator.network.deriving import network_of, studied
from allocator.network.records import Network
from allocator.plans.records import Plan, Robustness
from allocator.search import Settings
from allocator.search.elastic import Change, elastic_relaxation_of
from allocator.site.records import POWER, Demand, MachineType, Site
from allocator.studies.load_factor import load_factor_of
from allocator.studies.machines import fuel_at_load, fuel_power
from allocator.studies.running import NotInTimeError, StudyCase, Workers, run_cases
from allocator.verify.case import case_of
from allocator.verify.power import own_loads

ANYWHERE = ""
WHOLE = 1e-5
"""Units short of a whole number by no more than this are that number: rounding takes a little."""


@dataclass(frozen=True, slots=True)
class Stop:
    """What stops the next unit: how much more of one limit alone it needs (SI), if that is known.

    ``least``: what it needs in any case.
    """

    limit: Limit
    more: float | None
    least: float


@dataclass(frozen=True, slots=True)
class CarriedRow:
    """One machine type at one place (or anywhere), in units at full load; None: not determined.

    ``mean``: on mean flows, stores of any size. ``firm``: at all times, with stores that can be
    built. ``at_load_factor``: on mean flows, each at the site's load factor. ``quiet``: the mean
    flows would carry one more, and quiet spells stop it. ``stops``: limits each of which, raised
    alone, lets one more run firm. ``together``: where none does alone, limits that do at once.
    ``one_out``: at all times with any one unit out of order, where units may fail (``fails``).
    ``open``: whether one of the counts was not proven in the time to be the most.
    """

    machine: str
    place: str
    mean: float | None
    firm: float | None
    at_load_factor: float | None
    quiet: bool | None
    stops: tuple[Stop, ...]
    together: tuple[Limit, ...]
    reason: str = ""
    one_out: float | None = None
    fails: bool = False
    open: bool = False

    @property
    def next(self) -> int | None:
        """The number of the next unit."""
        return None if self.firm is None else whole(self.firm) + 1


def whole(units: float) -> int:
    """Whole units."""
    return math.floor(units + WHOLE)


def carried_rows(
    site: Site,
    settings: Settings | None = None,
    workers: Workers | None = None,
    tell: Callable[[str], object] = lambda words: None,
) -> list[CarriedRow]:
    """A row for every generator type at every place where it may stand, and anywhere.

    The settings' time limit is that of all rows together, each with an even share.
    """
    site = network_of(site)
    settings, workers = settings or Settings(), workers or Workers()
    wanted = [
        (machine.name, place)
        for machine in site.machines.values()
        if machine.power_out > 0
        for place in _places(site, machine)
    ]
    turns = math.ceil(len(wanted) / max(1, workers.count)) or 1
    each = replace(settings, time_limit=settings.time_limit / turns)
    endless = settings.node_limit is not None or workers.cluster is not None
    ends = None if endless else time.monotonic() + settings.time_limit
    cases = [
        StudyCase(f"{kind}@{place}", (site, kind, place, each, ends)) for kind, place in wanted
    ]
    found = run_cases(carried_row, cases, workers, tell=tell)
    rows = []
    for (kind, place), case in zip(wanted, cases, strict=True):
        result = found[case.key]
        if not result.ok:
            rows.append(CarriedRow(kind, place, None, None, None, None, (), (), result.reason))
            continue
        facts = dict(result.value)
        stops = tuple(
            Stop(_limit(of["limit"]), of["more"], of["least"]) for of in facts.pop("stops")
        )
        together = tuple(_limit(of) for of in facts.pop("together"))
        rows.append(CarriedRow(**facts, stops=stops, together=together))
    return rows


def _limit(facts: dict[str, Any]) -> Limit:
    return Limit(**{**facts, "path": tuple(facts["path"])})


def _places(site: Network, machine: MachineType) -> list[str]:
    usable = [place for place in machine.places if place not in site.limits.excluded_places]
    return usable if len(usable) < 2 else [*usable, ANYWHERE]


def carried_row(
    site: Network, kind: str, place: str, settings: Settings, ends: float | None = None
) -> dict[str, Any]:
    """One row as JSON. ``ends``: of the machine's monotonic clock, after which no row is begun.

    Raises:
        NotInTimeError: it is that late.
    """
    if ends is not None:
        left = ends - time.monotonic()
        if left <= 0.0:
            raise NotInTimeError
        settings = replace(settings, time_limit=min(settings.time_limit, left))
    machine = site.machines[kind]
    firm_site = alone(site, machine, place)
    factor = load_factor_of(site)
    part = replace(settings, time_limit=settings.time_limit / 5)
    mean, settled = _units(firm_site, machine, replace(part, basis="mean"))
    firm, firm_settled = _units(firm_site, machine, replace(part, basis="firm"))
    settled = settled and firm_settled
    one_out, fails = None, machine.mtbf is not None or machine.service > 0
    if fails:
        holding = replace(part, basis="firm", robustness=Robustness(machines=1))
        one_out, out_settled = _units(firm_site, machine, holding)
        settled = settled and out_settled
    slower = at_part_load(site, machine, factor)
    at_factor, slow_settled = _units(
        alone(site, slower, place), slower, replace(part, basis="mean")
    )
    limit = replace(settings, basis="firm", time_limit=settings.time_limit * 2 / 5)
    quiet = None if mean is None or firm is None else whole(mean) > whole(firm)
    left_open = not (settled and slow_settled)
    row = CarriedRow(
        kind, place, mean, firm, at_factor, quiet, (), (), "", one_out, fails, left_open
    )
    if row.next is not None:
        stops, together = _stops(firm_site, machine, row.next, limit)
        row = replace(row, stops=stops, together=together)
    return asdict(row)


def alone(site: Network, machine: MachineType, place: str) -> Network:
    """The site with one type of generator, at one place or anywhere, and all the power it can give

    asked for. Converters and pumps stay; power lines do not matter, nor other demands."""
    places = machine.places if place == ANYWHERE else {place: machine.places[place]}
    machines = {
        name: kind
        for name, kind in site.machines.items()
        if kind.power_out <= 0 and name != machine.name
    }
    machines[machine.name] = replace(machine, places=dict(places))
    built = {
        (kind, where): count
        for (kind, where), count in site.built.machines.items()
        if kind in machines and where in machines[kind].places
    }
    asked = Demand("all that can be", POWER, most_units(site, machine) * machine.power_out)
    return studied(
        site,
        # power out of a cooler's heat is another generator
        routes={name: replace(route, recovery=None) for name, route in site.routes.items()},
        machines=machines,
        demands={asked.name: asked},
        power_lines={},
        built=replace(site.built, machines=built, power_lines=()),
        goals=("served_power",),
        mixes={},
    )


def most_units(site: Network, machine: MachineType) -> float:
    """More units than the mean flows of all sources could ever keep at full load."""
    heat = mass = 0.0
    for source in site.own_sources.values():
        mean = source.flow * curve_of(source.stages).duty
        heat += mean * (site.fluids[source.fluid].heating_value or 0.0)
        mass += mean
    fuel = fuel_power(site, machine)
    by_heat = heat / fuel if fuel > 0 else 0.0
    by_mass = mass / sum(machine.inputs.values()) if machine.inputs else 0.0
    return math.ceil(by_heat if by_heat > 0 else by_mass) + 1.0


def at_part_load(site: Network, machine: MachineType, factor: float) -> MachineType:
    """A machine that always runs at a share of full load, as a machine of that size.

    Exhaust is in step with what it takes, all else that it gives with its load.
    """
    fuel = fuel_at_load(machine, factor)
    return replace(
        machine,
        inputs={fluid: rate * fuel for fluid, rate in machine.inputs.items()},
        outputs={
            fluid: rate * (fuel if site.fluids[fluid].exhaust else factor)
            for fluid, rate in machine.outputs.items()
        },
        power_out=machine.power_out * factor,
        no_load=0.0,
        min_load=0.0,
    )


def _units(site: Network, machine: MachineType, settings: Settings) -> tuple[float | None, bool]:
    """Units that give the most power that can be generated, and whether that is proven.

    None: not determined in the time, as where a plan gives nothing and no bound says that none can.
    """
    sets = offered(site, settings.basis, settings.robustness)
    takes = any(own_load(sets, bus) for bus in sets.buses())
    part = replace(settings, time_limit=settings.time_limit / 2) if takes else settings
    try:
        plan = plan_site(site, part).plan
    except NoPlanError as error:
        return (0.0, True) if error.outcome.proven_impossible else (None, False)
    generated = plan.power.firm_total
    proven = all(goal.gap is not None and goal.gap <= settings.gap for goal in plan.goals[:1])
    if takes:
        # pumps, coolers and converters live off these units too, so what they take is carried as
        # well, and the most is not where the most is left for demands
        case = case_of(site, plan)
        generated += math.fsum(case.at_peak(loads) for loads in own_loads(case).values())
        most, proven = _most_generated(site, part, plan)
        generated = max(generated, most)
    return (None if generated <= 0.0 and not proven else generated / machine.power_out), proven


def _most_generated(site: Network, settings: Settings, plan: Plan) -> tuple[float, bool]:
    """The most that is found to be generated, W, and whether there is no more."""
    (asked,) = site.demands.values()
    clock = Clock(None if settings.node_limit is not None else settings.time_limit)
    try:
        elastic = elastic_relaxation_of(site, settings, clock, (_generated(asked.mean),))
    except OutOfTimeError:
        return 0.0, False
    elastic.begin_from(plan)
    (want,) = _wants(elastic.limits)
    lacking = elastic.least_change(want, clock.left(), gap=settings.gap / 10)
    return (0.0 if lacking.amount is None else asked.mean - lacking.amount), lacking.proven


def _generated(watts: float) -> Want:
    return Want("generated", "", watts, "")


def _stops(
    site: Network, machine: MachineType, units: int, settings: Settings
) -> tuple[tuple[Stop, ...], tuple[Limit, ...]]:
    """Limits that, raised alone, let so many units run firm, the smallest change first; and where

    none does alone, those that the relaxation would raise at once."""
    want = _generated(units * machine.power_out * (1.0 - WHOLE / 10))
    clock = Clock(None if settings.node_limit is not None else settings.time_limit)
    (asked,) = site.demands.values()
    if want.amount > asked.mean:
        site = studied(site, demands={asked.name: replace(asked, mean=want.amount * 2)})
    try:
        elastic = elastic_relaxation_of(site, settings, clock, (want,))
    except OutOfTimeError:
        return (), ()
    limits = [one for one in elastic.limits if one.kind != "want"]
    changes: list[Change] = []
    for number, one in enumerate(limits):
        left = clock.left()
        part = None if left is None else max(0.5, left / (len(limits) - number))
        changes.append(elastic.least_change(one, part))
    known = [c for c in changes if c.amount is not None]
    known.sort(key=lambda c: (c.amount or 0.0) / max(abs(c.limit.value), 1e-12))
    unknown = [c for c in changes if c.amount is None and not c.proven and c.least > 0]
    stops = tuple(Stop(c.limit, c.amount, c.least) for c in (*known, *unknown))
    if stops or not all(change.proven for change in changes):
        return stops, ()
    return (), tuple(elastic.relaxed_limits([*_wants(elastic.limits)]))


def _wants(limits: tuple[Limit, ...]) -> Iterator[Limit]:
    return (one for one in limits if one.kind == "want")
