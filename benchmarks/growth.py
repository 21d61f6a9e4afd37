"""How the time of the search by paths grows with a site: processor seconds to near its best.

For each size the search alone runs for some processor seconds a source, and the best it ends at is
taken as the best known. Told are the seconds after which it was within 3 % of that, first paths
and what they were worth, and the exponent of the least-squares line through the logarithms. The
figures are estimates of the search: on the mean basis the program lands them unchanged.

    python benchmarks/growth.py [SOURCES/JUNCTIONS/PLACES ...] [--basis mean|firm]
        [--seconds-a-source S] [--seeds N] [--within 0.03]
"""

from __future__ import annotations

import argparse
import tempfile
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
from family import Size, write_site

from allocator import read_site
from allocator.model.stating import offered
from allocator.network.deriving import network_of
from allocator.search.paths.network import first_service, path_network_of
from allocator.search.paths.starts import PathSearch, begun, continued

SIZES = ("20/30/4", "40/80/6", "100/200/10")
LEAST = 1e-3
"""Seconds below which a time counts as so much: a logarithm of nothing is none."""


def course(folder: Path, size: Size, basis: str, limit: float) -> list[tuple[float, float]]:
    """Processor seconds since the search began, and the best value (W), whenever it rose."""
    sets = offered(network_of(read_site(write_site(folder, size))), basis)
    goal = first_service(sets)
    assert goal is not None
    made = path_network_of(sets, goal)
    assert made is not None
    arrays, names = made
    search = PathSearch(arrays, names, 1, "thorough")
    continued(arrays, begun(arrays, 0, np.ones(len(arrays.weight))), 1, 0)  # compile
    trail: list[tuple[float, float]] = []
    began = time.process_time()
    while (left := limit - (time.process_time() - began)) > 0.05 * limit:
        search.run(
            left,
            None,
            lambda: time.process_time() - began > limit,
            lambda find, note: trail.append((time.process_time() - began, find.value)),
        )
        search.seed += 1
    return trail


def main() -> None:
    """Print the table and the exponent."""
    parser = argparse.ArgumentParser()
    parser.add_argument("sizes", nargs="*")
    parser.add_argument("--basis", choices=("mean", "firm"), default="mean")
    parser.add_argument("--seconds-a-source", type=float, default=0.4)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--within", type=float, default=0.03)
    given = parser.parse_args()
    print(f"basis {given.basis}, tight; processor seconds of the search alone, one thread")
    print(f"{'site':22} {'first':>14} {'near the best':>14} {'best':>14} {'given':>7}")
    sources, seconds = [], []
    with tempfile.TemporaryDirectory() as folder:
        for name in given.sizes or SIZES:
            count, junctions, places = map(int, name.split("/"))
            for seed in range(1, given.seeds + 1):
                size = Size(count, junctions, places, "tight", seed)
                limit = given.seconds_a_source * count
                trail = course(Path(folder), size, given.basis, limit)
                assert trail, "no paths were found"
                best = trail[-1][1]
                assert all(a[1] < b[1] for a, b in pairwise(trail))
                near = next(step for step in trail if step[1] >= (1 - given.within) * best)
                told = [f"{when:6.2f} {value / 1e6:7.3f}" for when, value in (trail[0], near)]
                told.append(f"{trail[-1][0]:6.2f} {best / 1e6:7.3f}")
                print(f"{size.name:22} {told[0]} {told[1]} {told[2]} {limit:7.1f}", flush=True)
                sources.append(np.log(count))
                seconds.append(np.log(max(near[0], LEAST)))
    if len(set(sources)) > 1:
        exponent = np.polyfit(sources, seconds, 1)[0]
        print(f"seconds to within {given.within:.0%} of the best: sources to the {exponent:.2f}")


if __name__ == "__main__":
    main()
