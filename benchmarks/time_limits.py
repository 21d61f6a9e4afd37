"""How long commands take for a time limit: each must end within it, 10 % of it and 3 s.

    python benchmarks/time_limits.py [--seconds 5 20 60] [--only NAME ...]

Every command that searches on the harbour demo, and a plan of sites of ``family.py`` with 300 and
1,000 sources on the firm basis, from the start of Python to the last file written. To be run alone
on two cores, after what is compiled was kept once. Prints wall seconds, what is allowed and the
most memory of the process; exits with 1 where a command takes longer, or ends with anything but a
plan or the words that none was found.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from family import Size, write_site

ROOT = Path(__file__).parents[1]
HARBOUR = str(ROOT / "networks" / "harbour.yaml")
ENDS = (0, 3, 4)
"""Exit codes: done, impossible as asked (`why`), and nothing better than no power in the time."""


def commands(folder: Path) -> dict[str, list[str]]:
    """Name -> words of the command, without its limit."""
    out = ["-o", str(folder / "out")]
    large = {
        f"plan of {size.sources} sources": ["plan", str(write_site(folder, size)), *out]
        for size in (Size(300, 600, 20), Size(1000, 2000, 40))
    }
    return {
        "plan": ["plan", HARBOUR, *out],
        "plan on the mean basis": ["plan", HARBOUR, "--basis", "mean", *out],
        "plan with 3 alternatives": ["plan", HARBOUR, "--alternatives", "3", *out],
        "carry": ["carry", HARBOUR],
        "compare": ["compare", HARBOUR, *out],
        "frontier of 5 points": [
            "frontier",
            HARBOUR,
            "--give",
            "stock.pipe_steel",
            "--steps",
            "5",
            *out,
        ],
        "why": ["why", HARBOUR, "--want", "firm_clean=900kW"],
        **large,
    }


def main() -> int:
    """Run, measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, nargs="+", default=[5.0, 20.0, 60.0])
    parser.add_argument("--only", nargs="+", help="commands whose names begin so")
    given = parser.parse_args()
    late = 0
    print(f"{'command':26} {'limit, s':>8} {'took, s':>8} {'allowed, s':>10} {'exit':>4}")
    with tempfile.TemporaryDirectory() as name:
        for what, words in commands(Path(name)).items():
            if given.only and not what.startswith(tuple(given.only)):
                continue
            for limit in given.seconds:
                began = time.perf_counter()
                ended = subprocess.run(
                    [sys.executable, "-m", "allocator", *words, "--time-limit", f"{limit:g}"],
                    cwd=ROOT,
                    capture_output=True,
                    text=True,
                    check=False,
                )
                took, allowed = time.perf_counter() - began, 1.1 * limit + 3.0
                kept = took <= allowed and ended.returncode in ENDS
                late += not kept
                mark = "" if kept else "  LATE" if took > allowed else f"  {ended.stderr[-300:]}"
                row = f"{what:26} {limit:8.0f} {took:8.1f} {allowed:10.1f} {ended.returncode:4}"
                print(row + mark, flush=True)
    most = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024**2
    print(f"{late} late or failed; most memory of a process {most:.2f} GiB")
    return 1 if late else 0


if __name__ == "__main__":
    sys.exit(main())
