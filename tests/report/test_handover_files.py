"""Hand-over files as other programs read them: openpyxl, GeoJSON's rules, networkx."""

from __future__ import annotations

import io
import json
import math
import re
import sys
from dataclasses import replace
from typing import Any

import networkx
import openpyxl
import pytest
from handmade_cove import COVE, COVE_PLAN
from handmade_ridge import RIDGE, RIDGE_PLAN
from hostile_cove import FORMULA, HOSTILE, HOSTILE_PLAN, QUOTED, RIGHT_TO_LEFT, SCRIPT

from allocator.base.table import Column, Table
from allocator.network.deriving import network_of
from allocator.report.files import hand_over_files, plan_tables
from allocator.report.handover.coordinates import CoordinatesError, check_origin
from allocator.report.handover.geojson import plan_geojson
from allocator.report.handover.graphml import plan_graph, plan_graphml
from allocator.report.handover.role_sheets import role_sheets
from allocator.report.handover.workbook import workbook
from allocator.report.tags import valve_tags
from allocator.site.records import MapOrigin, Place

CASES = [
    (network_of(COVE), COVE_PLAN),
    (network_of(RIDGE), RIDGE_PLAN),
    (network_of(HOSTILE), HOSTILE_PLAN),
]
NAMES = ["cove", "ridge", "hostile"]


@pytest.mark.parametrize(("site", "plan"), CASES, ids=NAMES)
def test_the_workbook_reads_back_as_the_tables(site: Any, plan: Any) -> None:
    tables = plan_tables(site, plan, crew=0.01)
    book = openpyxl.load_workbook(io.BytesIO(workbook(plan, tables)))
    roles = [sheet.name for sheet in role_sheets(tables)]
    assert {"crew build order", "crew set-points", "stores", "procurement"} <= set(roles)
    assert book.sheetnames == ["read me", *roles, *(table.name for table in tables)]
    for table in tables:
        head, *rows = book[table.name].iter_rows(values_only=True)
        assert list(head) == [key.replace("_", " ") for key in table.keys]
        assert len(rows) == len(table)
        for read, written in zip(rows, table.rows, strict=True):
            for cell, value in zip(read, written, strict=True):
                if isinstance(value, float):
                    assert cell == pytest.approx(value, rel=1e-12)
                elif isinstance(value, int) and not isinstance(value, bool):
                    assert cell == value
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.hyperlink is None
                # formulas are ours alone: none in sheets of tables, none with a text of the site
                if cell.data_type == "f":
                    assert sheet.title in roles
                    assert OURS.fullmatch(str(cell.value))


CELL = r"[A-Z]+\d+"
OURS = re.compile(
    rf"=SUBTOTAL\(109,{CELL}:{CELL}\)|=SUMPRODUCT\(--\({CELL}:{CELL}={CELL}\),{CELL}:{CELL}\)"
    rf"|=({CELL}|0)\+({CELL}|0)\+({CELL}|0)|=MAX\(0,{CELL}-{CELL}\)"
)


def column_of(sheet: Any, head: str) -> int:
    """The number of a column whose head begins so, from 1."""
    return next(cell.column for cell in sheet[1] if str(cell.value).startswith(head))


@pytest.mark.parametrize(("site", "plan"), CASES, ids=NAMES)
def test_stored_sums_are_what_their_formulas_give(site: Any, plan: Any) -> None:
    data = workbook(plan, plan_tables(site, plan))
    formulas = openpyxl.load_workbook(io.BytesIO(data))
    values = openpyxl.load_workbook(io.BytesIO(data), data_only=True)
    checked = 0
    for sheet in formulas:
        shown = values[sheet.title]
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type != "f":
                    continue
                known = shown[cell.coordinate].value
                assert known == pytest.approx(worked_out(shown, str(cell.value)), abs=1e-9)
                checked += 1
    assert checked > 5


