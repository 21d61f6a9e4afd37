"""The engine against a brute force on many small sites: is what it calls optimal the best?

    python benchmarks/oracle.py [--sites N] [--seed S]

Every whole number of each site is tried (``tests/brute``), with a linear program for the rest
that shares no code with planning, duty or proof. Counted are plans called optimal that are not,
sites called impossible that are not, plans that fail their audit, and promises that break when
they are simulated. Exits with 1 where there is any; ``--seed`` begins at another site. A site
whose linear program the brute force cannot solve is not judged, and counted so.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from brute.faults import KINDS, drawn_case, faults_of
from tiny_program import UnsolvedError

A_SEED = 1_000_000
"""Sites between two seeds."""


def main() -> int:
    """Judge the sites one by one; print each fault, and the counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    counts: Counter[str] = Counter()
    began = time.process_time()
    for done in range(asked.sites):
        number = asked.seed * A_SEED + done
        if done and done % 50 == 0:
            print(f"{done} sites", file=sys.stderr, flush=True)
        site, basis = drawn_case(number)
        counts[basis] += 1
        counts["with a share that must be served"] += any(
            demand.min_share > 0 for demand in site.demands.values()
        )
        try:
            faults = faults_of(site, basis)
        except UnsolvedError as reason:
            counts["not judged"] += 1
            print(f"site {number}, {basis}: not judged: {reason}", flush=True)
            continue
        for fault in faults:
            counts[fault.kind] += 1
            print(f"site {number}, {basis}: {fault.kind}: {fault.figures}", flush=True)
    seconds = time.process_time() - began
    print(f"{asked.sites} sites from seed {asked.seed}, {seconds:.0f} processor seconds")
    for name in ("firm", "mean", "with a share that must be served", "not judged", *KINDS):
        print(f"  {name}: {counts[name]}")
    return 1 if any(counts[kind] for kind in KINDS) else 0


if __name__ == "__main__":
    sys.exit(main())
