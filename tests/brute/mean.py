"""The mean basis of a small site for fixed whole numbers."""

from __future__ import annotations

from brute.basis import Basis, Pool, is_clean, times
from brute.choices import own_sources, spots
from brute.outlets import mean_drawn
from tiny_program import FLAT, Terms

from allocator.site.records import POWER


class Mean(Basis):
    """Every source steady at flow times duty; profiles flat; stores of no account.

    Machines are run on and off as is best, so that all is in proportion to load.
    """

    def state(self) -> None:
        site, program = self.site, self.program
        self.shapes = [FLAT]
        balances = {fluid: self.moved(fluid, fluid) for fluid in self.fuels}
        for name, source in own_sources(site).items():
            if source.fluid not in balances:
                continue
            program.variable(("take", name), mean_drawn(site, source) * self.whole.tap[name])
            balances[source.fluid][source.place].append((1.0, ("take", name)))
            self.comes(source, 1.0, ("take", name))
            if source.pump is not None:
                self.own.append((source.pump.energy, ("take", name)))
        for machine, place in spots(site):
            load = ("load", machine.name, place)
            program.variable(load, float(self.whole.states[machine.name, place].count))
            self.turned.append((machine, [(1.0, load)]))
            self.loaded.append((machine, [(1.0, load)]))
            for fluid, balance in balances.items():
                net = machine.outputs.get(fluid, 0.0) - machine.inputs.get(fluid, 0.0)
                balance[place].append((net, load))
            pool = (is_clean(site, machine), FLAT)
            self.generated.setdefault(pool, []).append((machine.power_out, load))
            self.own.append((machine.power_in, load))
        pools: dict[Pool, Terms] = {}
        for name, demand in site.demands.items():
            for clean in (True, False) if demand.wants == POWER else (True,):
                key = ("served", name, clean)
                program.variable(key)
                self.served[name][clean].append((1.0, key))
                if demand.wants == POWER:
                    pools.setdefault((clean, FLAT), []).append((1.0, key))
                else:
                    balances[demand.wants][demand.place or ""] += times([(1.0, key)], -1.0)
        self.balanced(list(balances.values()))
        self.power_shared_out(pools)
