"""Rules of baths: how warm each gets and what is enough, by stepping its equation through time.

``C dT/dt = Q + G (T_hot - T) - UA (T - T_air) - draws``, each draw while the bath is warmer than
where it begins; boiling takes all that comes. Between two such temperatures the solution is an
exponential. Periods are stepped through until one ends as warm as it began; the next guess is
drawn from two of them (Aitken's rule, exact where nothing switches) within a bracket.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

from allocator.base.errors import AllocatorError
from allocator.physics.substances import Substance, saturation_temperature, value
from allocator.plans.records import HeatSinkUse
from allocator.site.records import HeatSink
from allocator.verify.case import Case
from allocator.verify.cycle import Cycle, source_cycle
from allocator.verify.properties import substance_of
from allocator.verify.report import Findings
from allocator.verify.sure_clocks import is_exact

KELVINS = 0.05
"""K by which two models of a bath may differ, beside a share of what it warms."""
SHARE = 1e-3
SETTLED = 1e-6
MOST_PERIODS = 300
MOST_STEPS = 4000
AGREEMENTS = 12
"""Rounds in which the heat a kelvin of gas and the temperature that it leads to agree."""
STEPS = 24
"""Temperatures of a bath at which the heat of gas is looked up, beside its coldest."""
HOTTEST = 1e5
"""K beyond which nothing is said to settle: more heat comes than can ever leave."""
LESS = 0.9
"""Share of the least duty that is told of a cooler which is not enough."""
WATER = ("water", "h2o", "if97::water")
TOUCHING = 1e-9
"""K within which a bath is at the temperature where a draw begins."""


def check_heat_sinks(case: Case, findings: Findings) -> None:
    """Each bath is told once and truly, and no smaller set than the one told is enough."""
    told = {use.name: use for use in case.plan.heat_sinks}
    for name, heat_sink in case.whole.heat_sinks.items():
        subject = f"heat sink {name!r}"
        use = told.get(name)
        if use is None:
            known = _can_be_known(case, heat_sink)
            findings.holds("heat_sink_told", subject, not known, "its temperature is not stated")
            continue
        findings.holds(
            "heat_sink_source", subject, use.source == heat_sink.source, "its source is wrong"
        )
        offered = (use.recovery <= (heat_sink.recovery is not None)) and (
            use.cooler <= (heat_sink.cooler is not None)
        )
        offered = offered and mass_of(heat_sink, use) in (heat_sink.masses or (heat_sink.mass,))
        if findings.holds(
            "heat_sink_set", subject, offered, "the site has no such thing beside it"
        ):
            _check(case, findings, heat_sink, use)


def mass_of(heat_sink: HeatSink, use: HeatSinkUse) -> float:
    """kg that a plan tells of a bath; that of the site where it tells none."""
    return heat_sink.mass if use.mass is None else use.mass


def _check(case: Case, findings: Findings, heat_sink: HeatSink, use: HeatSinkUse) -> None:
    subject, room = f"heat sink {heat_sink.name!r}", _room(case, heat_sink)
    full = heat_sink.cooler.duty if heat_sink.cooler is not None and use.cooler else 0.0
    told = replace(heat_sink, mass=mass_of(heat_sink, use))
    found = reached(case, told, use.recovery, full)
    margin = margin_of(heat_sink, found)
    findings.equals("heat_sink_hottest", subject, use.high, found.high, "K", "the warmest", room)
    if use.outlet is None or found.outlet is None:
        same = use.outlet is None and found.outlet is None
        findings.holds(
            "heat_sink_outlet", subject, same, "whether its gas is known is stated wrongly"
        )
    else:
        findings.equals("heat_sink_outlet", subject, use.outlet, found.outlet, "K", "its gas", room)
    findings.equals("heat_sink_margin", subject, use.margin, margin, "K", "the margin", room)
    findings.holds(
        "heat_sink_keeps",
        subject,
        use.keeps == (use.margin >= 0),
        "whether it keeps its limits is stated wrongly",
    )
    for cooler, mass, recovery in () if use.used else _sets(heat_sink):
        if (cooler, mass, recovery) < (use.cooler, told.mass, use.recovery) or not use.keeps:
            duty = heat_sink.cooler.duty if heat_sink.cooler is not None and cooler else 0.0
            smaller = margin_of(
                heat_sink, reached(case, replace(heat_sink, mass=mass), recovery, duty)
            )
            findings.at_most(
                "heat_sink_smallest", subject, smaller, room, "K", "the margin of a smaller set"
            )
    findings.holds(
        "heat_sink_cooling",
        subject,
        use.cooling is None or use.cooler,
        "has no cooler to take so much",
    )
    if use.cooling is not None:
        less = margin_of(heat_sink, reached(case, told, use.recovery, LESS * use.cooling))
        findings.at_most(
            "heat_sink_cooling", subject, less, room, "K", "the margin with a tenth less"
        )
        enough = margin_of(heat_sink, reached(case, told, use.recovery, use.cooling))
        findings.at_least(
            "heat_sink_cooling", subject, enough, -room, "K", "the margin with so much cooling"
        )


def _sets(heat_sink: HeatSink) -> Iterator[tuple[bool, float, bool]]:
    """What could stand there: with a cooler or not, kg, with recovery or not."""
    for cooler in (False, True) if heat_sink.cooler is not None else (False,):
        for mass in heat_sink.masses or (heat_sink.mass,):
            for recovery in (False, True) if heat_sink.recovery is not None else (False,):
                yield cooler, mass, recovery


def _room(case: Case, heat_sink: HeatSink) -> float:
    hot = case.whole.sources[heat_sink.source].temperature or heat_sink.max_temperature
    return KELVINS + SHARE * abs(hot - case.whole.ambient.temperature)


class Reached(NamedTuple):
    """K: the warmest at any time, of the gas that leaves (None where its heat is given), and the

    warmest and the coldest of the cycle that repeats itself."""

    high: float
    outlet: float | None
    settled_high: float = math.inf
    settled_low: float = 0.0


def margin_of(heat_sink: HeatSink, found: Reached) -> float:
    """K to the nearest limit; below zero where one is broken."""
    margin = heat_sink.max_temperature - found.high
    if heat_sink.max_outlet_temperature is not None and found.outlet is not None:
        margin = min(margin, heat_sink.max_outlet_temperature - found.outlet)
    return margin


@dataclass(slots=True)
class Seen:
    """K seen so far: the warmest, the warmest while heat comes, and the coldest."""

    high: float = 0.0
    high_on: float = 0.0
    low: float = math.inf

    def see(self, now: float, on: bool) -> None:
        if now > self.high:
            self.high = now
        if now < self.low:
            self.low = now
        if on and now > self.high_on:
            self.high_on = now


@dataclass(frozen=True, slots=True)
class Body:
    """A bath as a lumped mass. ``draws``: (K above which it takes, W at most)."""

    capacity: float
    loss: float
    around: float
    draws: tuple[tuple[float, float], ...]

    def step(
        self, seen: Seen, now: float, span: float, heat: float, contact: float, hot: float
    ) -> float:
        """K after ``span`` s of one inflow; what it passes on its way is ``seen``."""
        seen.see(now, heat + contact > 0)
        while span > 0:
            taken, stays = self._taken(now, heat, contact, hot)
            if stays:
                break
            into = heat + contact * hot + self.loss * self.around - taken
            out = contact + self.loss
            rising = into - out * now > 0
            marks = [
                above
                for above, _ in self.draws
                if (above - now > TOUCHING if rising else now - above > TOUCHING)
            ]
            mark = (min(marks) if rising else max(marks)) if marks else None
            now, span = self._toward(now, span, into, out, mark)
            seen.see(now, heat + contact > 0)
        return now

    def _taken(self, now: float, heat: float, contact: float, hot: float) -> tuple[float, bool]:
        """W taken just now, and whether a draw holds the bath where it is."""
        taken = math.fsum(most for above, most in self.draws if now - above > TOUCHING)
        for above, most in self.draws:
            if abs(now - above) <= TOUCHING:
                left = heat + contact * (hot - now) - self.loss * (now - self.around) - taken
                if left <= 0:
                    continue
                if left <= most:
                    return taken, True
                taken += most
        return taken, False

    def _toward(
        self, now: float, span: float, into: float, out: float, mark: float | None
    ) -> tuple[float, float]:
        """K at the end, or at the next mark, and the seconds that are left then."""
        if out <= 0:
            rate = into / self.capacity
            if mark is not None and rate and (mark - now) / rate < span:
                return mark, span - (mark - now) / rate
            return now + rate * span, 0.0
        limit, lag = into / out, self.capacity / out
        if mark is not None and (limit - mark) * (limit - now) > 0 and now != limit:
            seconds = lag * math.log((limit - now) / (limit - mark))
            if seconds < span:
                return mark, span - seconds
        return limit + (now - limit) * math.exp(-span / lag), 0.0


def reached(case: Case, heat_sink: HeatSink, recovery: bool, cooling: float) -> Reached:
    """How warm a bath gets from its start on, for ever."""
    site = case.whole
    source = site.sources[heat_sink.source]
    # No admitted cycle of an inexact source brings more than one that never turns off.
    cycle = source_cycle(source.stages if is_exact(site, source) else ())
    body = body_of(case, heat_sink, recovery, cooling)
    top, lowest = hottest_within(case, heat_sink, body), coldest(case, heat_sink)
    found, before = Reached(math.inf, None), -1.0
    for _ in range(AGREEMENTS):
        inflow = _inflow(case, heat_sink, lowest, top)
        if inflow[1] <= before * (1 + SETTLED):
            break
        before, found = inflow[1], marched(heat_sink, body, cycle, inflow)
        if before == 0.0 or found.high <= top:
            break
        top = found.high
    return found


def hottest_within(case: Case, heat_sink: HeatSink, body: Body) -> float:
    """K that a bath may come to by its limit, its gas and where it boils."""
    hot = case.whole.sources[heat_sink.source].temperature or math.inf
    boils = min((above for above, most in body.draws if math.isinf(most)), default=math.inf)
    return max(min(heat_sink.max_temperature, boils, hot), coldest(case, heat_sink))


def coldest(case: Case, heat_sink: HeatSink) -> float:
    """K below which a bath never is."""
    air = case.whole.ambient.temperature
    return min(outside(case, heat_sink), air, heat_sink.initial_temperature)


def _inflow(
    case: Case, heat_sink: HeatSink, lowest: float, top: float
) -> tuple[float, float, float]:
    """While the source is on, in a bath between two temperatures: W, and W/K from gas at K."""
    source = case.whole.sources[heat_sink.source]
    if heat_sink.heat_while_on is not None:
        return heat_sink.heat_while_on, 0.0, 0.0
    if source.temperature is None:
        return 0.0, 0.0, 0.0
    heat = most_heat(case, heat_sink, lowest, min(top, source.temperature))
    return 0.0, heat_sink.effectiveness * source.flow * heat, source.temperature


def most_heat(case: Case, heat_sink: HeatSink, lowest: float, top: float) -> float:
    """J/(kg K): the greatest mean specific heat of gas that cools in a bath of so many K."""
    source = case.whole.sources[heat_sink.source]
    hot = source.temperature or 0.0
    gas = substance_of(case, source.fluid)
    pressure = source.pressure or case.whole.ambient.pressure
    baths = [top + (lowest - top) * i / STEPS for i in range(STEPS + 1)]
    leaves = [hot - heat_sink.effectiveness * (hot - kelvin) for kelvin in baths]
    return max(mean_heat(gas, min(kelvin, hot - 0.01), hot, pressure) for kelvin in leaves)


class Spans(NamedTuple):
    """A cycle: s that each rate lasts; its period and its mean; ``steady``: one rate for ever."""

    lasts: tuple[tuple[float, float], ...]
    period: float
    mean: float
    steady: bool


def marched(
    heat_sink: HeatSink, body: Body, cycle: Cycle, inflow: tuple[float, float, float]
) -> Reached:
    """How warm a body gets. ``inflow``: while the source is on, W, and W/K from gas at K."""
    times = [*cycle.times.tolist(), cycle.period]
    lasts = tuple(
        (times[number + 1] - times[number], rate)
        for number, rate in enumerate(cycle.rates.tolist())
    )
    spans = Spans(lasts, cycle.period, cycle.mean, cycle.steady)
    return _marched(heat_sink.initial_temperature, heat_sink.effectiveness, body, spans, inflow)


@lru_cache(maxsize=256)
def _marched(
    start: float, effectiveness: float, body: Body, spans: Spans, inflow: tuple[float, float, float]
) -> Reached:
    """The same, kept: rules ask for one heat sink more than once, and so does a second audit."""
    heat, contact, hot = inflow
    lag = body.capacity / max(body.loss + contact * spans.mean, 1e-9)
    rates = [(span, heat * rate, contact * rate) for span, rate in spans.lasts]
    turns = max(1, min(MOST_STEPS // (len(rates) + 1), math.ceil(lag / spans.period)))

    def turn(seen: Seen, now: float) -> float:
        """As many periods as last a time constant, or no more steps than are quick."""
        if spans.steady:
            return body.step(seen, now, 30 * lag, heat, contact, hot)
        for _ in range(turns):
            for span, warms, touches in rates:
                now = body.step(seen, now, span, warms, touches, hot)
        return now

    begin = _settled(body, turn, start)
    if begin is None:
        return Reached(math.inf, None)
    first, again = Seen(), Seen()
    turn(first, start)  # the first may be the hottest
    turn(again, begin)
    high_on = max(first.high_on, again.high_on)
    outlet = hot - effectiveness * (hot - high_on) if contact else None
    return Reached(max(first.high, again.high), outlet, again.high, again.low)


def _settled(body: Body, turn: Callable[[Seen, float], float], start: float) -> float | None:
    """K at the start of the stretch that repeats itself; None where nothing settles."""
    guessing = Seen()  # what a guess passes on its way is not reached
    low = 0.0
    high = min((above for above, most in body.draws if math.isinf(most)), default=math.inf)
    now = min(start, high)
    for _ in range(MOST_PERIODS):
        once = turn(guessing, now)
        first = once - now
        if once > HOTTEST:
            return None
        if abs(first) < SETTLED or high - low < SETTLED:
            break
        # what ends warmer began colder than the one that repeats itself, and vice versa
        low, high = (max(low, now), high) if first > 0 else (low, min(high, now))
        twice = turn(guessing, once)
        slope = (twice - once) / first
        aim = once + (twice - once) / (1 - slope) if slope < 1 else math.nan
        otherwise = (low + high) / 2 if math.isfinite(high) else twice
        now = aim if low < aim < high else otherwise
    return now


def body_of(case: Case, heat_sink: HeatSink, recovery: bool, cooling: float) -> Body:
    site = case.whole
    draws = []
    if recovery and heat_sink.recovery is not None:
        draws.append((heat_sink.recovery.threshold, heat_sink.recovery.duty))
    if cooling > 0 and heat_sink.cooler is not None:
        draws.append((heat_sink.cooler.set_point, cooling))
    specific = heat_sink.specific_heat or 0.0
    if heat_sink.fluid is not None:
        fluid = site.fluids[heat_sink.fluid]
        substance = substance_of(case, heat_sink.fluid, dry=True)
        own = fluid.constants.get("specific_heat")
        around = site.ambient.temperature
        if fluid.phase == "liquid" and fluid.substance is not None:
            boils = boils_at(fluid.substance, heat_sink.pressure)
            draws.append((boils, math.inf))
            cold = max(around, 273.16) if fluid.substance.lower() in WATER else around
            pure = Substance(
                fluid.name, fluid.phase, fluid.substance, {}, (around, heat_sink.pressure)
            )
            specific = own or mean_heat(pure, cold, boils - 0.01, heat_sink.pressure)
        else:
            specific = float(value(substance, "specific_heat", around, heat_sink.pressure))
    return Body(
        heat_sink.mass * specific,
        heat_sink.loss_conductance,
        outside(case, heat_sink),
        tuple(draws),
    )


def outside(case: Case, heat_sink: HeatSink) -> float:
    """K of what a bath loses heat to: the air, unless its file says otherwise."""
    own = heat_sink.outside_temperature
    return case.whole.ambient.temperature if own is None else own


def boils_at(library: str, pressure: float) -> float:
    return saturation_temperature("IF97::Water" if library.lower() in WATER else library, pressure)


def mean_heat(substance: Substance, cold: float, hot: float, pressure: float) -> float:
    """J/(kg K) between two temperatures: Simpson's rule over eight steps."""
    weights = (1, 4, 2, 4, 2, 4, 2, 4, 1)
    kelvin = [cold + (hot - cold) * i / 8 for i in range(9)]
    heats = [float(value(substance, "specific_heat", k, pressure)) for k in kelvin]
    return math.fsum(w * h for w, h in zip(weights, heats, strict=True)) / 24


def _can_be_known(case: Case, heat_sink: HeatSink) -> bool:
    """Whether all properties that it takes are known, and it settles. Other errors are raised."""
    try:
        body = body_of(case, heat_sink, False, 0.0)
        _inflow(case, heat_sink, coldest(case, heat_sink), hottest_within(case, heat_sink, body))
    except AllocatorError:  # a property that neither the site nor the library gives there
        return False
    sets = [(r, c) for r in (False, True) for c in (False, True)]
    duty = 0.0 if heat_sink.cooler is None else heat_sink.cooler.duty
    found = [reached(case, heat_sink, recovery, duty * cooler) for recovery, cooler in sets]
    return all(math.isfinite(one.high) for one in found)
