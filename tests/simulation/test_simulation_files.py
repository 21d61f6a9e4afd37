"""simulation.json, levels.csv, events.csv: complete, byte-same, and readable again."""

from __future__ import annotations

import csv
import json
from pathlib import Path

from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.simulation import SimulationSettings, simulate, write_simulation

NETWORKS = Path(__file__).parents[2] / "networks"
KEYS = {
    "promised_firm_w",
    "worst_firm_w",
    "quantiles",
    "short_hours",
    "unserved_j",
    "spilt_kg",
    "starts",
    "store_min",
    "store_max",
    "emissions_kg",
    "clean_share",
    "mean_clean_w",
    "draws",
    "foresight_w",
}


def test_files_are_complete_byte_same_and_agree(tmp_path: Path) -> None:
    site = read_site(NETWORKS / "first.yaml")
    plan = make_plan(site, Settings(node_limit=200)).plan
    assert plan is not None
    asked = SimulationSettings(days=30.0, phases=2, samples=30, events=10, from_now=True)
    folders = [tmp_path / "a", tmp_path / "b"]
    for folder in folders:
        paths = write_simulation(folder, simulate(site, plan, asked))
        assert sorted(paths) == ["events.csv", "levels.csv", "simulation.json"]
    for name in ("events.csv", "levels.csv", "simulation.json"):
        assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes()

    told = json.loads((folders[0] / "simulation.json").read_text())
    assert told.keys() >= KEYS
    assert told["kept"] is True
    assert told["worst_firm_w"] == told["promised_firm_w"] == plan.power.firm_total
    assert [draw["name"] for draw in told["draws"]] == [
        "random 1",
        "random 2",
        "against gas_holder@mill",
        "from now",
    ]

    with (folders[0] / "levels.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 31
    assert float(rows[-1]["time_s"]) == 30 * 86400.0
    (tank,) = told["draws"][0]["tanks"]
    assert float(rows[-1]["level"]) == tank["last"]
    assert min(float(row["lowest"]) for row in rows) == tank["lowest"]

    with (folders[0] / "events.csv").open(newline="") as file:
        events = list(csv.DictReader(file))
    times = [float(row["time_s"]) for row in events[:-1]]
    assert times == sorted(times)
    # Ten changes of the source and ten of the tank are written down; the rest are counted.
    assert [row["event"] for row in events if row["name"] == "digester"][:2] in (
        ["on", "off"],
        ["off", "on"],
    )
    assert events[-1]["event"] == "left_out"
    assert int(events[-1]["value"]) > 0
    assert len(events) == 21


def test_another_seed_gives_other_phases(tmp_path: Path) -> None:
    site = read_site(NETWORKS / "first.yaml")
    plan = make_plan(site, Settings(node_limit=200)).plan
    assert plan is not None
    one, two = (
        simulate(site, plan, SimulationSettings(days=5.0, phases=1, seed=seed)) for seed in (0, 1)
    )
    assert one.draws[0].phases != two.draws[0].phases
