"""``check``, ``audit``, ``sources``, ``schema``: output and exit codes."""

from __future__ import annotations

import json
import os
from pathlib import Path

import jsonschema
import pytest

from allocator.cli.entry import main
from allocator.cli.terminal import times
from allocator.site.schema import site_schema

Told = pytest.CaptureFixture[str]


def test_check_of_a_good_site(networks: Path, capsys: Told) -> None:
    assert main(["check", str(networks / "first.yaml")]) == 0
    out, err = capsys.readouterr()
    assert out == (
        f"{networks / 'first.yaml'}: no faults, no warnings; 1 source, 1 storage type, "
        "1 route, 1 machine type, 1 demand\n"
    )
    assert err == ""


def test_check_of_a_faulty_site(networks: Path, tmp_path: Path, capsys: Told) -> None:
    site = tmp_path / "site.yaml"
    site.write_text((networks / "first.yaml").read_text().replace("flow: 12 g/s", "flow: 12 kW"))
    assert main(["check", str(site)]) == 2
    out, err = capsys.readouterr()
    assert out == f"{site}: 1 fault\n"
    assert "source 'digester'" in err
    assert main(["check", str(tmp_path / "none.yaml")]) == 2
    assert "no such file" in capsys.readouterr().err


def test_audit_accepts_a_plan_and_its_folder(networks: Path, planned: Path, capsys: Told) -> None:
    for plan in (planned, planned / "plan.json"):
        assert main(["audit", str(networks / "first.yaml"), str(plan)]) == 0
        assert "accepted" in capsys.readouterr().out


