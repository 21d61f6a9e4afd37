"""The JSON Schema: it accepts what the reader accepts and knows the keys that the reader knows."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from allocator.network.reading import check_site
from allocator.site.document import read_document
from allocator.site.kinds import QUANTITY_PATTERN
from allocator.site.nodes import plain_data
from allocator.site.schema import site_schema

NETWORKS = sorted((Path(__file__).parents[2] / "networks").glob("*.yaml"))
VALIDATOR = jsonschema.Draft202012Validator(site_schema())


def _data(path: Path) -> Any:
    return plain_data(read_document(path.read_bytes()))


def _mappings(schema: Any) -> Iterator[dict[str, Any]]:
    """Every part of the schema that lists keys."""
    if isinstance(schema, dict):
        if schema.get("additionalProperties") is False:
            yield schema
        for part in schema.values():
            yield from _mappings(part)
    elif isinstance(schema, list):
        for part in schema:
            yield from _mappings(part)


def test_is_a_schema_and_is_json() -> None:
    jsonschema.Draft202012Validator.check_schema(site_schema())
    assert json.loads(json.dumps(site_schema())) == site_schema()


def test_every_key_is_described() -> None:
    keys = [
        (name, key) for part in _mappings(site_schema()) for name, key in part["properties"].items()
    ]
    assert len(keys) > 100
    for name, key in keys:
        assert key.get("description"), f"{name} has no description"


def test_networks_validate() -> None:
    assert NETWORKS
    for path in NETWORKS:
        VALIDATOR.validate(_data(path))
        assert check_site(path).faults == ()


def test_kitchen_sink_validates(kitchen_sink: Path) -> None:
    VALIDATOR.validate(_data(kitchen_sink))
    for name in ("hot_sink.yaml", "measured.yaml"):
        VALIDATOR.validate(_data(kitchen_sink.with_name(name)))


def test_the_kitchen_sink_holds_every_key(kitchen_sink: Path) -> None:
    """So that its test reads every key there is."""
    known = {name for part in _mappings(site_schema()) for name in part["properties"]}
    words = kitchen_sink.read_text(encoding="utf-8")
    for name in ("hot_sink.yaml", "measured.yaml"):
        words += kitchen_sink.with_name(name).read_text(encoding="utf-8")
    # constants are one table of alike keys; one of them will do
    constants = {"viscosity", "specific_heat", "conductivity", "molar_mass", "latent_heat"}
    elsewhere = {"varies"}  # test_clocks.py reads it
    missing = {name for name in known - constants - elsewhere if f"{name}:" not in words}
    assert missing == set()


def _misspellings(data: Any) -> Iterator[tuple[str, Any]]:
    """The file with one key of a table misspelt, for every such key."""
    tables = {name for part in _mappings(site_schema()) for name in part["properties"]}

    def walk(node: Any) -> Iterator[tuple[str, Any]]:
        if isinstance(node, dict):
            for key, value in node.items():
                # 'power' is a name in some mappings, and 'north' is one outside of the origin
                if key in tables and key != "power" and (key != "north" or "crs" in node):
                    yield key, {(f"{k}x" if k == key else k): v for k, v in node.items()}
                for name, changed in walk(value):
                    yield name, {**node, key: changed}
        elif isinstance(node, list):
            for at, value in enumerate(node):
                for name, changed in walk(value):
                    yield name, [*node[:at], changed, *node[at + 1 :]]

    return walk(data)


@pytest.mark.slow
def test_misspelt_keys_do_not_validate(kitchen_sink: Path, tmp_path: Path) -> None:
    """Every single one, and the reader refuses each as well."""
    for name in ("hall_load.csv", "well_flow.csv"):
        (tmp_path / name).write_bytes(kitchen_sink.with_name(name).read_bytes())
    path = tmp_path / "site.yaml"
    count = 0
    others = ("hot_sink.yaml", "measured.yaml")
    files = (kitchen_sink, *(kitchen_sink.with_name(name) for name in others))
    for name, data in (pair for file in files for pair in _misspellings(_data(file))):
        assert not VALIDATOR.is_valid(data), f"{name}x passes the schema"
        path.write_text(json.dumps(data), encoding="utf-8")  # JSON is YAML
        assert check_site(path).site is None, f"{name}x passes the reader"
        count += 1
    assert count > 220


@pytest.mark.parametrize(
    ("section", "change"),
    [
        ("sources", {"north_well": {"place": "north", "fluid": "well_gas"}}),
        ("sources", {"w": {"place": "north", "fluid": "well_gas", "flow": -1}}),
        ("sources", {"w": {"place": "north", "fluid": "well_gas", "flow": "fast"}}),
        ("sources", {"a>b": {"place": "north", "fluid": "well_gas", "flow": 1}}),
        ("fluids", {"power": {}}),
        ("fluids", {}),
        ("fluids", {"gas": {"phase": "plasma"}}),
        ("demands", {"flat": {"power": 1}}),
        ("demands", {"town": {"power": 1, "fluid": "diesel", "flow": 1}}),
        ("demands", {"town": {"fluid": "diesel"}}),
        ("routes", {"ridge": {"between": ["north"]}}),
        ("routes", {"ridge": {"between": ["north", "works"], "length": 5, "winding": 2}}),
        ("goals", ["money", "money"]),
        ("goals", ["glory"]),
        ("format", "allocator.site/3"),
        ("count_biogenic", "no"),
        ("streams", {}),
    ],
)
def test_what_the_schema_refuses(section: str, change: object, kitchen_sink: Path) -> None:
    data = _data(kitchen_sink)
    VALIDATOR.validate(data)
    assert not VALIDATOR.is_valid({**data, section: change})


def test_parts_are_said_once() -> None:
    """Quantities, ranges and records stand below $defs, each of which is referred to."""
    text = json.dumps(site_schema())
    assert text.count(json.dumps(QUANTITY_PATTERN)) == 2  # of quantities, and of the user's units
    for name in site_schema()["$defs"]:
        assert f'{{"$ref": "#/$defs/{name}"' in text
