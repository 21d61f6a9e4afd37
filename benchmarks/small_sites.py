"""Thirty small sites for ``small.py``: the same list, made anew from the same seeds each time.

All figures are invented but those of the published networks, which are not part of the repository
(see ``practice.py``). A network of flows is stated twice, as a site and as the plain program of its
arcs, so that the baseline shares nothing with the engine.
"""

from __future__ import annotations

import random
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from family import Size, site_text  # noqa: E402
from transport_sites import Arc, flow_site, practice_arcs  # noqa: E402

from allocator import read_site  # noqa: E402
from allocator.site.records import Route, Site  # noqa: E402

PRACTICE = ("k10x90", "r20x100", "l61x114", "g40x132", "sp80x160", "p50x288")
"""Published networks (Ortega & Wolsey, Networks 41 (2003) 143-158) that HiGHS proves in 60 s."""


@dataclass(frozen=True)
class Flows:
    """A fixed-charge network: arcs, ``both_ways`` or not, and what nodes give (-) and take (+)."""

    arcs: tuple[Arc, ...]
    needs: dict[str, float]
    both_ways: bool = False


@dataclass(frozen=True)
class SmallSite:
    """A site of the list; ``flows`` where it is a plain network, ``optimum`` where published."""

    name: str
    site: Site
    flows: Flows | None = None
    optimum: float | None = None


def site_of(flows: Flows) -> Site:
    """The site of a network: its least money is the network's least cost."""
    supply = {node: -need for node, need in flows.needs.items() if need < 0}
    demand = {node: need for node, need in flows.needs.items() if need > 0}
    site = flow_site(flows.arcs, supply, demand, ("money",), min_share=1.0)
    if not flows.both_ways:
        return site
    routes: dict[str, Route] = {n: replace(r, one_way=False) for n, r in site.routes.items()}
    return replace(site, routes=routes)


def tree(seed: int, nodes: int, edges: int, terminals: int) -> Flows:
    """A least tree that joins the terminals of a random graph, whose edges cost 1 to 10."""
    chance = random.Random(f"tree {seed}")
    pairs = {(chance.randrange(n), n) for n in range(1, nodes)}
    while len(pairs) < edges:
        a, b = sorted(chance.sample(range(nodes), 2))
        pairs.add((a, b))
    arcs = tuple(Arc(str(a), str(b), None, 0.0, chance.randint(1, 10)) for a, b in sorted(pairs))
    root, *others = chance.sample(range(nodes), terminals)
    return Flows(arcs, {str(root): 1.0 - terminals, **{str(n): 1.0 for n in others}}, True)


def fixed_charge(seed: int, nodes: int, edges: int) -> Flows:
    """Fixed-charge flow from a fifth of the nodes to two fifths, with capacities, both ways."""
    chance = random.Random(f"flow {seed}")
    pairs = {(chance.randrange(n), n) for n in range(1, nodes)}
    while len(pairs) < edges:
        a, b = sorted(chance.sample(range(nodes), 2))
        pairs.add((a, b))
    names = chance.sample(range(nodes), nodes)
    givers, takers = names[: nodes // 5], names[nodes // 5 : nodes // 5 + 2 * nodes // 5]
    needs = {str(n): float(chance.randint(2, 20)) for n in takers}
    total, share = sum(needs.values()), len(givers)
    needs |= {str(n): -float(int(1.3 * total / share) + 1) for n in givers}
    sizes = [total / 3, total]
    arcs = tuple(
        Arc(
            str(a),
            str(b),
            total if b == a + 1 else chance.choice(sizes),
            float(chance.randint(1, 3)),
            float(chance.randint(20, 90)),
        )
        for a, b in sorted(pairs)
    )
    return Flows(arcs, needs, True)


def location(seed: int, warehouses: int, customers: int) -> Flows:
    """Warehouses with a fixed cost and a capacity between one plant and the customers."""
    chance = random.Random(f"location {seed}")
    needs = {f"c{n}": float(chance.randint(5, 35)) for n in range(customers)}
    total = sum(needs.values())
    arcs = []
    for w in range(warehouses):
        room = float(int(total * chance.uniform(0.15, 0.4)))
        arcs.append(Arc("plant", f"w{w}", room, 0.0, float(chance.randint(300, 900))))
        at = (chance.random(), chance.random())
        for c in range(customers):
            spot = random.Random(f"location {seed} {c}")
            away = abs(at[0] - spot.random()) + abs(at[1] - spot.random())
            arcs.append(Arc(f"w{w}", f"c{c}", needs[f"c{c}"], round(1 + 9 * away, 2), 0.0))
    return Flows(tuple(arcs), {"plant": -total, **needs})


def steady(size: Size, folder: Path) -> Site:
    """A site of the family whose sources all flow at their mean without end."""
    text = re.sub(r"flow: (\S+) kg/s, cycle: .*\}", _mean, site_text(size))
    path = folder / f"steady {size.name}.yaml"
    path.write_text(text, encoding="utf-8")
    return read_site(path)


def _mean(found: re.Match[str]) -> str:
    on, every, spell, period = map(
        float,
        re.findall(r"on: (\S+) s, every: (\S+) s\}, \{on: (\S+) d, every: (\S+) d", found[0])[0],
    )
    return f"flow: {float(found[1]) * on / every * spell / period:.4f} kg/s}}"


def cyclic(size: Size, folder: Path) -> Site:
    """A site of the family."""
    path = folder / f"{size.name}.yaml"
    path.write_text(site_text(size), encoding="utf-8")
    return read_site(path)


def published(path: Path) -> SmallSite:
    """A published network; its optimum stands in the first line of its file."""
    (optimum,) = map(float, re.findall(r"published optimum (\S+)", path.read_text()))
    flows = Flows(*practice_arcs(path))
    return SmallSite(path.stem.removeprefix("fixed_charge_"), site_of(flows), flows, optimum)


def small_sites(scratch: Path, practice: Path | None) -> Iterator[SmallSite]:
    """The list. ``scratch``: a folder for site files. ``practice``: of the published networks."""
    for name in PRACTICE if practice is not None else ():
        yield published(practice / f"fixed_charge_{name}.csv")  # type: ignore[operator]
    for seed, size in enumerate(
        [(50, 63, 9), (50, 100, 13), (60, 90, 12), (75, 94, 13), (75, 150, 19), (75, 110, 25)]
    ):
        flows = tree(seed, *size)
        yield SmallSite(f"tree {seed}", site_of(flows), flows)
    for seed, size2 in enumerate([(15, 35), (20, 45), (25, 50), (30, 60), (30, 70)]):
        flows = fixed_charge(seed, *size2)
        yield SmallSite(f"flow {seed}", site_of(flows), flows)
    for seed, size2 in enumerate([(8, 20), (10, 30), (12, 40), (16, 50), (16, 50)]):
        flows = location(seed, *size2)
        yield SmallSite(f"location {seed}", site_of(flows), flows)
    for seed, size3 in enumerate([(6, 8, 2), (8, 10, 2), (12, 16, 2), (16, 20, 3)], start=1):
        size = Size(*size3, level="tight", seed=seed)
        yield SmallSite(f"steady {size.name}", steady(size, scratch))
    for seed, size3 in enumerate([(6, 8, 2), (8, 10, 2), (8, 10, 2), (10, 12, 2)], start=1):
        size = Size(*size3, level="tight", seed=seed)
        yield SmallSite(f"cyclic {size.name}", cyclic(size, scratch))
