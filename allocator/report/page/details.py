"""What the card says of each thing of the map: a heading, then pairs of words and figures."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from allocator.base.labels import head
from allocator.network.records import Network
from allocator.plans.records import Plan, Run
from allocator.report.loads import corridor_of, run_peak
from allocator.report.page.figures import PageFigures
from allocator.report.parts import duty_words
from allocator.report.passing import destinations, flared
from allocator.report.words import destination, percent, quantity, shape
from allocator.site.records import Source

Facts = list[tuple[str, str]]


def status(new: bool) -> str:
    """Whether the plan builds a thing, in a word."""
    return head("new" if new else "standing")


@dataclass
class Details:
    """Things of the map by number. ``names``: the address of each, as tables and pictures use it.

    An address is ``source:NAME``, ``store:type@place``, ``machine:type@place``, ``pipe:ROUTE``,
    ``line:NAME``, ``cooler:NAME`` or ``place:NAME``.
    """

    things: list[tuple[str, Facts]] = field(default_factory=list)
    names: list[str] = field(default_factory=list)

    def add(self, heading: str, facts: Iterable[tuple[str, str]], name: str) -> int:
        """Note a thing; its number."""
        self.things.append((heading, list(facts)))
        self.names.append(name)
        return len(self.things) - 1


def used_share(figures: PageFigures, run: Run) -> float:
    """The busiest flow of a pipe as a share of its capacity."""
    return run_peak(figures.site, run) / figures.capacities[run.route, run.fluid]


def pipe_facts(figures: PageFigures, run: Run, start: str, end: str) -> tuple[str, Facts]:
    """A pipe: build, flows, share of capacity."""
    site = figures.site
    route, build = site.routes[run.route], site.pipes[run.build]
    peak = run_peak(site, run)
    facts = [
        (head("start"), start),
        (head("end"), end),
        (head("build"), f"{run.build}, {status(run.new)}"),
        (
            head("layers"),
            ", ".join(_layer_words(layer.material, layer.thickness) for layer in build.layers),
        ),
        (head("length"), quantity(route.length, "length")),
        (head("mean"), quantity(figures.run_rate(run, "mean"), "mass_rate")),
        (head("collect_flow"), quantity(figures.run_rate(run, "collect"), "mass_rate")),
        (head("supply_flow"), quantity(figures.run_rate(run, "supply"), "mass_rate")),
        (head("peak"), quantity(peak, "mass_rate")),
        (head("used_share"), percent(used_share(figures, run))),
    ]
    if route.stream is not None:
        inlet, outlet = route.stream.inlet, route.stream.outlet
        hot = f"{quantity(inlet, 'temperature')} to {quantity(outlet, 'temperature')} at most"
        facts.append((head("temperature"), hot))
    return f"{corridor_of(route)}: {run.fluid}", [fact for fact in facts if fact[1]]


def _layer_words(material: str, thickness: float | None) -> str:
    return material if thickness is None else f"{material} {quantity(thickness, 'length')}"


def source_facts(figures: PageFigures, source: Source, tapped: bool) -> tuple[str, Facts]:
    """A source: its flow and cycle, and what it feeds if it is connected."""
    duty = figures.duty[source.name]
    facts = [
        (head("fluid"), source.fluid),
        (head("rate_while_on"), quantity(source.flow, "mass_rate")),
        (head("duty_share"), percent(duty)),
        (head("mean"), quantity(source.flow * duty, "mass_rate")),
    ]
    if source.temperature is not None:
        facts.append((head("temperature"), quantity(source.temperature, "temperature")))
    if source.next_start is not None:
        facts.append((head("next_start"), quantity(source.next_start, "duration")))
    use = next((u for u in figures.plan.sources if u.name == source.name), None)
    if not tapped or use is None:
        return f"{source.name}: not connected", facts
    parts = figures.site.parts_of(source.name)
    for one in (use, *(u for u in figures.plan.sources if u.name in parts)):
        whence = one.name.partition(": ")[2]
        words = f" ({whence})" if whence else ""
        facts += [
            (head("goes_to"), f"{destination(end)}, {quantity(rate * share, 'mass_rate')}{words}")
            for to, rate in one.collect.items()
            for end, share in destinations(figures.site, figures.plan, to).items()
        ]
        facts += [
            (head("goes_to"), f"supply, {shape(name)}, {quantity(rate, 'mass_rate')}{words}")
            for name, rate in one.direct.items()
        ]
    return f"{source.name}: {'new connection' if use.new else 'existing connection'}", facts


def store_facts(site: Network, plan: Plan, name: str) -> tuple[str, Facts]:
    """A store of a fluid: its size and firm output."""
    use = next(store for store in plan.stores if store.name == name)
    facts = [
        (head("size"), f"{quantity(use.size, 'mass')} of {use.holds}"),
        (head("new_size"), quantity(use.new_size, "mass") if use.new_size > 0 else "nothing"),
    ]
    facts += [
        (head("promised"), f"{quantity(rate, 'mass_rate')}, {shape(to)}")
        for to, rate in use.draw.items()
        if rate > 0
    ]
    return f"{use.type} at {site.ground(use.place)}", facts


def battery_facts(plan: Plan, name: str) -> tuple[str, Facts]:
    """A battery: its size and what the parts of it are for."""
    use = next(battery for battery in plan.batteries if battery.name == name)
    facts = [(head("size"), quantity(use.size, "energy"))]
    facts += [
        (words, quantity(part, "energy"))
        for words, part in (
            (head("new_size"), use.new_size),
            (head("levelling"), use.level_part),
            (head("bursts"), sum(use.burst_part.values())),
            (head("swing"), use.swing_part),
        )
        if part > 0
    ]
    return f"{use.type} at {use.place}", facts


def machine_facts(site: Network, plan: Plan, name: str) -> tuple[str, Facts]:
    """A machine group: units, what each gives and takes, and its duty."""
    use = next(machine for machine in plan.machines if machine.name == name)
    kind = site.machines[use.type]
    facts = [(head("count"), f"{use.count} ({use.new} new)")]
    if kind.power_out > 0:
        facts.append((head("power_out_each"), quantity(kind.power_out, "power")))
    if kind.power_in > 0:
        facts.append((head("power_in_each"), quantity(kind.power_in, "power")))
    facts += [
        (head("takes_each"), f"{quantity(r, 'mass_rate')} {f}") for f, r in kind.inputs.items()
    ]
    facts.append((head("duty"), duty_words(use, flared(site, plan, use) if kind.flare else None)))
    return f"{use.type} at {site.ground(use.place)}", facts
