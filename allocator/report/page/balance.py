"""The energy flow in watts: sources, stores, machines, demands, and what is lost on the way."""

from __future__ import annotations

from dataclasses import dataclass, field

from markupsafe import Markup

from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.page.colours import fluids_shown
from allocator.report.page.figures import PageFigures
from allocator.report.page.svg import number, tag
from allocator.report.passing import is_passed
from allocator.report.words import ROUNDED, at, plain, quantity
from allocator.site.emissions import is_clean
from allocator.site.records import POWER

BAR = 13.0
GAP = 9.0
MOST_ROWS = 22
"""Sources beyond these are shown together, by fluid."""

WORTH = 1e-3
"""Share of what a store is given that is worth showing as spare."""

DIRECT = "direct, without storage"
_COLUMNS = (4.0, 240.0, 500.0, 983.0)
_TALL = 430.0


@dataclass(frozen=True, slots=True)
class Link:
    """Power from one node to another, W. ``look``: class of the ribbon."""

    giver: str
    taker: str
    power: float
    look: str


@dataclass
class BalanceDrawing:
    """Nodes (name -> column, words, family) and links between them, W on average."""

    nodes: dict[str, tuple[int, str, str]] = field(default_factory=dict)
    flows: dict[tuple[str, str, str], float] = field(default_factory=dict)

    @property
    def links(self) -> list[Link]:
        """All links, in the order in which they were first named."""
        return [Link(giver, taker, w, look) for (giver, taker, look), w in self.flows.items()]

    def node(self, name: str, column: int, words: str, family: str = "") -> str:
        """A node, made when it is first named."""
        self.nodes.setdefault(name, (column, words, family))
        return name

    def link(self, giver: str, taker: str, power: float, look: str) -> None:
        """Power that goes from one to the other; with what goes there already."""
        if power <= 0:
            return
        key = (giver, taker, look)
        self.flows[key] = self.flows.get(key, 0.0) + power


def balance_of(figures: PageFigures) -> BalanceDrawing:
    """The mean balance of what the plan promises, and of what sources give beyond it.

    Fuel counts by lower heating value. What a store is given on average beyond its promise is
    spare: burnt where there is a use for it, else vented.
    """
    found = BalanceDrawing()
    legend = fluids_shown(figures.site, figures.plan)
    got: dict[str, float] = {}
    given: dict[str, float] = {}
    made: dict[str, float] = {}
    for way in figures.ways:
        power = figures.mean_rate(way) * figures.worth(way.fluid)
        if power <= 0:
            continue
        look = f"c{legend.get(way.fluid, 0)}"
        giver = _node(found, figures.plan, way.giver, way.fluid)
        taker = way.taker
        if taker.startswith("burn:"):
            taker = f"machine:{taker.partition(':')[2].partition('>')[0]}"
        taker = taker.replace("flare:", "machine:", 1) if taker.startswith("flare:") else taker
        node = _node(found, figures.plan, taker, way.fluid)
        if way.giver.startswith("source:") and not taker.startswith("store:"):  # no store between
            past = found.node(f"past:{taker}:{way.fluid}", 1, DIRECT, "direct")
            found.link(giver, past, power, look)
            giver = past
        found.link(giver, node, power, look)
        got[taker] = got.get(taker, 0.0) + power
        given[way.giver] = given.get(way.giver, 0.0) + power
        if way.taker.startswith("burn:"):
            made[taker] = made.get(taker, 0.0) + power
    for name in list(got):
        if not name.startswith("store:"):
            continue
        left = got[name] - given.get(name, 0.0)
        left -= _flared(figures, found, got, name.partition(":")[2])
        if left > WORTH * max(given.get(name, 0.0), got[name] - left):
            spare = found.node("spare", 2, "spare: burnt where there is a use, else vented")
            found.link(name, spare, left, "spare")
    _power(figures, found, got, made)
    _losses(figures, found, got, given, made)
    most = max(found.flows.values(), default=0.0)
    found.flows = {key: power for key, power in found.flows.items() if power > ROUNDED * most}
    return found


def _flared(
    figures: PageFigures, found: BalanceDrawing, got: dict[str, float], store: str
) -> float:
    """Overflow of a store that flares burn, W; with its links."""
    burnt = 0.0
    for machine in figures.plan.machines:
        if rate := machine.overflow.get(store, 0.0):
            (fluid,) = figures.site.machines[machine.type].inputs
            node = _node(found, figures.plan, f"machine:{machine.name}", fluid)
            power = rate * figures.worth(fluid)
            found.link(f"store:{store}", node, power, "spare")
            got[node] = got.get(node, 0.0) + power
            burnt += power
    return burnt


