"""What a bath does for ever, and the set that keeps its limits: alone, or in a plan."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from allocator.network.heat_sink_body import (
    NO_COOLER,
    Coming,
    Filling,
    HeatSinkError,
    body_of,
    coming,
    filling,
    period_of,
)
from allocator.network.records import Network
from allocator.physics.faults import PhysicsError
from allocator.physics.heat_sink_cycles import CycleBlock, Repeat
from allocator.physics.heat_sink_settled import HeatSinkCourse, course, least
from allocator.physics.thermal_mass import HeatDraw, ThermalMass
from allocator.plans.records import HeatSinkUse, Plan
from allocator.site.records import HeatSink

BURSTS = 2.0
"""Swings of a burst below the limit from which a cooler runs that the site does not have yet."""

EVER = 10**9
"""Outermost periods in which recovery may begin."""

ROUNDS = 30
AGREED = 1e-7
"""Share of the heat a kelvin to which it agrees with the temperature that it leads to."""

LEAST_SHARE = 1e-4
"""The smallest mass or duty that is tried, as a share of the largest."""


@dataclass(frozen=True, slots=True)
class SinkState:
    """A bath of ``mass`` kg with recovery or not, and ``cooling`` W of a cooler, for ever.

    K: ``low``, ``high`` (settled, or at first if hotter), ``outlet`` (gas that leaves, None where
    not known), ``burst`` (most gained in one burst), ``spell`` (settled swing over the outermost
    period), ``margin`` to the nearest limit (negative: broken). ``drives_after``: s from the start
    until recovery can be driven, None never. W, mean over time: ``came``, ``lost``, ``recovered``
    at the most, ``power`` of what is surely recovered, ``cooled``, ``spent`` on cooling, ``boiled``
    off. ``steam``: kg/s, mean.
    """

    mass: float
    recovery: bool
    cooling: float
    low: float
    high: float
    outlet: float | None
    burst: float
    spell: float
    margin: float
    drives_after: float | None
    came: float
    lost: float
    recovered: float
    power: float
    cooled: float
    spent: float
    boiled: float
    steam: float

    @property
    def keeps(self) -> bool:
        """Whether every limit is kept."""
        return self.margin >= 0


@dataclass(frozen=True, slots=True)
class SinkChoice:
    """What could stand beside a bath, and its ``state`` with all the duty of the cooler.

    ``needs``: the least duty (W) that keeps every limit, None without cooler or where none does.
    """

    recovery: bool
    cooler: bool
    state: SinkState
    needs: float | None = None


@dataclass(frozen=True, slots=True)
class HeatSinkStudy:
    """A bath, and what it takes to work a state of it out."""

    site: Network
    heat_sink: HeatSink
    filling: Filling
    coming: Coming

    @staticmethod
    def of(site: Network, heat_sink: HeatSink) -> HeatSinkStudy:
        """Raises :class:`HeatSinkError` where something of it is not known."""
        within = filling(site, heat_sink)
        return HeatSinkStudy(site, heat_sink, within, coming(site, heat_sink, within))

    def state(self, mass: float, recovery: bool = True, cooling: float = 0.0) -> SinkState:
        """With so much in it (kg), and so much of a cooler (W)."""
        heat_sink = self.heat_sink
        recovery = recovery and heat_sink.recovery is not None
        cooler = HeatDraw(self.set_point(), cooling) if cooling else NO_COOLER
        body = body_of(self.site, heat_sink, self.filling, mass, recovery, cooler)
        comes, period, found = self._hottest(body)
        rest, high, totals = found.rest, found.high, period.totals(found.begin)
        outlet = comes.outlet(heat_sink, found.high_on)
        recovered, cooled = (heat / period.span for heat in totals.drawn[:2])
        sure = self._sure(body) if recovery and comes.sure < comes.contact else recovered
        boiled = math.fsum(totals.drawn[2:]) / period.span
        return SinkState(
            mass,
            recovery,
            cooling,
            low=min(rest.low, heat_sink.initial_temperature),
            high=high,
            outlet=outlet,
            burst=rest.rise,
            spell=rest.high - rest.low,
            margin=self._margin(high, outlet),
            drives_after=self._drives_after(mass, high) if recovery else None,
            came=totals.came / period.span,
            lost=totals.lost / period.span,
            recovered=recovered,
            power=sure * heat_sink.recovery.efficiency if heat_sink.recovery else 0.0,
            cooled=cooled,
            spent=cooled * heat_sink.cooler.power_share if heat_sink.cooler else 0.0,
            boiled=boiled,
            steam=boiled / self.filling.per_kg,
        )

    def _hottest(self, body: ThermalMass) -> tuple[Coming, CycleBlock, HeatSinkCourse]:
        """What comes at the most, and what it makes of a body.

        The hotter it gets beyond its limit, the more heat a kelvin hot gas may bring: until both
        agree.
        """
        source, comes = self.site.sources[self.heat_sink.source], self.coming
        for _ in range(ROUNDS):
            period = period_of(self.site, self.heat_sink, body, comes)
            found = course(body, period, self.heat_sink.initial_temperature)
            more = comes.up_to(self.heat_sink, source, found.high)
            if more.contact <= comes.contact * (1 + AGREED):
                break
            comes = more
        return comes, period, found

    def _sure(self, body: ThermalMass) -> float:
        """W that recovery takes at the least, mean over time."""
        comes = self.coming._replace(contact=self.coming.sure)
        period = period_of(self.site, self.heat_sink, body, comes)
        found = course(body, period, self.heat_sink.initial_temperature)
        return period.totals(found.begin).drawn[0] / period.span

    def choices(self) -> tuple[SinkChoice, ...]:
        """The sets that the site offers, the smallest first."""
        heat_sink, found = self.heat_sink, []
        for cooler in (False, True) if heat_sink.cooler else (False,):
            for recovery in (False, True) if heat_sink.recovery else (False,):
                duty = heat_sink.cooler.duty if heat_sink.cooler and cooler else 0.0
                state = self.state(heat_sink.mass, recovery, duty)
                needs = self.least_duty(recovery) if cooler else None
                found.append(SinkChoice(recovery, cooler, state, needs))
        return tuple(found)

    def least_duty(self, recovery: bool) -> float | None:
        """W that a cooler must take at least to keep every limit, None when none does."""
        if self.state(self.heat_sink.mass, recovery).keeps:
            return 0.0
        top = self.coming.most(self.set_point())  # holds the bath at the set-point for ever
        if top <= 0:
            return None

        def keeps(duty: float) -> bool:
            return self.state(self.heat_sink.mass, recovery, duty).keeps

        return least(keeps, LEAST_SHARE * top, top)

    def set_point(self) -> float:
        """K from which the site's cooler runs, or one that it does not have yet.

        That one leaves room for two bursts below what the bath may reach: at the limit itself it
        would have to cool each burst as it arrives, and the mass would be of no use.
        """
        heat_sink = self.heat_sink
        if heat_sink.cooler is not None:
            return heat_sink.cooler.set_point
        floor = (heat_sink.max_temperature + self.site.ambient.temperature) / 2
        if (
            heat_sink.recovery is not None
            and heat_sink.recovery.threshold < heat_sink.max_temperature
        ):
            floor = max(floor, heat_sink.recovery.threshold)  # it must not starve recovery
        return max(heat_sink.max_temperature - BURSTS * self.state(heat_sink.mass).burst, floor)

    def _margin(self, high: float, outlet: float | None) -> float:
        margin = self.heat_sink.max_temperature - high
        if self.heat_sink.max_outlet_temperature is not None and outlet is not None:
            margin = min(margin, self.heat_sink.max_outlet_temperature - outlet)
        return margin

    def _drives_after(self, mass: float, high: float) -> float | None:
        """Up to the threshold recovery draws nothing, so it is reached as without it."""
        assert self.heat_sink.recovery is not None
        threshold = self.heat_sink.recovery.threshold
        if high < threshold:
            return None
        body = body_of(self.site, self.heat_sink, self.filling, mass, True, NO_COOLER)
        period = period_of(self.site, self.heat_sink, body, self.coming)
        return Repeat(period, EVER).reach(self.heat_sink.initial_temperature, threshold)


def smallest_of(choices: tuple[SinkChoice, ...]) -> SinkChoice | None:
    """The smallest set that keeps every limit."""
    return next((choice for choice in choices if choice.state.keeps), None)


def heat_sink_uses(site: Network, plan: Plan) -> tuple[HeatSinkUse, ...]:
    """What a plan tells of each bath, with its margin: the set through which it leads gas.

    Of a bath that it does not use, the smallest set that keeps every limit: without cooler if that
    may be, then of the least mass, then without recovery. Where none keeps them, all that the site
    has for it. A bath of which something is not known is left out.
    """
    sinks = {sink.heat_sink: sink for run in plan.runs if (sink := site.pipes[run.build].sink)}
    found = []
    for heat_sink in site.heat_sinks.values():
        sink = sinks.get(heat_sink.name)
        try:
            study = HeatSinkStudy.of(site, heat_sink)
            if sink is not None:
                chosen = SinkChoice(sink.recovery, False, study.state(sink.mass, sink.recovery))
            else:
                chosen = _smallest(study)
        except (HeatSinkError, PhysicsError):
            continue
        state = chosen.state
        found.append(
            HeatSinkUse(
                heat_sink.name,
                heat_sink.source,
                chosen.recovery,
                chosen.cooler,
                state.keeps,
                state.high,
                state.outlet,
                state.margin,
                chosen.needs if chosen.cooler and state.keeps else None,
                state.mass,
                sink is not None,
                None if sink is None else sink.outlet,
            )
        )
    return tuple(found)


def _smallest(study: HeatSinkStudy) -> SinkChoice:
    """The smallest set of a bath that keeps every limit, or all that there is for it."""
    heat_sink = study.heat_sink
    listed = [
        replace(study, heat_sink=replace(heat_sink, mass=mass)).choices()
        for mass in heat_sink.offered
    ]
    choices = [choice for found in listed for choice in found]
    ordered = sorted(choices, key=lambda choice: choice.cooler)  # stable: by mass, then recovery
    return smallest_of(tuple(ordered)) or choices[-1]