def worked_out(sheet: Any, formula: str) -> float:
    """The value of one of the formulas of a workbook, out of the cells of the sheet."""

    def numbers(area: str) -> list[Any]:
        return [cell.value for (cell,) in sheet[area]]

    if area := re.fullmatch(r"=SUBTOTAL\(109,(.*)\)", formula):
        return sum(value or 0.0 for value in numbers(area[1]))
    if areas := re.fullmatch(r"=SUMPRODUCT\(--\((.*)=(.*)\),(.*)\)", formula):
        name = sheet[areas[2]].value
        pairs = zip(numbers(areas[1]), numbers(areas[3]), strict=True)
        return sum(value or 0.0 for key, value in pairs if key == name)
    if two := re.fullmatch(r"=MAX\(0,(.*)-(.*)\)", formula):
        return max(0.0, float(sheet[two[1]].value) - float(sheet[two[2]].value))
    return sum(float(sheet[one].value) for one in formula[1:].split("+") if one != "0")


def test_sheets_by_role_are_in_units_that_fit_with_formats() -> None:
    book = openpyxl.load_workbook(
        io.BytesIO(workbook(COVE_PLAN, plan_tables(network_of(COVE), COVE_PLAN)))
    )
    procurement = book["procurement"]
    heads = [cell.value for cell in procurement[1]]
    assert heads == ["item", "where", "amount", "of", "material", "mass, kg", "cost"]
    totals = {row[0]: row for row in procurement.iter_rows(values_only=True)}["total"]
    assert totals[6].startswith("=SUBTOTAL(109,G2:G")
    order = book["crew build order"]
    power = order.cell(2, column_of(order, "firm power so far, kW"))
    assert power.number_format.startswith("#,##0")
    assert book["stores"].cell(2, column_of(book["stores"], "left in stock, kg")).data_type == "f"


def test_text_stays_text_in_the_workbook() -> None:
    rows = tuple((text,) for text in (FORMULA, "@x", "http://a.b", "x" * 40_000))
    table = Table("names", "Names", (Column("name", "name"),), rows)
    book = openpyxl.load_workbook(io.BytesIO(workbook(HOSTILE_PLAN, [table])))
    cells = [row[0].value for row in book["names"].iter_rows(min_row=2)]
    assert cells[:3] == ["'=1+1", "'@x", "http://a.b"]
    assert len(str(cells[3])) == 32_767


@pytest.mark.parametrize(("site", "plan"), CASES, ids=NAMES)
def test_the_same_plan_gives_the_same_bytes(site: Any, plan: Any) -> None:
    assert hand_over_files(site, plan) == hand_over_files(site, plan)


@pytest.mark.parametrize(("site", "plan"), CASES, ids=NAMES)
def test_geojson_keeps_the_rules(site: Any, plan: Any) -> None:
    """RFC 7946 (2016): sections 1.4, 3, 3.1.1, 3.1.2, 3.1.4, 3.2, 3.3, 6.1, 7.1."""
    found = json.loads(plan_geojson(site, plan))
    assert found["type"] == "FeatureCollection"
    # 7.1: a feature collection has none of the members that define another type
    assert not {"coordinates", "geometries", "geometry", "properties", "crs"} & set(found)
    assert "not WGS 84" in found["coordinate_reference"]
    ids = [feature["id"] for feature in found["features"]]
    assert len(ids) == len(set(ids))
    for feature in found["features"]:
        assert feature["type"] == "Feature"
        assert isinstance(feature["properties"], dict)
        assert not {"coordinates", "geometries", "features"} & set(feature)
        geometry = feature["geometry"]
        assert set(geometry) == {"type", "coordinates"}
        if geometry["type"] == "Point":
            positions = [geometry["coordinates"]]
        else:
            assert geometry["type"] == "LineString"
            positions = geometry["coordinates"]
            assert len(positions) >= 2
        for position in positions:
            assert 2 <= len(position) <= 3
            assert all(isinstance(number, int | float) for number in position)
    kinds = [feature["properties"]["kind"] for feature in found["features"]]
    assert kinds.count("run") == len(plan.runs)
    assert kinds.count("line") == len(plan.lines)
    assert kinds.count("place") == len(site.places)
    assert kinds.count("source") == len(site.sources)
    assert kinds.count("store") == len(plan.stores) + len(plan.batteries)
    assert kinds.count("machine") == len(plan.machines)