def test_audit_names_each_breach(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    plan = json.loads((planned / "plan.json").read_text())
    plan["machines"][0]["count"] = plan["machines"][0]["new"] = 5  # four may stand at the mill
    tampered = tmp_path / "plan.json"
    tampered.write_text(json.dumps(plan))
    assert main(["audit", str(networks / "first.yaml"), str(tampered)]) == 1
    out = capsys.readouterr().out
    assert "breach: " in out
    assert "small_engine@mill" in out
    assert "rejected" in out


def test_audit_refuses_other_sites_formats_and_files(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    assert main(["audit", str(networks / "island.yaml"), str(planned)]) == 2
    assert "another site" in capsys.readouterr().err
    old = tmp_path / "old.json"
    old.write_text('{"format": "allocator.plan/0"}')
    assert main(["audit", str(networks / "first.yaml"), str(old)]) == 2
    assert "allocator.plan/0" in capsys.readouterr().err
    assert main(["audit", str(networks / "first.yaml"), str(tmp_path / "none.json")]) == 2
    assert "cannot be opened" in capsys.readouterr().err


def test_sources_as_text_json_and_csv(networks: Path, tmp_path: Path, capsys: Told) -> None:
    site, file = str(networks / "first.yaml"), tmp_path / "sources.csv"
    assert main(["sources", site, "-o", str(file)]) == 0
    assert "digester" in capsys.readouterr().out
    assert file.read_text().startswith("source,place,fluid,flow_kg_s,duty,")
    assert main(["sources", site, "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["sources"]
    assert row["source"] == "digester"
    assert row["duty"] == 0.25


def test_tables_source_by_source_are_asked_for_on_large_sites(
    networks: Path, monkeypatch: pytest.MonkeyPatch, capsys: Told
) -> None:
    site, each = str(networks / "first.yaml"), "Firm flow of each source alone"
    assert main(["sources", site]) == 0
    few = capsys.readouterr().out
    assert each in few
    assert "--full" not in few
    monkeypatch.setattr("allocator.studies.sources_result.FEW", 0)
    assert main(["sources", site]) == 0
    many = capsys.readouterr().out
    assert each not in many
    assert many.splitlines()[-1].endswith("source by source: --full")
    assert main(["sources", site, "--full"]) == 0
    assert capsys.readouterr().out == few


def test_sources_cannot_write_into_a_folder(networks: Path, tmp_path: Path, capsys: Told) -> None:
    assert main(["sources", str(networks / "first.yaml"), "-o", str(tmp_path)]) == 2
    assert "is a directory; name a file" in capsys.readouterr().err
    assert os.listdir(tmp_path) == []


def test_the_site_schema(capsys: Told) -> None:
    assert main(["schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema == site_schema()
    jsonschema.Draft202012Validator.check_schema(schema)


def test_the_plan_schema_takes_a_plan(planned: Path, capsys: Told) -> None:
    assert main(["schema", "--plan"]) == 0
    schema = json.loads(capsys.readouterr().out)
    plan = json.loads((planned / "plan.json").read_text())
    jsonschema.validate(plan, schema)
    del plan["power"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(plan, schema)


def test_bath_as_text_json_and_csv(networks: Path, tmp_path: Path, capsys: Told) -> None:
    site, file = str(networks / "hot_purge.yaml"), tmp_path / "baths.csv"
    assert main(["heat-sinks", site, "-o", str(file)]) == 0
    out = capsys.readouterr().out
    assert "No active cooling is needed" in out
    assert "Local codes" in out
    assert max(len(line) for line in out.splitlines()) <= 100
    assert file.read_text().startswith("bath,source,what,mass_kg,")
    assert main(["heat-sinks", site, "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["baths"]) == 4


def test_bath_refuses_what_it_cannot_work_out(networks: Path, tmp_path: Path, capsys: Told) -> None:
    assert main(["heat-sinks", str(networks / "first.yaml")]) == 2
    assert "lists no heat sinks" in capsys.readouterr().err
    text = (networks / "hot_purge.yaml").read_text()
    site = tmp_path / "site.yaml"
    site.write_text(text.replace("efficiency: 9 %", "efficiency: 30 %"))
    assert main(["heat-sinks", str(site)]) == 2
    (told,) = capsys.readouterr().err.splitlines()
    assert "heat sink 'oil_tank': recovery.efficiency is 30 %, and no engine" in told
    site.write_text(
        text.replace(
            "max_temperature: 105 degC",
            "max_temperature: 105 degC\n    initial_temperature: 120 degC",
        )
    )
    file = tmp_path / "baths.csv"
    assert main(["heat-sinks", str(site), "-o", str(file)]) == 2
    assert "heat sink 'pool': initial_temperature is 120 degC, and its water boils at 100 degC" in (
        capsys.readouterr().err
    )
    assert not file.exists()
    assert main(["heat-sinks", str(networks / "hot_purge.yaml"), "-o", str(tmp_path)]) == 2


@pytest.mark.parametrize(
    ("number", "name", "said"),
    [
        (1, "machine type", "1 machine type"),
        (2, "machine type", "2 machine types"),
        (3, "breach", "3 breaches"),
        (0, "store cut", "0 store cuts"),
    ],
)
def test_counted_things(number: int, name: str, said: str) -> None:
    assert times(number, name) == said


def test_the_catalogue(tmp_path: Path, capsys: Told) -> None:
    assert main(["catalogue"]) == 0
    out = capsys.readouterr().out
    assert "landfill gas" in out
    assert "NPS 2 SCH 40" in out
    assert max(map(len, out.splitlines())) <= 100
    assert main(["catalogue", "sources"]) == 0
    assert "ISO 6976" in capsys.readouterr().out
    with pytest.raises(SystemExit, match="2"):
        main(["catalogue", "metals"])
    site = tmp_path / "site.yaml"
    site.write_text(
        "format: allocator.site/2\nfluids: {gas: {catalogue: hydrogen}}\nplaces: {well: {}}\n"
        "sources: {a: {place: well, fluid: gas, flow: 2 g/s}}\ndemands: {town: {power: 4 kW}}\n"
    )
    assert main(["check", str(site)]) == 0
    assert "note: 3 values taken from the catalogue" in capsys.readouterr().err
    assert main(["check", "--assumptions", str(site)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "fluids.gas.heating_value 119.96 MJ/kg 1 catalogue: ISO 6976:2016" in out
    assert "sources.*.price 0 1 default" in out
    assert "horizon 1 a 1 default" in out
