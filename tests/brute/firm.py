"""The firm basis of a small site for fixed whole numbers: sources, stores and bursts."""

from __future__ import annotations

from collections.abc import Hashable
from functools import cache

import numpy as np
from brute.basis import Basis, Pool, is_clean, shape_of, times
from brute.choices import own_sources, spots, uneven
from brute.outlets import Outlet, content, most_drawn, outlets
from tiny_program import DAY, FLAT, HOUR, Terms, level, level_hours, levels_more, sums

from allocator.site.records import POWER, MachineType, StoreType


@cache
def windows(hours: tuple[float, ...], length: int) -> tuple[float, float]:
    """The least and the most of a day's hours in any window of a length, in hours."""
    found = sums(np.array(hours), length)
    return float(found.min()), float(found.max())


Fed = list[tuple[np.ndarray, float, Hashable]]
"""What fills a store while it is on, hour by hour: (on, kg or J a unit of the variable, key)."""

Sent = list[tuple[Outlet, Hashable]]
"""What is sent to one end: way out of a source, and the rate while it is on."""

Draws = list[tuple[str, Hashable]]


class Firm(Basis):
    """Separate promises of stores, and two layers of flow.

    What a source sends while it is on is *collected*: into a store, or into machines that burn it
    as it comes before a battery. What is there all of the time is *supplied*, flat or following
    the profile of the demands.
    """

    def state(self) -> None:
        profiles = [d.profile for d in self.site.demands.values() if d.profile is not None]
        self.beta = level_hours(profiles[0]) if profiles else np.ones(DAY)
        self.outlets = outlets(self.site)
        self.taken: dict[str, Terms] = {outlet.name: [] for outlet in self.outlets}
        self.batteries = [
            (kind, place)
            for kind in self.site.storage.values()
            if kind.holds == POWER
            for place in kind.places
        ]
        self.supply = {
            (fluid, shape): self.moved(("supply", fluid, shape), fluid, self.peak(shape))
            for fluid in self.fuels
            for shape in self.shapes
        }
        self._sizes()
        self._stores()
        self._direct()
        self._battery_parts()
        self._flares()
        self._machines()
        self._demands()
        self.balanced(list(self.supply.values()))
        self._out_of_sources()

    def peak(self, shape: str) -> float:
        """The highest level of a shape of mean 1."""
        return 1.0 if shape == FLAT else float(self.beta.max())

    # Sources.

    def _out_of_sources(self) -> None:
        """All ways out of a source together are within its flow and its pump, and its chamber

        never runs dry: ``C + F sum on >= sum r_i sum on_i`` over every window, with what follows a
        profile at its peak.
        """
        for name, source in own_sources(self.site).items():
            ways = [outlet for outlet in self.outlets if outlet.source == name]
            all_on = [term for way in ways for term in self.taken[way.name]]
            self.program.most(all_on, most_drawn(source) * self.whole.tap[name])
            if len(ways) == 1:
                continue
            held, on = content(self.site, source), ways[0].on
            # While it is on no more is drawn than comes: the worst windows begin with a pause.
            pauses = [hour for hour in range(DAY) if on[hour] < on[hour - 1]]
            for length in (*range(1, DAY + 1), None):
                hours = length or DAY
                for start in pauses:
                    given = source.flow * sums(on, hours)[start] * HOUR
                    drawn: Terms = []
                    for way in ways:
                        seconds = float(sums(way.on, hours)[start]) * HOUR
                        drawn += times(self.taken[way.name], seconds)
                    self.program.most(drawn, given + (held if length is not None else 0.0))

    # Stores.

    def _sizes(self) -> None:
        for kind in self.site.storage.values():
            for place in kind.places:
                me, size = (kind.name, place), ("size", kind.name, place)
                stands = self.whole.stands.get(me, 1)
                self.program.variable(size, kind.max_size * stands)
                if me in self.whole.stands and stands:
                    self.program.least([(1.0, size)], kind.min_size)
                if kind.unit is not None:
                    self.program.exactly([(1.0, size)], kind.unit * self.whole.units[me])
                for name, mass in kind.materials.items():
                    self.sizes[name].append((mass, size))

    def promise(
        self,
        size: Terms,
        loss: float,
        fed: Fed,
        steady: Terms,
        draws: list[tuple[str, Hashable]],
    ) -> None:
        """``size (1 - loss L) + sum r tau(L) + steady L >= sum draw beta(L)`` for every window.

        All begins anew every day, so the windows of up to a day and the long run are all.
        """
        for length in (*range(1, DAY + 1), None):
            hours = length or DAY
            # The long run: what a whole day brings covers what a whole day takes.
            held = 0.0 if length is None else 1.0
            terms = times(size, held - loss * hours * HOUR) + times(steady, hours * HOUR)
            for on, weight, key in fed:
                terms.append((weight * windows(tuple(on), hours)[0] * HOUR, key))
            for shape, key in draws:
                most = float(hours) if shape == FLAT else windows(tuple(self.beta), hours)[1]
                terms.append((-most * HOUR, key))
            self.program.least(terms, 0.0)

    def collected(self, key: Hashable, fluid: str, place: str) -> list[tuple[Outlet, Hashable]]:
        """A new end of the collect layer: (outlet, rate while on) of what it is sent."""
        balance = self.moved(("collect", key), fluid)
        sent: list[tuple[Outlet, Hashable]] = []
        for outlet in self.outlets:
            source = self.site.sources[outlet.source]
            if source.fluid == fluid:
                rate = ("collect", outlet.name, key)
                self.program.variable(rate)
                balance[source.place].append((1.0, rate))
                self._take(outlet, 1.0, rate)
                self.comes(source, float(outlet.on.mean()), rate)
                sent.append((outlet, rate))
        for spot, terms in balance.items():
            if spot == place:
                # All ends here; nothing that has come for this end leaves it again.
                for value, flow in terms:
                    if value < 0:
                        self.program.most([(1.0, flow)], 0.0)
            elif terms:
                self.program.exactly(terms, 0.0)
        return sent

    def _take(self, outlet: Outlet, peak: float, key: Hashable) -> None:
        """A rate out of a source; its pump is paid for as if the source were always on."""
        self.taken[outlet.name].append((peak, key))
        pump = self.site.sources[outlet.source].pump
        if pump is not None:
            self.own.append((pump.energy * peak, key))

    def _stores(self) -> None:
        self.held: dict[tuple[str, str], tuple[StoreType, Sent, Hashable, Draws]] = {}
        for kind in self.site.storage.values():
            for place in kind.places if kind.holds != POWER else ():
                me = (kind.name, place)
                sent = self.collected(("store", me), kind.holds, place)
                inflow = ("inflow", me)
                self.program.variable(inflow)
                self.supply[kind.holds, FLAT][place].append((-1.0, inflow))
                draws: Draws = []
                self.held[me] = (kind, sent, inflow, draws)
                for shape in self.shapes:
                    draw = ("draw", me, shape)
                    self.program.variable(draw)
                    self.supply[kind.holds, shape][place].append((1.0, draw))
                    draws.append((shape, draw))
                fed: Fed = [(outlet.on, 1.0, rate) for outlet, rate in sent]
                self.promise([(1.0, ("size", *me))], kind.loss, fed, [(1.0, inflow)], draws)
                if kind.fill_rate is not None:
                    arriving: Terms = [(1.0, rate) for _, rate in sent]
                    self.program.most([*arriving, (1.0, inflow)], kind.fill_rate)
                if kind.release_rate is not None:
                    released: Terms = [(self.peak(shape), draw) for shape, draw in draws]
                    self.program.most(released, kind.release_rate)

    def _direct(self) -> None:
        """What is always on is supplied without a store."""
        for outlet in self.outlets:
            source = self.site.sources[outlet.source]
            for shape in self.shapes if outlet.steady else ():
                if (source.fluid, shape) in self.supply:
                    key = ("direct", outlet.name, shape)
                    self.program.variable(key)
                    self.supply[source.fluid, shape][source.place].append((1.0, key))
                    self._take(outlet, self.peak(shape), key)
                    self.comes(source, 1.0, key)

    # Batteries: each is shared out in parts.

    def _batteries(self) -> list[tuple[str, str]]:
        return [(kind.name, place) for kind, place in self.batteries]

    def _battery_parts(self) -> None:
        self.parts: dict[tuple[str, str], Terms] = {}
        self.into: dict[tuple[str, str], Terms] = {me: [] for me in self._batteries()}
        self.out_of: dict[tuple[str, str], Terms] = {me: [] for me in self._batteries()}
        self.bursts: dict[tuple[str, str], Terms] = {}
        for kind, place in self.batteries:
            me = (kind.name, place)
            swing = ("swing", me)
            self.program.variable(swing)
            self.parts[me] = [(1.0, swing)]
            loss = kind.loss / kind.usable
            self.own.append((loss / kind.charge_efficiency, swing))
            for clean in (True, False):
                part = ("part", me, clean)
                self.program.variable(part)
                self.parts[me].append((1.0, part))
                fed: Fed = []
                for machine, spot in spots(self.site):
                    if machine.power_out > 0 and is_clean(self.site, machine) == clean:
                        fed += self._burnt(machine, spot, me, kind.charge_efficiency)
                draws: list[tuple[str, Hashable]] = []
                for shape in self.shapes:
                    release = ("release", me, clean, shape)
                    self.program.variable(release)
                    draws.append((shape, release))
                    self.out_of[me].append((self.peak(shape), release))
                    self.generated.setdefault((clean, shape), []).append((1.0, release))
                self.promise([(1.0, part)], loss, fed, [], draws)

    def _burnt(
        self, machine: MachineType, spot: str, battery: tuple[str, str], efficiency: float
    ) -> Fed:
        """What a machine burns as it comes before a battery, bursts and steady gas alike."""
        ((fuel, full),) = machine.inputs.items()
        fed: Fed = []
        for outlet, rate in self.collected(("burn", machine.name, spot, battery), fuel, spot):
            if machine.min_down_time > 0:
                # What must rest between two runs cannot take bursts whenever they come.
                self.program.most([(1.0, rate)], 0.0)
            fed.append((outlet.on, efficiency * machine.power_out / full, rate))
            self.into[battery].append((machine.power_out / full, rate))
            self.bursts.setdefault((machine.name, spot), []).append((1.0 / full, rate))
            self._burns(machine, [(float(outlet.on.mean()) / full, rate)])
        return fed

    def _burns(self, machine: MachineType, units: Terms) -> None:
        """What burns whatever comes, at full-load efficiency."""
        self.turned.append((machine, units))
        self.loaded.append((machine, units))

    def _flares(self) -> None:
        """A flare burns what it is sent, and all that overflows of the stores that it guards."""
        for flare, spot in spots(self.site):
            if not flare.flare:
                continue
            ((fuel, full),) = flare.inputs.items()
            room = self.bursts.setdefault((flare.name, spot), [])
            for outlet, rate in self.collected(("flare", flare.name, spot), fuel, spot):
                room.append((1.0 / full, rate))
                self._burns(flare, [(float(outlet.on.mean()) / full, rate)])
            for me, (kind, sent, inflow, draws) in self.held.items():
                if self.whole.guards[me] != flare.name or me[1] != spot:
                    continue
                room += [(1.0 / full, key) for key in (inflow, *(rate for _, rate in sent))]
                over = ("overflow", me)
                self.program.variable(over)
                terms: Terms = [(float(outlet.on.mean()), rate) for outlet, rate in sent]
                terms += [(1.0, inflow), (-kind.loss, ("size", *me)), (-1.0, over)]
                self.program.exactly(terms + [(-1.0, draw) for _, draw in draws], 0.0)
                self._burns(flare, [(1.0 / full, over)])

    # Machines.

    def _machines(self) -> None:
        """Loads of the units that turn for ever and of those that do not.

        Takings of a unit that turns: ``z + (1 - z) load``, z at no load. Power and products are in
        step with the load, exhaust with the takings. A unit that is run on and off runs at full
        load, and all of its power is taken through the battery.
        """
        efficiency = min((k.charge_efficiency for k, _ in self.batteries), default=1.0)
        bridged: Terms = []
        one = "one"  # a constant, so that fuel at no load is a term like any other
        self.program.variable(one)
        self.program.exactly([(1.0, one)], 1.0)
        for machine, place in spots(self.site):
            me = (machine.name, place)
            state = self.whole.states[me]
            idle = machine.no_load
            shapes = self.shapes if machine.power_out > 0 else [FLAT]
            loads: list[tuple[str, Hashable]] = [(shape, ("load", me, shape)) for shape in shapes]
            for _, key in loads:
                self.program.variable(key)
            cycled, beside = ("cycled", me), ("beside", me)
            self.program.variable(cycled, 1.0 if state.cycling else 0.0)
            self.program.variable(beside, 0.0 if uneven(machine) and not state.batch_draw else None)
            at_peak: Terms = [(self.peak(shape), key) for shape, key in loads]
            bursts = self.bursts.get(me, [])
            if uneven(machine):
                self.program.most(at_peak, float(state.running))
                self.program.most([*at_peak, *bursts, (-1.0, beside)], float(state.running))
                left = float(state.count - state.running)
                self.program.most([(1.0, cycled), (1.0, beside)], left)
                lowest = float(self.beta.min())
                at_least: Terms = [(1.0 if s == FLAT else lowest, key) for s, key in loads]
                self.program.least(at_least, machine.min_load * state.running)
            else:
                self.program.most([*at_peak, *bursts], float(state.count))
            for shape, key in loads:
                takings: Terms = [(1.0 - idle, key)]
                load: Terms = [(1.0, key)]
                power: Terms = [(machine.power_out, key)]
                if shape == FLAT:
                    takings += [(idle * state.running, one), (1.0, cycled)]
                    load.append((1.0, cycled))
                    power.append((machine.power_out * efficiency, cycled))
                self._exchange(machine, place, shape, takings, load)
                self.turned.append((machine, takings))
                self.loaded.append((machine, load))
                pool = (is_clean(self.site, machine), shape)
                if machine.power_out > 0:
                    self.generated.setdefault(pool, []).extend(power)
                self.own += times(takings, machine.power_in)
            seconds = max(machine.min_up_time, machine.min_down_time, 1.0)
            runs = int(state.cycling) + int(state.batch_draw)
            for battery in self._batteries():
                self.into[battery].append((runs * machine.power_out, one))
                self.out_of[battery].append((int(state.cycling) * machine.power_out, one))
            bridged.append((runs * machine.power_out * seconds, one))
        swings: Terms = [(1.0, ("swing", (kind.name, place))) for kind, place in self.batteries]
        self.program.least(swings + times(bridged, -1.0), 0.0)

    def _exchange(
        self, machine: MachineType, place: str, shape: str, takings: Terms, load: Terms
    ) -> None:
        """What a machine takes from and gives to the supply layer.

        A part of what it gives in one shape may be used there in the other: what follows is never
        below its lowest hour, and what is used for something that follows must do for its highest.
        """
        for fluid, rate in machine.inputs.items():
            self.supply[fluid, shape][place] += times(takings, -rate)
        for fluid, rate in machine.outputs.items():
            if (fluid, shape) in self.supply:
                exhaust = self.site.fluids[fluid].emission != "none"
                made = times(takings if exhaust else load, rate)
                self.supply[fluid, shape][place] += made
                other = next((s for s in self.shapes if s != shape), None)
                if other is not None and (fluid, other) in self.supply:
                    part = ("in another shape", machine.name, place, fluid, shape)
                    self.program.variable(part)
                    self.program.least([*made, (-1.0, part)], 0.0)
                    share = 1.0 / self.peak(other) if shape == FLAT else float(self.beta.min())
                    self.supply[fluid, shape][place].append((-1.0, part))
                    self.supply[fluid, other][place].append((share, part))

    # Demands.

    def _demands(self) -> None:
        pools: dict[Pool, Terms] = {}
        for name, demand in self.site.demands.items():
            shape = shape_of(demand)
            for clean in (True, False) if demand.wants == POWER else (True,):
                key = ("served", name, clean)
                self.program.variable(key)
                self.served[name][clean].append((1.0, key))
                if demand.wants != POWER:
                    self.supply[demand.wants, shape][demand.place or ""].append((-1.0, key))
                    continue
                pools.setdefault((clean, shape), []).append((1.0, key))
                for kind, place in self.batteries if demand.profile is not None else ():
                    assert demand.profile is not None
                    # Flat generation, levelled to the profile by a part of the battery.
                    efficiency = kind.charge_efficiency
                    levelled = ("level", (kind.name, place), name, clean)
                    self.program.variable(levelled)
                    takes = levels_more(self.program, levelled, demand.profile, efficiency)
                    pools.setdefault((clean, FLAT), []).extend(takes.generation)
                    self.parts[kind.name, place] += takes.part
                    least = level(demand.profile, efficiency).generation
                    # at the highest flat generation there is nothing left to discharge
                    highest = float(self.beta.max())
                    self.program.most([(1.0, takes.more), (least - highest, levelled)], 0.0)
                    charge = max(0.0, least - float(self.beta.min()))
                    discharge = max(0.0, highest - least)
                    self.into[kind.name, place] += [(charge, levelled), (1.0, takes.more)]
                    self.out_of[kind.name, place] += [(discharge, levelled), (-1.0, takes.more)]
                    lost = kind.loss / kind.usable / efficiency
                    self.own += [(lost * value, key) for value, key in takes.part]
                    self.served[name][clean].append((1.0, levelled))
        for (kind_name, place), terms in self.parts.items():
            usable = self.site.storage[kind_name].usable
            self.program.most([*terms, (-usable, ("size", kind_name, place))], 0.0)
        for kind, place in self.batteries:
            # Bursts, levelling and units run on and off may all be at their highest together.
            if kind.fill_rate is not None:
                self.program.most(self.into[kind.name, place], kind.fill_rate)
            if kind.release_rate is not None:
                self.program.most(self.out_of[kind.name, place], kind.release_rate)
            for each, powers in (
                (kind.fill_rate_per_size, self.into),
                (kind.release_rate_per_size, self.out_of),
            ):
                if each is not None:
                    size = (-each, ("size", kind.name, place))
                    self.program.most([*powers[kind.name, place], size], 0.0)
        self.power_shared_out(pools)