def meridian_arc(latitude: float) -> float:
    """Metres from the equator along a meridian of GRS 80, by adding up its curvature."""
    a, f = 6_378_137.0, 1 / 298.257222101
    e2, steps = f * (2 - f), 200_000
    step = math.radians(latitude) / steps
    return sum(
        a * (1 - e2) / (1 - e2 * math.sin((k + 0.5) * step) ** 2) ** 1.5 * step
        for k in range(steps)
    )


def test_an_origin_gives_longitude_and_latitude() -> None:
    """On the central meridian of UTM zone 32 the northing is 0.9996 of the meridian arc."""
    pytest.importorskip("pyproj")
    at_50 = MapOrigin("EPSG:25832", 500_000.0, 0.9996 * meridian_arc(50.0))
    places = {**COVE.places, "well": Place("well", 100.0, 0.0, 7.0)}
    network = network_of(replace(COVE, origin=at_50, places=places))
    found = json.loads(plan_geojson(network, COVE_PLAN))
    assert found["coordinate_reference"].startswith("WGS 84")
    points = {f["id"]: f["geometry"]["coordinates"] for f in found["features"]}
    assert points["place:works"] == [9.0, pytest.approx(50.0, abs=2e-7)]
    # 100 m east: by the radius of the parallel, with the scale of the projection
    radius = 6_378_137.0 / math.sqrt(1 - 0.00669438 * math.sin(math.radians(50)) ** 2)
    across = math.degrees(100.0 / 0.9996 / (radius * math.cos(math.radians(50))))
    assert points["place:well"][0] == pytest.approx(9.0 + across, abs=2e-7)
    assert points["source:north"] == points["place:well"]
    elevation = {f["id"]: f["properties"].get("elevation_m") for f in found["features"]}
    assert elevation["place:well"] == 7.0


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:2263", "nowhere"])
def test_an_origin_in_no_projection_in_metres_is_refused(crs: str) -> None:
    pytest.importorskip("pyproj")
    with pytest.raises(CoordinatesError, match="EPSG:25832"):
        check_origin(replace(COVE, origin=MapOrigin(crs, 0.0, 0.0)))


def test_without_the_extra_an_origin_is_an_error_that_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "pyproj", None)
    with pytest.raises(CoordinatesError, match=r"pip install 'allocator\[geo\]'"):
        check_origin(replace(COVE, origin=MapOrigin("EPSG:25832", 0.0, 0.0)))
    check_origin(COVE)


def test_features_and_lists_use_the_same_tags() -> None:
    network = network_of(COVE)
    known = {valve.tag for valve in valve_tags(network, COVE_PLAN).values()}
    features = json.loads(plan_geojson(network, COVE_PLAN))["features"]
    used = {tag for f in features for tag in f["properties"].get("valves", ())}
    assert used == known


@pytest.mark.parametrize(("site", "plan"), CASES, ids=NAMES)
def test_graphml_reads_back(site: Any, plan: Any) -> None:
    graph = plan_graph(site, plan)
    read = networkx.parse_graphml(plan_graphml(site, plan), force_multigraph=True)
    assert set(read) == set(graph)
    assert read.number_of_edges() == len(plan.runs) + len(plan.lines)
    for start, end, facts in graph.edges(data=True):
        assert facts in [found for _, found in read.get_edge_data(start, end).items()]
    for node, facts in graph.nodes(data=True):
        assert read.nodes[node] == facts


def test_names_that_mean_something_elsewhere_are_kept_as_they_are() -> None:
    graph = networkx.parse_graphml(
        plan_graphml(network_of(HOSTILE), HOSTILE_PLAN), force_multigraph=True
    )
    assert {SCRIPT, QUOTED, RIGHT_TO_LEFT} <= set(graph)
    places = {
        f["properties"]["name"]
        for f in json.loads(plan_geojson(network_of(HOSTILE), HOSTILE_PLAN))["features"]
    }
    assert {SCRIPT, QUOTED, RIGHT_TO_LEFT} <= places
