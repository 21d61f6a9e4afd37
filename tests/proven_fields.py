"""A field of wells that grows, and the prover of a site: for tests of bounds."""

import itertools
import random
from functools import partial
from pathlib import Path

from allocator.base.clock import Clock
from allocator.model.cuts import promises_of, violated
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model
from allocator.model.stating import offered, state
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.search import Settings
from allocator.search.bound_process import store_cuts
from allocator.search.bounds.carrying import CarryingBound
from allocator.search.bounds.proving import Prover
from allocator.site.records import Site

NODES = 5000


def prover_for(site: Site, basis: str, nodes: int = NODES) -> tuple[Prover, Model, IndexSets]:
    """The prover of a site's program, the program, and what may be chosen."""
    full, sets = state(network_of(site), basis)
    promises = () if sets.lossless else promises_of(sets)
    made = Prover(
        full,
        sets,
        lambda model, values, tolerance: violated(model, promises, values, tolerance),
        Settings(basis=basis, node_limit=nodes, gap=1e-7),
        Clock(None),
    )
    return made, full, sets


def carrying_of(site: Site, basis: str) -> CarryingBound:
    """The bound by what carrying takes, of a site."""
    sets = offered(network_of(site), basis)
    promises = () if sets.lossless else promises_of(sets)
    settings = Settings(basis=basis, time_limit=60.0)
    return CarryingBound(sets, settings, Clock(None), partial(store_cuts, promises))


def field_of_wells(folder: Path, sources: int, seed: int) -> Site:
    """Wells in a square grid of junctions around two places with holders and engines. Invented."""
    chance = random.Random(seed)
    side = 4
    lines = [
        "format: allocator.site/2",
        "name: Field of wells",
        "fluids: {gas: {heating_value: 18 MJ/kg}, co2: {emission: biogenic}}",
        "materials: {steel: {stock: 14 t}}",
        "places:",
    ]
    for x, y in itertools.product(range(side), range(side)):
        at = [600 * x + chance.randint(-150, 150), 600 * y + chance.randint(-150, 150)]
        lines.append(f"  p{x}{y}: {{at: [{at[0]} m, {at[1]} m]}}")
    lines.append("sources:")
    corners = list(itertools.product(range(side), range(side)))
    for n, (x, y) in enumerate(chance.sample(corners, sources)):
        lines.append(
            f"  w{n}: {{place: p{x}{y}, fluid: gas, flow: {chance.randint(60, 240)} g/s, "
            f"cycle: [{{on: {chance.randint(2, 5)} h, every: {chance.randint(6, 9)} h}}]}}"
        )
    lines += [
        "storage: {holder: {holds: gas, places: [p00, p32], size: {max: 9 t},"
        " materials: {steel: 0.4 kg/kg}, base: {materials: {steel: 300 kg}}}}",
        "pipes:",
        "  b1: {capacity: 60 g/s, layers: [{material: steel, mass: 3 kg/m}]}",
        "  b2: {capacity: 180 g/s, layers: [{material: steel, mass: 6 kg/m}]}",
        "  b3: {capacity: 500 g/s, layers: [{material: steel, mass: 12 kg/m}]}",
        "routes:",
    ]
    for x, y in corners:
        for i, j in ((x + 1, y), (x, y + 1), (x + 1, y + 1)):
            if i < side and j < side:
                lines.append(f"  r{x}{y}{i}{j}: {{between: [p{x}{y}, p{i}{j}]}}")
    lines += [
        "machines: {engine: {inputs: {gas: 25 g/s}, outputs: {power: 150 kW, co2: 40 g/s},"
        " materials: {steel: 100 kg}, places: [p00, p32]}}",
        "demands: {town: {power: 9 MW}}",
        "goals: [clean_power]",
    ]
    path = folder / "field.yaml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_site(path)
