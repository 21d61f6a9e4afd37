"""Plan files tampered with at random: does the audit accept a claim that it recomputes, changed?

    python benchmarks/tampering.py [--changes N] [--seed S] [--sites drawn | pressures | clocks]

Plans of the example networks that are planned quickly and of drawn sites (``tests/brute``), or of
drawn sites with pressures along lines or with known clocks alone. One field a change: a number
times 1.01 to 100 or divided by it (1.5 to 100 where two models of heat may differ by 2 %), a name
changed or taken from another thing, a list cut short, a row given twice, a key left out. Fields
taken on trust (``allocator/verify/trusted.py``) and decisions with every claim still true
(``ROOM`` in ``tests/plan_fields.py``, ``still_true`` below) do not count, nor does a gap by less
than its tolerance. Exits with 1 where a changed file is accepted.
"""

from __future__ import annotations

import argparse
import copy
import itertools
import json
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from brute.faults import drawn_case  # noqa: E402
from damaged_plans import at, leaves, put  # noqa: E402
from laws.test_known_clocks_by_brute_force import drawn, site_of  # noqa: E402
from plan_fields import COARSE, accepted, is_held, pattern  # noqa: E402
from pressed_sites import pressed_site  # noqa: E402

from allocator.network.deriving import network_of  # noqa: E402
from allocator.network.reading import read_site  # noqa: E402
from allocator.plans.file import plan_to_json  # noqa: E402
from allocator.search import Settings, make_plan  # noqa: E402
from allocator.site.records import Site  # noqa: E402
from allocator.verify.totals import REPORTED  # noqa: E402

NETWORKS = ("first", "island", "warm_kiln", "hot_purge", "ridge_battery")
EACH = 25
"""Changes of a drawn site's plan, before the next is drawn; of a network's ten times as many."""


def plans(seed: int, sites: str) -> Iterator[tuple[str, Site, Any, int]]:
    """Name, site, plan as JSON data and number of changes, without end."""
    for name in NETWORKS if sites == "drawn" else ():
        site = network_of(read_site(ROOT / "networks" / f"{name}.yaml"))
        yield from _planned(name, site, "firm", 10 * EACH)
    with tempfile.TemporaryDirectory() as folder:
        for number in itertools.count(1_000_000 * seed):
            basis = "firm"
            if sites == "pressures":
                site = pressed_site(number, Path(folder))
            elif sites == "clocks":
                site = site_of(*drawn(number))
            else:
                site, basis = drawn_case(number)
            yield from _planned(f"site {number}", network_of(site), basis, EACH)


def _planned(name: str, site: Site, basis: str, count: int) -> Iterator[tuple[str, Site, Any, int]]:
    plan = make_plan(site, Settings(basis=basis, node_limit=200, threads=1)).plan
    if plan is not None:
        yield name, site, json.loads(plan_to_json(plan)), count


def changed(data: Any, draw: random.Random) -> tuple[str, Any] | None:
    """What was changed, in words, and the data with it; None where there is nothing to change."""
    paths = [path for path in leaves(data) if is_held(pattern(path))]
    path = draw.choice(paths)
    name, value = pattern(path), at(data, path)
    if isinstance(value, bool):
        new: Any = not value
    elif isinstance(value, str):
        alike = {at(data, p) for p in paths if pattern(p) == name} - {value}
        new = draw.choice([f"{value}x", *sorted(alike)])
    elif isinstance(value, list):
        if not value:
            return None
        row = draw.randrange(len(value))
        cut = value[:row] + value[row + 1 :]
        new = draw.choice([cut, [*value, value[row]]])
    elif isinstance(value, dict):
        if "*" not in name or not value:
            return None
        key = draw.choice(sorted(value))
        new = copy.deepcopy(value)
        del new[key]
        name = f"{name} without {key}"
    elif value is None or value == 0:
        new = 10.0 ** draw.uniform(0, 4)
        new = round(new) if isinstance(value, int) else new
    elif isinstance(value, int):
        new = value + draw.choice((-2, -1, 1, 2, 10))
    else:
        least = 1.5 if name.endswith(COARSE) else 1.01
        factor = least * (100.0 / least) ** draw.random()
        new = value * draw.choice((factor, 1.0 / factor, -1.0))
    if name == "goals[].gap" and abs((new or 0.0) - (value or 0.0)) <= REPORTED:
        return None
    return f"{name}: {_short(value)} -> {_short(new)}", put(data, path, new)


def still_true(site: Site, data: Any, other: Any) -> bool:
    """Whether a changed plan only leaves out what neither does nor claims anything.

    A machine that stands idle and takes no material or money, or what a battery releases or levels
    of less than the tolerance of all power.
    """
    kept = copy.deepcopy(data)
    kept["machines"] = [m for m in kept["machines"] if not _does_nothing(site, m)]
    least = REPORTED * kept["power"]["demand_mean_w"]
    for battery in kept["batteries"]:
        for parts in [*battery["release_mean_w"].values(), *battery["levelled_mean_w"].values()]:
            for name in [name for name, power in parts.items() if power < least]:
                del parts[name]
    parts = ({key: kept[key]} for key in ("machines", "batteries"))
    return any(other == {**data, **part} for part in parts)


def _does_nothing(site: Site, machine: Any) -> bool:
    kind = site.machines[machine["type"]]
    works = any(machine[key] for key in ("running", "flat_load", "following", "cycled", "burst"))
    return not works and kind.price == 0 and not any(kind.materials.values())


def _short(value: Any) -> str:
    text = json.dumps(value)
    return text if len(text) < 80 else f"{text[:77]}..."


def main() -> int:
    """Change, audit and count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--changes", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--sites", choices=("drawn", "pressures", "clocks"), default="drawn")
    asked = parser.parse_args()
    draw = random.Random(asked.seed)
    counts: Counter[str] = Counter()
    for name, site, data, count in plans(asked.seed, asked.sites):
        assert accepted(site, data), name
        counts["plans"] += 1
        tried = 0
        while tried < count and counts["changes"] < asked.changes:
            made = changed(data, draw)
            if made is None:
                continue
            what, other = made
            tried += 1
            counts["changes"] += 1
            if accepted(site, other) and not still_true(site, data, other):
                counts["accepted"] += 1
                print(f"{name}: {what}", flush=True)
        if counts["changes"] >= asked.changes:
            break
    print(f"{counts['changes']} changes of {counts['plans']} plans: {counts['accepted']} accepted")
    return 1 if counts["accepted"] else 0


if __name__ == "__main__":
    sys.exit(main())
