"""A family of invented sites that grow: the same size, level and seed give the same file.

Sources, junctions and generator places lie uniformly in a square whose area grows with their
number; corridors are the edges of their Delaunay triangulation with a winding factor from 1 to 1.6.
There is one stock: a share of what the least tree (shortest paths from each source to what is
joined already, nearest first) weighs in the second build. All figures are invented.

    python benchmarks/family.py FOLDER SOURCES JUNCTIONS PLACES [tight|fair] [SEED]
"""

from __future__ import annotations

import math
import random
import sys
from dataclasses import dataclass
from pathlib import Path

import networkx
import numpy as np
from scipy.spatial import Delaunay

LEVELS = {"tight": 0.30, "fair": 0.45}
SIZES = ((8, 10, 2), (20, 30, 4), (40, 80, 6), (100, 200, 10), (300, 600, 20), (1000, 2000, 40))
BUILDS = (("narrow", 0.08, 4.0), ("middle", 0.22, 7.5), ("wide", 0.6, 13.0), ("trunk", 1.6, 22.0))
"""Name, kg/s, kg/m: capacity grows faster than mass."""
SECOND = 7.5
SPACING = 180.0
"""m: the square's side is this times the root of the number of places."""


@dataclass(frozen=True, slots=True)
class Size:
    """How large a site is, how tight its stock, and which one of its kind it is."""

    sources: int
    junctions: int
    places: int
    level: str = "tight"
    seed: int = 1

    @property
    def name(self) -> str:
        """``20-30-4 tight 1``."""
        return f"{self.sources}-{self.junctions}-{self.places} {self.level} {self.seed}"


def site_text(size: Size) -> str:
    """The site file."""
    chance = random.Random(f"{size.sources}/{size.junctions}/{size.places}/{size.seed}")
    names = [f"head_{n}" for n in range(size.sources)]
    names += [f"joint_{n}" for n in range(size.junctions)]
    names += [f"works_{n}" for n in range(size.places)]
    side = SPACING * math.sqrt(len(names))
    at = [(chance.uniform(0, side), chance.uniform(0, side)) for _ in names]
    routes = _corridors(at, chance)
    stock = LEVELS[size.level] * SECOND * _least_tree(size, routes)
    works = names[size.sources + size.junctions :]
    holders = works + names[size.sources : size.sources + size.places // 2]
    lines = [
        "format: allocator.site/2",
        f"name: Family {size.name}",
        "about: Made by benchmarks/family.py; every figure is invented.",
        "goals: [clean_power]",
        "fluids: {gas: {heating_value: 17 MJ/kg}, spent: {emission: biogenic}}",
        f"materials: {{steel: {{stock: {stock:.1f} kg}}}}",
        "places:",
    ]
    lines += [f"  {n}: {{at: [{x:.1f} m, {y:.1f} m]}}" for n, (x, y) in zip(names, at, strict=True)]
    lines.append("sources:")
    for n in range(size.sources):
        lines.append(f"  well_{n}: {{place: head_{n}, fluid: gas, {_cycle(chance)}}}")
    lines.append(
        f"storage: {{holder: {{holds: gas, places: [{', '.join(holders)}], size: {{max: 20 t}}, "
        "materials: {steel: 0.3 kg/kg}}}"
    )
    lines.append("pipes:")
    for name, capacity, mass in BUILDS:
        lines.append(
            f"  {name}: {{capacity: {capacity} kg/s, "
            f"layers: [{{material: steel, mass: {mass} kg/m}}]}}"
        )
    lines.append("routes:")
    lines += [
        f"  r{n}: {{between: [{names[a]}, {names[b]}], length: {length:.1f} m}}"
        for n, (a, b, length) in enumerate(routes)
    ]
    lines += [
        "machines:",
        "  engine: {inputs: {gas: 0.05 kg/s}, outputs: {power: 320 kW, spent: 0.1 kg/s}, "
        f"materials: {{steel: 200 kg}}, places: [{', '.join(works)}]}}",
        f"demands: {{town: {{power: {1.3 * size.sources:.1f} MW}}}}",  # more than all sources give
    ]
    return "\n".join(lines) + "\n"


def _cycle(chance: random.Random) -> str:
    on, every = chance.randint(200, 500), chance.randint(550, 900)
    spell = chance.uniform(1.0, 3.0)
    rest = chance.uniform(0.05, 0.4)
    mean = chance.uniform(0.03, 0.17)
    duty = on / every * spell / (spell + rest)
    return (
        f"flow: {mean / duty:.4f} kg/s, cycle: [{{on: {on} s, every: {every} s}}, "
        f"{{on: {spell:.3f} d, every: {spell + rest:.3f} d}}]"
    )


def _corridors(
    at: list[tuple[float, float]], chance: random.Random
) -> list[tuple[int, int, float]]:
    edges = set()
    for corner in Delaunay(np.array(at)).simplices:
        a, b, c = sorted(int(v) for v in corner)
        edges |= {(a, b), (a, c), (b, c)}
    found = []
    for a, b in sorted(edges):
        straight = math.hypot(at[a][0] - at[b][0], at[a][1] - at[b][1])
        found.append((a, b, max(1.0, straight * chance.uniform(1.0, 1.6))))
    return found


def _least_tree(size: Size, routes: list[tuple[int, int, float]]) -> float:
    """m of a tree that joins every source to a generator place: nearest first, by shortest path."""
    graph = networkx.Graph()
    graph.add_weighted_edges_from(routes)
    joined = set(range(size.sources + size.junctions, size.sources + size.junctions + size.places))
    waiting = set(range(size.sources)) - joined
    total = 0.0
    while waiting:
        far, paths = networkx.multi_source_dijkstra(graph, joined)
        nearest = min(waiting, key=lambda n: (far[n], n))
        total += far[nearest]
        joined |= set(paths[nearest])
        waiting -= joined
    return total


def write_site(folder: Path, size: Size) -> Path:
    """Write the site file; its path."""
    path = folder / (size.name.replace(" ", "_") + ".yaml")
    path.write_text(site_text(size), encoding="utf-8")
    return path


def main() -> None:
    """Write one file and print its path."""
    folder, sources, junctions, places = sys.argv[1:5]
    level = sys.argv[5] if len(sys.argv) > 5 else "tight"
    seed = int(sys.argv[6]) if len(sys.argv) > 6 else 1
    size = Size(int(sources), int(junctions), int(places), level, seed)
    print(write_site(Path(folder), size))


if __name__ == "__main__":
    main()
