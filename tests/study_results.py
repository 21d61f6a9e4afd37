"""Results of studies as their commands leave them, with figures of our own."""

from __future__ import annotations

import json
from pathlib import Path

from allocator.report.page.study_files import FRONTIER_FORMAT, MIXES_FORMAT, SWEEP_FORMAT
from allocator.site.records import Site

MIX = {
    "mix": "clean only",
    "about": "nothing that emits",
    "reason": "",
    "hours_short_per_year": 3.25,
    "figures": {
        "status": "optimal",
        "verified": True,
        "gap": 0.0,
        "firm_clean": 12_345.678,
        "firm_total": 15_345.678,
        "mean_clean": 14_000.5,
        "mean_total": 17_000.5,
        "demand_mean": 25_000.0,
        "counted": 0.0123,
        "money": 23_088.25,
        "machines": {"small_engine": 2},
        "stores": {"gas_holder@mill": 130.5},
        "materials": {"steel": 1012.75},
        "bought": {"barge": 0.001},
    },
}
NONE = {**MIX, "mix": "<b>none</b>", "figures": None, "reason": "no plan exists"}
POINTS = [
    {"given": 0.0, "power_w": 0.0, "bound_w": 0.0, "end": "least", "knee": None, "changes": []},
    {
        "given": 700.125,
        "power_w": 9000.5,
        "bound_w": 9500.25,
        "end": "",
        "knee": 3.5,
        "changes": ["+tap digester"],
    },
    {
        "given": 1060.0,
        "power_w": 13_374.5,
        "bound_w": 13_374.5,
        "end": "most",
        "knee": None,
        "changes": [],
    },
]


def files(site: Site, folder: Path, give: str = "steel") -> Path:
    """A folder of both studies, as their commands leave them."""
    about = {"name": site.name, "sha256": site.sha256}
    mixes = {"format": MIXES_FORMAT, "site": about, "said": "A sentence.", "mixes": [MIX, NONE]}
    points = [{"gap": 0.0, "status": "optimal", "audited": True, **p} for p in POINTS]
    frontier = {"format": FRONTIER_FORMAT, "site": about, "give": give, "points": points}
    (folder / "comparison.json").write_text(json.dumps(mixes), encoding="utf-8")
    (folder / "frontier.json").write_text(json.dumps(frontier), encoding="utf-8")
    return folder


def sweep_file(site: Site, folder: Path) -> Path:
    """A folder of a sweep, as its command leaves it."""
    point = {
        "point": {"stock.steel": 900.0},
        "planned": 11_000.0,
        "quantiles": [8000.0, 9000.0, 10_000.0, 11_500.0, 12_000.0],
        "draws": 10,
        "kept": 7,
        "untouched": None,
    }
    effect = {"address": "stock.steel", "rank": 0.5, "low": 8e3, "high": 11e3, "chance": None}
    facts = {
        "format": SWEEP_FORMAT,
        "site": {"name": site.name, "sha256": site.sha256},
        "mode": "re-checked",
        "figure": "firm_clean",
        "promised": 12_000.0,
        "cases": 10,
        "failed": 0,
        "levels": [0.0, 0.05, 0.5, 0.95, 1.0],
        "points": [point],
        "effects": [{**effect, "cases": 10}],
    }
    (folder / "sweep.json").write_text(json.dumps(facts), encoding="utf-8")
    return folder