def _node(found: BalanceDrawing, plan: Plan, name: str, fluid: str) -> str:
    """The node of a giver or taker, which its family is known by when there are many."""
    kind, _, rest = name.partition(":")
    if is_passed(plan, name):
        return found.node(name, 1, DIRECT, "direct")
    column = {"source": 0, "store": 1, "demand": 3}.get(kind, 2)
    family = fluid if kind == "source" else rest.partition("@")[0]
    return found.node(name, column, at(rest), family)


def together(balance: BalanceDrawing) -> BalanceDrawing:
    """A balance with at most :data:`MOST_ROWS` nodes a column, or few more: the small ones of a

    family (a fluid's sources, a type's stores or machines) are one node."""
    size: dict[str, float] = {}
    for link in balance.links:
        for name in (link.giver, link.taker):
            size[name] = size.get(name, 0.0) + link.power
    merged: dict[str, str] = {}
    members: dict[str, int] = {}
    for column in range(4):
        names = [name for name, (place, *_) in balance.nodes.items() if place == column]
        if len(names) <= MOST_ROWS:
            continue
        ranked = sorted(names, key=lambda name: (-size.get(name, 0.0), name))
        for name in ranked[MOST_ROWS - 6 :]:
            family = balance.nodes[name][2]
            if family:
                merged[name] = f"{column}:{family}"
                members[merged[name]] = members.get(merged[name], 0) + 1
    found = BalanceDrawing()
    for name, (column, words, family) in balance.nodes.items():
        group = merged.get(name)
        if group is None:
            found.node(name, column, words, family)
        else:
            found.node(group, column, f"{members[group]} more of {family}", family)
    for link in balance.links:
        giver, taker = merged.get(link.giver, link.giver), merged.get(link.taker, link.taker)
        found.link(giver, taker, link.power, link.look)
    return found


def _power(
    figures: PageFigures, found: BalanceDrawing, got: dict[str, float], bursts: dict[str, float]
) -> None:
    site, plan = figures.site, figures.plan
    served = {
        look: {
            use.name: use.mean * (use.clean_share if look == "clean" else use.emitting_share)
            for use in plan.demands
            if use.wants == POWER
        }
        for look in ("clean", "emitting")
    }
    gross: dict[str, dict[str, float]] = {"clean": {}, "emitting": {}}
    for machine in plan.machines:
        if site.machines[machine.type].power_out > 0:
            look = "clean" if is_clean(site, site.machines[machine.type]) else "emitting"
            gross[look][machine.name] = _gross(site, plan, machine.name, bursts)
    if any(served["clean"].values()) or any(served["emitting"].values()):
        gross["clean"] |= {
            f"recovery of {use.route}": sum(use.power.values()) for use in plan.recoveries
        }
    for look, powers in gross.items():
        # the plan says what demands are given of each; the rest is own load and surplus
        whole, total = sum(served[look].values()), sum(powers.values())
        used = min(1.0, whole / total) if total > 0 else 0.0
        for name, power in powers.items():
            node = f"machine:{name}"
            if name.startswith("recovery of "):
                place = site.ground(site.routes[name.removeprefix("recovery of ")].start)
                node = found.node(name, 2, f"heat recovered at {place}")
            elif power <= 0 or node not in got:
                continue
            for demand, part in served[look].items():
                target = found.node(f"demand:{demand}", 3, demand)
                found.link(node, target, power * used * part / whole if whole else 0.0, look)
            rest = found.node("own", 3, "batteries, own use, surplus")
            found.link(node, rest, power * (1.0 - used), look)


def _losses(
    figures: PageFigures,
    found: BalanceDrawing,
    got: dict[str, float],
    given: dict[str, float],
    bursts: dict[str, float],
) -> None:
    """What machines take as fuel and give neither as power nor as fuel."""
    for node, fuel in got.items():
        if not node.startswith("machine:"):
            continue
        out = _gross(figures.site, figures.plan, node.partition(":")[2], bursts)
        lost = found.node("heat", 3, "heat and exhaust of machines")
        found.link(node, lost, fuel - out - given.get(node, 0.0), "lost")


def _gross(site: Network, plan: Plan, name: str, bursts: dict[str, float]) -> float:
    """Mean power of a group, W: what it promises, and what it burns directly."""
    machine = next(m for m in plan.machines if m.name == name)
    kind = site.machines[machine.type]
    load = machine.flat_load + sum(machine.following.values()) + machine.cycled
    fuel = sum(
        rate * (site.fluids[fluid].heating_value or 0.0) for fluid, rate in kind.inputs.items()
    )
    burnt = bursts.get(f"machine:{name}", 0.0) / fuel if fuel > 0 else 0.0
    return kind.power_out * (load + burnt)


