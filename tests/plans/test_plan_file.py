"""The plan file: exact round trip, same bytes, and refusals that name the JSON path."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from damaged_plans import at, leaves, place
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from plan_fields import fields, pattern

from allocator.base.errors import PlanFileError
from allocator.base.json_kinds import LARGEST_NUMBER
from allocator.plans.file import plan_from_json, plan_schema, plan_to_json, read_plan
from allocator.plans.records import (
    RULES,
    BatteryUse,
    BoosterUse,
    Ceiling,
    ChamberHold,
    ClockWorth,
    CoolerHeat,
    DemandUse,
    Drain,
    Emissions,
    FlowHeat,
    GoalResult,
    Heat,
    HeatLimit,
    HeatSinkUse,
    LineUse,
    MachineUse,
    MaterialUse,
    NodePressure,
    OutageOperation,
    PipeFlow,
    Plan,
    Power,
    Price,
    RecoveryUse,
    ReserveRule,
    Robustness,
    Run,
    RunLevels,
    SetPoints,
    SourceUse,
    StoreHold,
    StoreUse,
)
from allocator.plans.reference import plan_reference

STORED = sorted((Path(__file__).parent / "stored").glob("*.json"))

FULL = Plan(
    site_name="Quay",
    site_sha256="ab" * 32,
    basis="firm",
    status="within_gap",
    goals=(
        GoalResult("clean_power", "W", "max", 0.1 + 0.2, 1e5, 1 / 3, "within_gap", "certified"),
        GoalResult("money", "money", "min", 12.0, None, None, "time_limit"),
    ),
    ceiling=Ceiling(4.7e4, None, "certified", "solver"),
    power=Power(0.1 + 0.2, 1.0, 2.0, 3.0, 4.0, 0.5),
    sources=(SourceUse("north", True, True, {"store:holder@works": 1e-300}, {"flat": 0.0}),),
    stores=(
        StoreUse("holder@works", "holder", "works", "gas", 10.0, 5.0, None, {"flat": 2e-3}, 0.5),
    ),
    batteries=(
        BatteryUse(
            "cells@works",
            "cells",
            "works",
            7.2e7,
            7.2e7,
            1,
            1.0,
            {"town": {"clean": 5.0}},
            {"emitting": 3.0},
            {"clean": {"town": 1.0}},
            9.0,
            {"town": {"clean": 0.5}},
        ),
    ),
    runs=(
        Run(
            "ridge",
            "dn50",
            "gas",
            True,
            (PipeFlow("north", "works", "collect", "store:holder@works", 0.01),),
        ),
    ),
    lines=(LineUse("feeder", False, (("works", "yard", "clean", "flat", 11.5),)),),
    machines=(
        MachineUse(
            "set@works",
            "set",
            "works",
            3,
            2,
            1,
            0.5,
            {"town": 0.2},
            0.1,
            {"cells": 1.5},
            {"gas": 0.25},
            {"holder@works": 0.125},
        ),
    ),
    demands=(
        DemandUse("town", "power", 6e4, 0.25, 0.5),
        DemandUse("wash", "water", 1e-3, 1.0, 0.0),
    ),
    materials=(MaterialUse("steel", 123.456, None), MaterialUse("wool", 0.0, 7.0)),
    emissions=Emissions(1e-3, 2e-3, {"co2": 1e-3}, {"gas": 5e-4}),
    money=5.0,
    limits=("the stock of steel",),
    cautions=("mean basis: ½ more",),
    verified=True,
    seed=3,
    robustness=Robustness(1, 2, 3),
    outages=(
        OutageOperation(
            {"set@works": 1},
            (
                MachineUse(
                    "set@works",
                    "set",
                    "works",
                    2,
                    2,
                    1,
                    0.25,
                    {"town": 0.1},
                    0.1,
                    {"cells": 1.5},
                    {"gas": 0.25},
                    {"holder@works": 0.125},
                ),
            ),
            {"holder@works": {"flat": 1e-3}},
            {"north": {"flat": 2e-3}},
            (Run("ridge", "dn50", "gas", True, (PipeFlow("a", "b", "supply", "flat", 0.01),)),),
            (LineUse("feeder", False, (("works", "yard", "clean", "flat", 1.5),)),),
            (RecoveryUse("fan at north", "fan x 2", {"flat": 0.25}, {"flat": 150.0}, 75.0),),
            (DemandUse("town", "power", 6e4, 0.25, 0.5),),
        ),
    ),
    mix="clean only",
    heat_sinks=(
        HeatSinkUse("pool", "north", True, True, True, 370.5, 371.5, 7.5, 9e3, 750.0, True, 372.0),
    ),
    recoveries=(RecoveryUse("fan at north", "fan x 2", {"flat": 0.25}, {"flat": 150.0}, 75.0),),
    boosters=(
        BoosterUse("fan", "gas", "ridge", "north", "", True, 0.01, 125.0),
        BoosterUse("fan", "gas", "", "works", "holder@works", False, 0.02, 250.0),
    ),
    pressures=(NodePressure("works", "gas", 1.04e5, 1.03e5, 1.2e5),),
    prices=(
        Price("stock", "steel", 900.0, "mass", "clean_power", "W", 5.5, 45.0, 247.5, True),
        Price("emission", "", 0.003, "emission_rate", "served_power", "W", 4.7e6),
    ),
    heat=Heat(
        (
            FlowHeat("ridge", "dn50", "gas", "north", "busiest", 0.01, 400.0, 350.5, 700.0, 311.0),
            FlowHeat("ridge", "dn50", "gas", "north", "quiet", 0.01, 400.0, 350.5, 700.0, None),
        ),
        (CoolerHeat("fan at north", "fan x 2", 9e3, 180.0, 4e3, 320.0),),
        (HeatLimit("run ridge", "surface", "K", 311.0, 333.15),),
        ("ridge: gas may drip",),
        (Drain("ridge", "gas", "works", 0.002),),
    ),
    set_points=SetPoints(
        (StoreHold("holder@works", "kg", 9.0), StoreHold("cells@works levelling", "J", 1.0)),
        (RunLevels("set@works", 0.5, 9.0),),
        ("set@works",),
        (ChamberHold("north", 2.5e5),),
        (
            ReserveRule(
                "holder@works", "kg", "off", 8.0, 8.5, "north", 60.0, 3600.0, free=("south",)
            ),
        ),
    ),
    clocks=ClockWorth(0.1, 0.25, {"holder@works": 7.0}, 86400.0, 0.35, 0.5, False),
)


def altered(*path: str | int, value: Any) -> str:
    """The JSON text of the full plan with one value replaced (or added)."""
    data = json.loads(plan_to_json(FULL))
    inner = data
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = value
    return json.dumps(data)


def without(*path: str | int) -> str:
    data = json.loads(plan_to_json(FULL))
    inner = data
    for step in path[:-1]:
        inner = inner[step]
    del inner[path[-1]]
    return json.dumps(data)


def test_round_trip_is_exact_and_gives_the_same_bytes() -> None:
    text = plan_to_json(FULL)
    assert plan_from_json(text, "plan.json") == FULL
    assert plan_to_json(plan_from_json(text, "plan.json")) == text


@pytest.mark.parametrize("path", STORED, ids=lambda path: path.stem)
def test_a_stored_plan_is_read_and_written_byte_for_byte(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert plan_to_json(read_plan(path)) == text
    Draft202012Validator(plan_schema()).validate(json.loads(text))


def test_the_stored_plan_with_every_key_is_the_one_above() -> None:
    (path,) = [path for path in STORED if path.stem == "every_key"]
    assert read_plan(path) == FULL
    places = leaves(json.loads(path.read_text(encoding="utf-8")))
    assert set(fields(plan_schema())) - {"format"} <= {pattern(place) for place in places}


def records_in(value: Any) -> Iterator[Any]:
    """Every record in a value, and itself."""
    if isinstance(value, tuple):
        for item in value:
            yield from records_in(item)
    elif dataclasses.is_dataclass(value):
        yield value
        for one in dataclasses.fields(value):
            yield from records_in(getattr(value, one.name))


def test_the_plan_above_tells_every_attribute_from_its_default() -> None:
    # Otherwise an attribute that has no key would come back as its default.
    told: dict[tuple[type, str], bool] = {}
    for record in records_in(FULL):
        for one in dataclasses.fields(record):
            made = one.default_factory is not dataclasses.MISSING
            default = one.default_factory() if made else one.default  # type: ignore[operator]
            name = (type(record), one.name)
            told[name] = told.get(name, False) or getattr(record, one.name) != default
    # of the rules the default is the only one that is read without more ado
    assert {name for name, differs in told.items() if not differs} == {(Plan, "rules")}


def test_keys_carry_their_units() -> None:
    data = json.loads(plan_to_json(FULL))
    assert data["format"] == "allocator.plan/1"
    assert data["site"] == {"name": "Quay", "sha256": "ab" * 32}
    assert data["power"]["firm_clean_w"] == 0.1 + 0.2
    assert data["materials"][1] == {"name": "wool", "used_kg": 0.0, "stock_kg": 7.0}
    assert data["demands"][0]["mean_w"] == 6e4
    assert data["demands"][0]["mean_kg_s"] is None
    assert data["demands"][1]["mean_kg_s"] == 1e-3
    assert data["lines"][0]["flows"][0]["sent_w"] == 11.5
    assert set(data) >= {
        "basis", "status", "verified", "goals", "ceiling", "sources", "stores", "batteries",
        "runs", "lines", "machines", "emissions", "money", "limits", "cautions", "seed",
    }  # fmt: skip


def test_the_written_plan_fits_the_schema() -> None:
    schema = plan_schema()
    Draft202012Validator.check_schema(schema)
    check = Draft202012Validator(schema)
    check.validate(json.loads(plan_to_json(FULL)))
    assert not check.is_valid(json.loads(altered("goals", 0, "sense", value="most")))
    assert not check.is_valid(json.loads(altered("extra", value=1)))
    assert not check.is_valid(json.loads(without("money")))


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_a_number_that_is_not_finite_is_not_written(bad: float) -> None:
    with pytest.raises(ValueError, match="cannot be written"):
        plan_to_json(dataclasses.replace(FULL, money=bad))


REFUSED = {
    "other version": (
        altered("format", value="allocator.plan/2"),
        "$.format: has the format 'allocator.plan/2'; this program reads 'allocator.plan/1'",
    ),
    "a site file": ('{"format": "allocator.site/2"}', "$.format: has the format"),
    "no format": ("{}", "$.format: has no format"),
    "no object": ("[1, 2]", "$: must be an object"),
    "empty": ("", "$: the plan is cut off or no JSON"),
    "cut off": (plan_to_json(FULL)[:-40], "$: the plan is cut off or no JSON"),
    "too deep": ("[" * 100_000, "too deeply nested"),
    "beyond reason": (
        altered("money", value=-1.1e30),
        "$.money: must be within 1e+30 (got -1.1e+30)",
    ),
    "half a letter": (altered("cautions", 0, value="\ud800"), "$.cautions[0]: holds half a letter"),
    "why it stopped": (altered("status", value="best"), "$.status: must be one of bound_refuted"),
    "digits": ('{"format": ' + "9" * 5000 + "}", "$: cannot be read"),
    "NaN": (altered("money", value=math.nan), "holds NaN, which is not a finite number"),
    "infinity": (altered("goals", 0, "value", value=-math.inf), "holds -Infinity"),
    "overflow": (
        altered("money", value="X").replace('"X"', "1e999"),
        "$.money: must be a finite number",
    ),
    "huge whole": (altered("money", value=10**400), "$.money: must be a finite number"),
    "huge seed": (altered("seed", value=2**60), "$.seed: is too large"),
    "text for number": (
        altered("power", "firm_clean_w", value="41 kW"),
        "$.power.firm_clean_w: must be a number (got text)",
    ),
    "flag for number": (
        altered("stores", 0, "size_kg", value=True),
        "$.stores[0].size_kg: must be a number (got true or false)",
    ),
    "fraction for count": (
        altered("machines", 0, "count", value=2.5),
        "$.machines[0].count: must be a whole number (got 2.5)",
    ),
    "number for flag": (
        altered("sources", 0, "tapped", value=1),
        "$.sources[0].tapped: must be true or false (got 1)",
    ),
    "null": (altered("runs", value=None), "$.runs: must be a list (got null)"),
    "list for map": (
        altered("sources", 0, "collect_kg_s", value=[]),
        "$.sources[0].collect_kg_s: must be an object (got a list)",
    ),
    "map for list": (altered("goals", value={}), "$.goals: must be a list (got an object)"),
    "missing": (without("materials", 1, "stock_kg"), "$.materials[1].stock_kg: is missing"),
    "missing at the top": (without("ceiling"), "$.ceiling: is missing"),
    "missing site": (without("site"), "$.site: is missing"),
    "misspelt": (
        altered("stores", 0, "sise_kg", value=1.0),
        "$.stores[0].sise_kg: is not a key of a plan; did you mean 'size_kg'?",
    ),
    "unknown at the top": (altered("colour", value=1), "$.colour: is not a key of a plan"),
    "layer": (
        altered("runs", 0, "flows", 0, "layer", value="gather"),
        "$.runs[0].flows[0].layer: must be one of collect, supply (got 'gather')",
    ),
    "class": (
        altered("batteries", 0, "release_mean_w", "green", value={}),
        "$.batteries[0].release_mean_w.green: must be one of clean, emitting",
    ),
    "line class": (
        altered("lines", 0, "flows", 0, "class", value="green"),
        "$.lines[0].flows[0].class: must be one of clean, emitting",
    ),
    "basis": (altered("basis", value="median"), "$.basis: must be one of firm, mean"),
    "unit of a demand": (
        altered("demands", 0, "mean_kg_s", value=1.0),
        "$.demands[0]: a demand for power must give mean_w",
    ),
    "twice": ('{"format": 1, "format": 2}', "$: holds the key 'format' twice in one object"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refuses(case: str) -> None:
    text, expected = REFUSED[case]
    with pytest.raises(PlanFileError) as caught:
        plan_from_json(text, "out/plan.json")
    message = str(caught.value)
    assert message.startswith("out/plan.json")
    assert expected in message


@pytest.mark.parametrize("case", REFUSED)
def test_says_what_to_do(case: str) -> None:
    with pytest.raises(PlanFileError) as caught:
        plan_from_json(REFUSED[case][0], "plan.json")
    assert all(fault.remedy for fault in caught.value.faults)


def test_a_plan_of_an_older_version_is_read_where_it_can_be() -> None:
    data = json.loads(plan_to_json(FULL))
    assert data.pop("rules") == RULES
    assert plan_from_json(json.dumps(data), "plan.json") == dataclasses.replace(FULL, rules=1)
    del data["money"]
    with pytest.raises(PlanFileError, match=r"\$\.rules: was made by an older version .* again"):
        plan_from_json(json.dumps(data), "plan.json")
    data["rules"] = RULES + 1
    with pytest.raises(PlanFileError, match=r"\$\.rules: was made by a newer version"):
        plan_from_json(json.dumps(data), "plan.json")


OPTIONAL = {
    "machines[].overflow_kg_s",
    "machines_out[].machines[].overflow_kg_s",
    "recoveries[].heat_w", "machines_out[].recoveries[].heat_w",
    "emissions.vented_kg_s",
    "rules", "goals[].bound_kind", "ceiling.clean_kind", "ceiling.total_kind",
    "machines[].receiver_kg", "heat", "heat.drains", "prices", "withstands", "set_points",
    "set_points.chambers", "set_points.reserve_rules", "set_points.reserve_rules[].source",
    "set_points.reserve_rules[].at_s", "set_points.reserve_rules[].every_s",
    "set_points.reserve_rules[].free", "recoveries", "baths", "baths[].mass_kg", "baths[].used",
    "baths[].guaranteed_outlet_k", "mix", "boosters", "pressures", "clock_worth",
    "clock_worth.free_proven", "withstands.lost_machines", "machines_out",
    "machines_out[].machines[].receiver_kg", "batteries[].level_surplus_w",
}  # fmt: skip
"""Keys that a plan file may leave out: those that came after the first plan files."""


def keys_of_records() -> list[tuple[str | int, ...]]:
    """The path of each key of the full plan that is no name of the site."""
    paths = leaves(json.loads(plan_to_json(FULL)))
    return [p for p in paths if not isinstance(p[-1], int) and not pattern(p).endswith("*")]


@pytest.mark.parametrize("path", keys_of_records(), ids=place)
def test_a_key_is_missed_unless_it_is_optional(path: tuple[str | int, ...]) -> None:
    text = without(*path)
    check = Draft202012Validator(plan_schema())
    if pattern(path) in OPTIONAL:
        plan = plan_from_json(text, "plan.json")
        assert plan != FULL
        # written again it stays away, but for what is neither empty nor null by default
        if path != ("rules",) and path[-1] not in ("used", "free_proven"):
            assert plan_to_json(plan) == json.dumps(json.loads(text), **LAYOUT) + "\n"
        check.validate(json.loads(text))
    else:
        with pytest.raises(PlanFileError) as caught:
            plan_from_json(text, "plan.json")
        (fault,) = caught.value.faults
        assert fault.subject == place(path)
        missing = "has no format" if path == ("format",) else "is missing"
        assert fault.problem.startswith(missing)
        assert not check.is_valid(json.loads(text))


LAYOUT: dict[str, Any] = {"indent": 2, "ensure_ascii": False}


@pytest.mark.parametrize("path", keys_of_records(), ids=place)
def test_a_misspelt_key_is_told_with_the_right_one(path: tuple[str | int, ...]) -> None:
    data = json.loads(plan_to_json(FULL))
    wrong = f"{path[-1]}x"
    at(data, path[:-1])[wrong] = 1
    with pytest.raises(PlanFileError) as caught:
        plan_from_json(json.dumps(data), "plan.json")
    (fault,) = caught.value.faults
    assert (fault.subject, fault.problem) == (place((*path[:-1], wrong)), "is not a key of a plan")
    if path != ("format",):
        assert fault.remedy == f"did you mean {path[-1]!r}?"
    assert not Draft202012Validator(plan_schema()).is_valid(data)


def test_each_record_is_described_once_with_a_sentence_for_each_key() -> None:
    schema = plan_schema()
    records = {type(record).__name__ for record in records_in(FULL)} - {"Plan"}
    assert set(schema["$defs"]) == records | {"PlannedSite", "LineFlow"}
    for name, record in {"": schema, **schema["$defs"]}.items():
        assert record["description"].endswith("."), name
        for key, value in record["properties"].items():
            assert (name, key) == ("", "format") or value["description"].endswith("."), (name, key)


def test_the_keys_in_the_manual_are_those_of_the_records() -> None:
    manual = Path(__file__).parents[2] / "networks" / "README.md"
    text = manual.read_text(encoding="utf-8")
    begin, end = (f"<!-- keys of plan files: {word}" for word in ("begin", "end"))
    between = text[text.index(begin) : text.index(end)].split("\n", 1)[1]
    assert between == plan_reference()


def test_names_every_fault_at_once() -> None:
    data = json.loads(plan_to_json(FULL))
    data["money"] = "much"
    data["goals"][1]["status"] = 7
    del data["seed"]
    with pytest.raises(PlanFileError) as caught:
        plan_from_json(json.dumps(data), "plan.json")
    assert [f.subject for f in caught.value.faults] == ["$.goals[1].status", "$.money", "$.seed"]


def test_whole_numbers_are_read_where_fractions_may_stand() -> None:
    plan = plan_from_json(altered("money", value=5), "plan.json")
    assert isinstance(plan.money, float)
    assert plan == FULL


@given(st.floats(-LARGEST_NUMBER, LARGEST_NUMBER))
def test_any_finite_number_comes_back_exactly(number: float) -> None:
    plan = dataclasses.replace(FULL, money=number)
    read = plan_from_json(plan_to_json(plan), "plan.json").money
    assert math.copysign(1.0, read) == math.copysign(1.0, number)
    assert read == number


@given(st.data())
def test_a_file_cut_anywhere_is_refused(data: st.DataObject) -> None:
    text = plan_to_json(FULL)
    end = data.draw(st.integers(0, len(text) - 2))
    with pytest.raises(PlanFileError):
        plan_from_json(text[:end], "plan.json")


def test_reads_a_file(tmp_path: Path) -> None:
    path = tmp_path / "plan.json"
    path.write_text(plan_to_json(FULL), encoding="utf-8")
    assert read_plan(path) == FULL
    with pytest.raises(PlanFileError, match=r"absent\.json: the plan cannot be opened: No such"):
        read_plan(tmp_path / "absent.json")
    path.write_bytes(b"\xff\xfe{")
    with pytest.raises(PlanFileError, match=r"plan\.json: the plan is not text"):
        read_plan(path)
