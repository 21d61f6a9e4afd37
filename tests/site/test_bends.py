"""Bends of a route: its length, on the map, in GeoJSON."""

from __future__ import annotations

import itertools
import json
import math
import re
from pathlib import Path

import pytest

import allocator as al
from allocator.network.deriving import network_of
from allocator.report.handover.geojson import plan_geojson
from allocator.report.page.clear_labels import segments_of
from allocator.report.page.placing import place_all

FIRST = Path(__file__).resolve().parents[2] / "networks" / "first.yaml"


@pytest.fixture
def bent(tmp_path: Path) -> Path:
    """Farm and mill, 200 m apart, by a lane with two right angles: 50 + 200 + 50 m."""
    text = FIRST.read_text(encoding="utf-8")
    text, count = re.subn(
        r"(lane: \{between: \[farm, mill\])", r"\1, via: [[0 m, 50 m], [200 m, 50 m]]", text
    )
    assert count == 1
    path = tmp_path / "first.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_length_follows_the_bends(bent: Path) -> None:
    assert al.read_site(FIRST).routes["lane"].length == 200.0
    assert al.read_site(bent).routes["lane"].length == 300.0


def test_a_climb_is_spread_over_the_line(bent: Path) -> None:
    text = bent.read_text().replace(
        "mill: {at: [200 m, 0 m]}", "mill: {at: [200 m, 0 m], elevation: 40 m}"
    )
    bent.write_text(text)
    assert al.read_site(bent).routes["lane"].length == pytest.approx(math.hypot(300.0, 40.0))


def test_map_and_geojson_show_the_bends(bent: Path) -> None:
    result = al.plan(bent, node_limit=200, prove=0)
    site = network_of(al.read_site(bent))
    found = json.loads(plan_geojson(site, result.plan))
    (run,) = [f for f in found["features"] if f["properties"]["kind"] == "run"]
    corners = [point[:2] for point in run["geometry"]["coordinates"]]
    assert corners in (
        [[0, 0], [0, 50], [200, 50], [200, 0]],
        [[200, 0], [200, 50], [0, 50], [0, 0]],
    )
    ground = place_all(site)
    assert ground.scale is not None
    line = ground.line("farm", "mill", "lane")
    long = sum(math.dist(a, b) for a, b in itertools.pairwise(line))
    assert long == pytest.approx(300.0 * ground.scale)
    assert ground.line("mill", "farm", "lane") == line[::-1]


def test_labels_keep_clear_of_every_piece_of_a_bent_line() -> None:
    drawn = '<path d="M0 0L0 50L200 50"/><path d="M1 2L3 4"/>'
    assert segments_of(drawn) == [(0, 0, 0, 50), (0, 50, 200, 50), (1, 2, 3, 4)]
