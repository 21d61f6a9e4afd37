"""The stored answers of the example networks: what they hold, and how they are made again.

``python tests/networks/stored_answers.py [NAME ...]`` plans the named networks (all by default)
and writes ``networks/expected/NAME.json``. Look at what has changed before you keep it: an answer
changes when a network is changed, or when the program's rules are.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import Any

from allocator.network.reading import read_site
from allocator.search import Outcome, Settings, make_plan
from allocator.site.records import Site
from allocator.studies.heat_sink_words import set_name
from allocator.studies.sink_rows import heat_sinks_table

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
FORMAT = "allocator.expected/1"

GAP = 1e-6
FIRST, LATER = 1e-5, 1e-3
"""Relative tolerances. Later goals may use what the gap of the earlier ones leaves open."""

OPEN = ("harbour", "harbour_capacities")
"""Networks whose search does not end in a short time: a floor is stored in place of an answer."""

SEARCHED_BRIEFLY = ("harbour_capacities",)
"""Those of them that tests plan within seconds; ``benchmarks/pressure.py`` plans the other."""


def names() -> tuple[str, ...]:
    """All example networks, by file name."""
    return tuple(sorted(path.stem for path in NETWORKS.glob("*.yaml")))


def site_of(name: str) -> Site:
    """An example network, read."""
    return read_site(NETWORKS / f"{name}.yaml")


def planned(site: Site, basis: str = "firm", solver: str = "highs") -> Outcome:
    """The outcome that the stored answers speak of: searched to the end."""
    return make_plan(site, Settings(basis=basis, gap=GAP, time_limit=600.0, solver=solver))


def answer(name: str) -> dict[str, Any]:
    """What is stored of a network."""
    return json.loads((NETWORKS / "expected" / f"{name}.json").read_text(encoding="utf-8"))


def worked_out(name: str) -> dict[str, Any]:
    """A network's answer, planned anew."""
    outcome = planned(site_of(name))
    found: dict[str, Any] = {"format": FORMAT, "network": name}
    if outcome.plan is None:
        assert outcome.proven_impossible, f"{name}: {outcome.reason}"
        named = sorted(set(re.findall(r"'([^']+)'", outcome.reason)))
        return {**found, "outcome": "impossible", "reason_names": named}
    mean = planned(site_of(name), "mean").plan
    assert mean is not None
    found["outcome"] = "plan"
    found["goals"] = {}
    for number, goal in enumerate(outcome.plan.goals):
        found["goals"][goal.name] = {
            "value": float(f"{goal.value:.8g}"),
            "unit": goal.unit,
            "relative_tolerance": FIRST if number == 0 else LATER,
        }
    found["mean_basis_clean_w"] = float(f"{mean.power.firm_clean:.8g}")
    if site_of(name).heat_sinks:
        found["baths"] = heat_sinks_of(site_of(name))
    return found


def heat_sinks_of(site: Site) -> dict[str, dict[str, Any]]:
    """What is stored of the baths of a site: SI, eight figures."""
    found = {}
    for row in heat_sinks_table(site):
        facts: dict[str, Any] = {
            "smallest_set": set_name(row.smallest) if row.smallest else None,
            "peak_k": row.given.high,
            "to_spare_k": row.given.margin,
            "burst_swing_k": row.given.burst,
            "spell_swing_k": row.given.spell,
            "recovery_after_s": row.given.drives_after,
            "recovered_power_w": row.given.power,
            "steam_kg_per_s": row.given.steam,
            "least_cooler_w": row.needs,
            "least_mass_kg": row.least_mass,
            "never_boils_kg": row.never_boils,
        }
        found[row.heat_sink.name] = {
            key: float(f"{value:.8g}") if isinstance(value, float) else value
            for key, value in facts.items()
        }
    return found


def main(chosen: list[str]) -> None:
    """Write the stored answers of the chosen networks."""
    for name in chosen or [name for name in names() if name not in OPEN]:
        path = NETWORKS / "expected" / f"{name}.json"
        path.write_text(json.dumps(worked_out(name), indent=2) + "\n", encoding="utf-8")
        print(path)


if __name__ == "__main__":
    main(sys.argv[1:])