def drawn(balance: BalanceDrawing) -> tuple[Markup, float]:
    """The balance as a drawing, and its height: bars in four columns, ribbons between them."""
    if not balance.links:
        return Markup(""), 0.0
    inflow: dict[str, float] = {}
    outflow: dict[str, float] = {}
    for link in balance.links:
        outflow[link.giver] = outflow.get(link.giver, 0.0) + link.power
        inflow[link.taker] = inflow.get(link.taker, 0.0) + link.power
    size = {name: max(inflow.get(name, 0.0), outflow.get(name, 0.0)) for name in balance.nodes}
    columns: list[list[str]] = [[], [], [], []]
    for name, (column, *_) in balance.nodes.items():
        if size[name] > 0:
            columns[column].append(name)
    highest = max(sum(size[name] for name in names) for names in columns)
    scale = _TALL / highest
    tops: dict[str, float] = {}
    height = 0.0
    for names in columns:
        _settle(names, balance, tops)
        y = 6.0
        for name in names:
            tops[name] = y
            y += max(size[name] * scale, 1.0) + max(GAP, 15.0 - size[name] * scale)
        height = max(height, y)
    parts = _ribbons(balance, tops, scale)
    for name in size:
        if size[name] > 0:
            parts.append(_bar(balance, name, size[name], scale, tops[name]))
    return Markup("").join(parts), height + 4


def _settle(names: list[str], balance: BalanceDrawing, tops: dict[str, float]) -> None:
    """Order a column by where its inflow comes from, so that few ribbons cross."""

    def middle(name: str) -> float:
        arriving = [link for link in balance.links if link.taker == name and link.giver in tops]
        power = sum(link.power for link in arriving)
        return sum(tops[link.giver] * link.power for link in arriving) / power if power else 0.0

    last = {"heat": 1, "own": 2, "spare": 3}
    names.sort(key=lambda name: (last.get(name, 0), middle(name)))


def _ribbons(balance: BalanceDrawing, tops: dict[str, float], scale: float) -> list[Markup]:
    parts = []
    left, right = dict(tops), dict(tops)
    for link in sorted(balance.links, key=lambda k: (tops[k.giver], tops[k.taker])):
        x1 = _COLUMNS[balance.nodes[link.giver][0]] + BAR
        x2 = _COLUMNS[balance.nodes[link.taker][0]]
        thick = link.power * scale
        y1, y2 = left[link.giver], right[link.taker]
        left[link.giver] += thick
        right[link.taker] += thick
        middle = (x1 + x2) / 2
        n = number
        path = (
            f"M{n(x1)} {n(y1)}C{n(middle)} {n(y1)} {n(middle)} {n(y2)} {n(x2)} {n(y2)}"
            f"V{n(y2 + thick)}C{n(middle)} {n(y2 + thick)} {n(middle)} {n(y1 + thick)}"
            f" {n(x1)} {n(y1 + thick)}Z"
        )
        said = (
            f"{balance.nodes[link.giver][1]} to {balance.nodes[link.taker][1]}: "
            f"{quantity(link.power, 'power')}"
        )
        ribbon = tag(
            "path",
            tag("title", said),
            d=path,
            class_=f"ribbon {link.look}",
            data_from=address(link.giver),
            data_to=address(link.taker),
        )
        parts.append(ribbon)
    return parts


def _bar(balance: BalanceDrawing, name: str, power: float, scale: float, top: float) -> Markup:
    column, words, _ = balance.nodes[name]
    x, tall = _COLUMNS[column], max(power * scale, 1.0)
    bar = tag("rect", x=x, y=top, width=BAR, height=tall, class_="node")
    most = 40 if column == 2 else 30  # there is more room behind machines
    shown = words if len(words) <= most else f"{words[: most - 1]}…"
    last = column == 3
    text = tag(
        "text",
        shown,
        Markup("&#160; "),
        tag("tspan", quantity(power, "power"), class_="figure"),
        x=x - 6 if last else x + BAR + 6,
        y=top + min(tall / 2, 400) + 4,
        text_anchor="end" if last else "start",
    )
    title = tag("title", f"{words}: {quantity(power, 'power')}")
    return tag("g", title, bar, text, data_t=address(name))


def address(name: str) -> str | None:
    """The address on the map of a node; None for what is not on it, and for families."""
    kind, _, rest = name.partition(":")
    return f"{kind}:{plain(rest)}" if kind in ("source", "store", "machine") else None


def rows(balance: BalanceDrawing) -> list[tuple[str, str, float]]:
    """The balance as words: giver, taker, W."""
    return [
        (balance.nodes[link.giver][1], balance.nodes[link.taker][1], link.power)
        for link in sorted(balance.links, key=lambda link: -link.power)
    ]
