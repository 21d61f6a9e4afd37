"""Values that things of a kind share, and faults of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import jsonschema

from allocator.network.reading import check_site, read_site
from allocator.site.document import read_document
from allocator.site.marks import Marks
from allocator.site.nodes import plain_data
from allocator.site.schema import site_schema
from allocator.site.writing import site_text

SITE = """\
format: allocator.site/2
fluids: {gas: {heating_value: 50 MJ/kg}}
places: {well: {at: [0, 0]}, works: {at: [400 m, 0]}}
kinds:
  sources:
    landfill well: {place: well, fluid: gas, flow: 2 g/s, pump: {energy: 9 kJ/kg, rate: 2 g/s}}
  storage: {battery: {holds: power, size: {max: 20 kWh}}}
  demands: {load: {power: 40 kW}}
sources:
  a: {kind: landfill well}
  b: {kind: landfill well, flow: 1 g/s, pump: {energy: 8 kJ/kg}}
storage: {cells: {kind: battery, places: [works]}}
machines:
  engine: {inputs: {gas: 1 g/s}, outputs: {power: 15 kW}, places: {works: 3}}
demands: {town: {kind: load, priority: 2}}
"""


def _faults(tmp_path: Path, *patches: tuple[str, str]) -> tuple[list[str], list[str]]:
    text = SITE
    for old, new in patches:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    found = check_site(path)
    cut = len(str(path)) + 1
    return [str(f)[cut:] for f in found.faults], [str(w)[cut:] for w in found.warnings]


def test_a_key_given_at_the_thing_replaces_that_of_its_kind(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(SITE, encoding="utf-8")
    jsonschema.Draft202012Validator(site_schema()).validate(
        plain_data(read_document(path.read_bytes()))
    )
    site = read_site(path)
    a, b = site.sources["a"], site.sources["b"]
    assert (a.place, a.flow, b.flow) == ("well", 0.002, 0.001)
    assert a.pump is not None
    assert b.pump is not None
    assert (a.pump.energy, a.pump.rate) == (9e3, 0.002)
    assert (b.pump.energy, b.pump.rate) == (8e3, None)  # the whole key, not parts of it
    assert site.storage["cells"].holds == "power"
    assert site.demands["town"].mean == 40e3
    written = tmp_path / "written.yaml"
    written.write_text(site_text(site), encoding="utf-8")
    again = read_site(written)
    assert replace(again, sha256=site.sha256, name=site.name) == site
    assert "kind" not in site_text(site)


def test_a_value_of_a_kind_is_wrong_once_at_its_line(tmp_path: Path) -> None:
    faults, _ = _faults(tmp_path, ("fluid: gas, flow: 2 g/s", "fluid: gass, flow: 2 g/s"))
    assert faults == [
        "6:41: source 'a' and 1 more: fluid names the unknown fluid 'gass'; did you mean 'gas'?"
    ]
    faults, _ = _faults(tmp_path, ("flow: 2 g/s, ", "flwo: 2 g/s, "))
    assert faults == [
        "6:46: source 'a' and 1 more: has the unknown key 'flwo'; did you mean 'flow'?"
    ]


def test_unknown_kinds_are_told_once_with_near_names(tmp_path: Path) -> None:
    faults, _ = _faults(tmp_path, ("a: {kind: landfill well}", "a: {kind: landfil well}"))
    assert faults == [
        "10:13: source 'a': kind names the unknown kind 'landfil well'; "
        "did you mean 'landfill well'?"
    ]
    faults, _ = _faults(tmp_path, ("a: {kind: landfill well}", "a: {knd: landfill well}"))
    assert faults == ["10:7: source 'a': has the unknown key 'knd'; did you mean 'kind'?"]
    faults, _ = _faults(tmp_path, ("  demands: {load", "  demand: {load"))
    assert faults == [
        "8:3: site: kinds has the unknown key 'demand'; did you mean 'demands'?",
        "15:24: demand 'town': kind names the unknown kind 'load'; list it under 'kinds.demands'",
    ]


def test_a_kind_has_no_kind_and_one_that_nothing_uses_is_noted(tmp_path: Path) -> None:
    faults, warnings = _faults(
        tmp_path, ("{battery: {holds", "{cell: {}, battery: {kind: cell, holds")
    )
    assert faults == ["7:33: kind 'battery': is of another kind itself; list all its keys here"]
    assert warnings == [
        "7:13: kind 'cell': nothing under 'storage' is of this kind; "
        "write 'kind: cell' where it holds, or delete it"
    ]
    faults, _ = _faults(tmp_path, ("{load: {power: 40 kW}}", "{load: [40 kW]}"))
    assert "8:19: kind 'load': expects a mapping of keys, got a list" in faults


def test_lines_of_values_lead_into_the_kind(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(SITE, encoding="utf-8")
    assert Marks(path).of(["sources", "a", "flow"]) == f"{path}:6"
    assert Marks(path).of(["sources", "b", "flow"]) == f"{path}:11"
