"""The firm basis of a tiny site for fixed whole numbers, rule by rule (see ``tiny_program``)."""

from __future__ import annotations

from collections.abc import Hashable

from tiny_bases import Basis, times
from tiny_program import (
    DAY,
    FLAT,
    HOUR,
    Terms,
    clean,
    groups,
    level_hours,
    levels_more,
    on_hours,
    powers,
    shape_name,
    sums,
)

from allocator.site.records import POWER, MachineType


class FirmBasis(Basis):
    """Separate promises and two layers of flow."""

    def state(self) -> None:
        self.profile = next((d.profile for d in powers(self.site) if d.profile is not None), None)
        self.beta = level_hours(self.profile) if self.profile is not None else None
        self.taken: dict[str, Terms] = {name: [] for name in self.site.sources}
        self.batteries = [
            (kind, place)
            for kind in self.site.storage.values()
            if kind.holds == POWER
            for place in kind.places
        ]
        self._units()
        self.supply = {
            (fluid, shape): self.moved(("supply", fluid, shape), self._peak(shape))
            for fluid in self._fuels()
            for shape in self.shapes()
        }
        self._stores()
        self._direct()
        self._battery_parts()
        self._machines()
        for balance in self.supply.values():
            for terms in balance.values():
                if terms:
                    self.program.least(terms, 0.0)
        for name, source in self.site.sources.items():
            rate = source.flow
            if source.pump is not None and source.pump.rate is not None:
                rate = min(rate, source.pump.rate)
            self.program.most(self.taken[name], rate * self.whole.tap[name])

    def _fuels(self) -> list[str]:
        taken = [fluid for machine in self.site.machines.values() for fluid in machine.inputs]
        return list(dict.fromkeys([*(s.fluid for s in self.site.sources.values()), *taken]))

    def _peak(self, shape: str) -> float:
        return 1.0 if shape == FLAT or self.beta is None else float(self.beta.max())

    def _units(self) -> None:
        for kind in self.site.storage.values():
            for place in kind.places:
                size = ("size", kind.name, place)
                self.program.variable(size, kind.max_size)
                if kind.unit is not None:
                    units = self.whole.units[kind.name, place]
                    self.program.exactly([(1.0, size)], kind.unit * units)
                for name, mass in kind.materials.items():
                    self.sizes[name].append((mass, size))

    def _promise(self, size: Terms, loss: float, fed: list, steady: Terms, draws: list) -> None:
        """``size (1 - loss L) + sum r tau(L) + steady L >= sum draw beta(L)`` for every window."""
        for length in (*range(1, DAY + 1), None):
            seconds = DAY * HOUR if length is None else length * HOUR
            # The long run: what a whole day brings covers what a whole day takes.
            held = 0.0 if length is None else 1.0
            terms = times(size, held - loss * seconds) + times(steady, seconds)
            for on, weight, key in fed:
                least = sums(on, length or DAY).min() * HOUR
                terms.append((weight * least, key))
            for shape, key in draws:
                hours = float(length or DAY)
                if shape != FLAT and self.beta is not None:
                    hours = float(sums(self.beta, length or DAY).max())
                terms.append((-hours * HOUR, key))
            self.program.least(terms, 0.0)

    def _collected(self, key: Hashable, fluid: str, place: str) -> list[tuple[str, Hashable]]:
        """A new destination of the collect layer: (source, rate while on) of what it is sent."""
        balance = self.moved(("collect", key))
        sent: list[tuple[str, Hashable]] = []
        for name, source in self.site.sources.items():
            if source.fluid != fluid:
                continue
            rate = ("collect", name, key)
            self.program.variable(rate)
            balance[source.place].append((1.0, rate))
            self.taken[name].append((1.0, rate))
            sent.append((name, rate))
            if source.pump is not None:
                self.own.append((source.pump.energy, rate))
        for spot, terms in balance.items():
            if spot == place:
                # All ends here; nothing that has come for this destination leaves it again.
                for _, start_key in [t for t in terms if t[0] < 0]:
                    self.program.most([(1.0, start_key)], 0.0)
            elif terms:
                self.program.exactly(terms, 0.0)
        return sent

    def _stores(self) -> None:
        for kind in self.site.storage.values():
            if kind.holds == POWER:
                continue
            for place in kind.places:
                me = (kind.name, place)
                sent = self._collected(("store", me), kind.holds, place)
                inflow = ("inflow", me)
                self.program.variable(inflow)
                self.supply[kind.holds, FLAT][place].append((-1.0, inflow))
                draws = []
                for shape in self.shapes():
                    draw = ("draw", me, shape)
                    self.program.variable(draw)
                    self.supply[kind.holds, shape][place].append((1.0, draw))
                    draws.append((shape, draw))
                fed = [(on_hours(self.site.sources[s]), 1.0, rate) for s, rate in sent]
                self._promise([(1.0, ("size", *me))], kind.loss, fed, [(1.0, inflow)], draws)
                if kind.fill_rate is not None:
                    arriving = [(1.0, rate) for _, rate in sent]
                    self.program.most([*arriving, (1.0, inflow)], kind.fill_rate)
                if kind.release_rate is not None:
                    released = [(self._peak(shape), draw) for shape, draw in draws]
                    self.program.most(released, kind.release_rate)

    def _direct(self) -> None:
        for name, source in self.site.sources.items():
            if source.stages:
                continue
            for shape in self.shapes():
                key = ("direct", name, shape)
                self.program.variable(key)
                self.supply[source.fluid, shape][source.place].append((1.0, key))
                self.taken[name].append((self._peak(shape), key))
                if source.pump is not None:
                    # The plant's own load is flat: it must do for the highest of the shape.
                    self.own.append((source.pump.energy * self._peak(shape), key))

    def _battery_parts(self) -> None:
        """Shares of each battery; what they are for is stated with the machines and demands."""
        self.parts: dict[tuple[str, str], Terms] = {}
        self.bursts: dict[tuple[str, str], Terms] = {}
        for kind, place in self.batteries:
            me = (kind.name, place)
            self.parts[me] = []
            swing = ("swing", me)
            self.program.variable(swing)
            self.parts[me].append((1.0, swing))
            for is_clean in (True, False):
                part, fed, draws = ("part", me, is_clean), [], []
                self.program.variable(part)
                self.parts[me].append((1.0, part))
                for machine, spot in groups(self.site):
                    if clean(self.site, machine) != is_clean:
                        continue
                    ((fuel, full),) = machine.inputs.items()
                    sent = self._collected(("burn", machine.name, spot, me), fuel, spot)
                    for name, rate in sent:
                        on = on_hours(self.site.sources[name])
                        if machine.min_down_time > 0:
                            # What must rest cannot take bursts whenever they come.
                            self.program.most([(1.0, rate)], 0.0)
                        weight = kind.charge_efficiency * machine.power_out / full
                        fed.append((on, weight, rate))
                        group = self.bursts.setdefault((machine.name, spot), [])
                        group.append((1.0 / full, rate))
                        self.turned.append((machine, [(on.mean() / full, rate)]))
                for shape in self.shapes():
                    release = ("release", me, is_clean, shape)
                    self.program.variable(release)
                    draws.append((shape, release))
                    self.generated.setdefault((is_clean, shape), []).append((1.0, release))
                self._promise([(1.0, part)], kind.loss, fed, [], draws)
                # A second's worth of what never stops, or no battery need stand for it.
                never = [(-weight, rate) for on, weight, rate in fed if on.all()]
                self.program.least([(1.0, part), *never], 0.0)
            if kind.loss > 0:
                rest = [(1.0, ("size", *me))]
                rest += [(-1.0, ("part", me, is_clean)) for is_clean in (True, False)]
                self.own += times(rest, kind.loss / kind.charge_efficiency)

    def _machines(self) -> None:
        efficiency = min((k.charge_efficiency for k, _ in self.batteries), default=1.0)
        reserve: Terms = []
        for machine, place in groups(self.site):
            me = (machine.name, place)
            count, running = self.whole.count[me], self.whole.running[me]
            cycling = self.whole.cycling.get(me, 0)
            # only what gives power follows a demand for power
            shapes = self.shapes() if machine.power_out > 0 else [FLAT]
            loads: list[tuple[str, Hashable]] = [(s, ("load", me, s)) for s in shapes]
            for _, key in loads:
                self.program.variable(key)
            cycled = ("cycled", me)
            self.program.variable(cycled, float(cycling))
            burst = self.bursts.get(me, [])
            # Bursts and steady gas fill what turning units have to spare, then other units, and
            # those take the load that is run on and off too.
            spare = ("spare", me)
            self.program.variable(spare, None if burst else 0.0)
            self.program.most([(1.0, spare), *((self._peak(s), k) for s, k in loads)], running)
            other = [*burst, (-1.0, spare)]
            self.program.most([*other, (1.0, cycled)], float(count - running))
            self.program.most([(1.0, cycled)], float(count - running))
            batched = machine.no_load > 0 or machine.min_load > 0
            batch_draw = self.whole.batch_draw.get(me, 0) if batched else 0
            if batched and not batch_draw:
                self.program.most(other, 0.0)
            lowest = 1.0 if self.beta is None else float(self.beta.min())
            least = [(1.0 if s == FLAT else lowest, key) for s, key in loads]
            self.program.least(least, machine.min_load * running)
            one = ("one", me)  # a constant, so that fuel at no load is a term like any other
            self.program.variable(one)
            self.program.exactly([(1.0, one)], 1.0)
            idle = machine.no_load
            is_clean = clean(self.site, machine)
            for shape, key in loads:
                turning: Terms = [(1.0 - idle, key)]
                made: Terms = [(machine.power_out, key)]
                if shape == FLAT:
                    turning += [(idle * running, one), (1.0, cycled)]
                    made.append((machine.power_out * efficiency, cycled))
                self.turned.append((machine, turning))
                self.generated.setdefault((is_clean, shape), []).extend(made)
                self.own += times(turning, machine.power_in) if machine.power_in > 0 else []
                loaded: Terms = [(1.0, key), (1.0 if shape == FLAT else 0.0, cycled)]
                for fuel in self._fuels():
                    balance = self.supply[fuel, shape][place]
                    balance += times(turning, -machine.inputs.get(fuel, 0.0))
                    record = self.site.fluids[fuel]
                    burnt = record.emission != "none" and record.heating_value is None
                    share = turning if burnt else loaded
                    balance += times(share, machine.outputs.get(fuel, 0.0))
                self._in_another_shape(machine, place, shape, turning, loaded)
            if cycling or batch_draw:
                seconds = max(machine.min_up_time, machine.min_down_time, 1.0)
                reserve.append(((cycling + batch_draw) * machine.power_out * seconds, one))
        if reserve:
            swings: Terms = [(1.0, ("swing", (k.name, p))) for k, p in self.batteries]
            self.program.least(swings + times(reserve, -1.0), 0.0)
        self._demands()

    def _in_another_shape(
        self, machine: MachineType, place: str, shape: str, turning: Terms, loaded: Terms
    ) -> None:
        """A part of what a machine gives in a shape is used there in the other one.

        Hour by hour: a steady use has what is there in the lowest hour of a flow that follows,
        and one that follows needs in its highest hour no more than there is steadily.
        """
        if self.beta is None:
            return
        other = next((s for s in self.shapes() if s != shape), None)
        share = float(self.beta.min()) if shape != FLAT else 1.0 / float(self.beta.max())
        for fuel in self._fuels():
            rate = machine.outputs.get(fuel, 0.0)
            if not rate or other is None:
                continue
            record = self.site.fluids[fuel]
            burnt = record.emission != "none" and record.heating_value is None
            part = ("in another shape", machine.name, place, fuel, shape)
            self.program.variable(part)
            made = times(turning if burnt else loaded, rate)
            self.program.least([*made, (-1.0, part)], 0.0)
            self.supply[fuel, shape][place].append((-1.0, part))
            self.supply[fuel, other][place].append((share, part))

    def _demands(self) -> None:
        used: dict[tuple[bool, str], Terms] = {}
        for demand in powers(self.site):
            mine: Terms = []
            for is_clean in (True, False):
                straight = ("served", demand.name, is_clean)
                self.program.variable(straight)
                used.setdefault((is_clean, shape_name(demand)), []).append((1.0, straight))
                served: Terms = [(1.0, straight)]
                for kind, place in self.batteries:
                    if demand.profile is None:
                        continue
                    key = ("level", (kind.name, place), demand.name, is_clean)
                    self.program.variable(key)
                    takes = levels_more(self.program, key, demand.profile, kind.charge_efficiency)
                    used.setdefault((is_clean, FLAT), []).extend(takes.generation)
                    self.parts[kind.name, place] += takes.part
                    served.append((1.0, key))
                mine += served
                if is_clean:
                    self.clean_served += served
            self.program.most(mine, demand.mean)
            self.all_served += mine
        for (name, place), terms in self.parts.items():
            self.program.most([*terms, (-1.0, ("size", name, place))], 0.0)
        self.shared_out(used)
