"""The plan file ``plan.json``: written, read and described from one table of keys.

Numbers are SI, with the unit in the key. The same plan gives the same bytes, and what is
written is read back exactly.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from allocator.base.errors import Fault, PlanFileError
from allocator.base.json_kinds import (
    Flag,
    Key,
    Maybe,
    Named,
    Number,
    Object,
    Problem,
    Rows,
    Schema,
    Text,
    Whole,
)
from allocator.plans.records import (
    FORMAT,
    GOAL_UNITS,
    PRICED,
    RULES,
    STATUSES,
    BathUse,
    BatteryUse,
    Ceiling,
    ChamberHold,
    CoolerHeat,
    DemandUse,
    Emissions,
    FlowHeat,
    GoalResult,
    Heat,
    HeatLimit,
    LineUse,
    MachineUse,
    MaterialUse,
    PipeFlow,
    Plan,
    Power,
    Price,
    RecoveryUse,
    Run,
    RunLevels,
    SetPoints,
    SourceUse,
    StoreHold,
    StoreUse,
    Withstands,
)
from allocator.site.records import POWER

CLASSES = ("clean", "emitting")
BASES = ("firm", "mean")

_TEXT, _NUMBER, _WHOLE, _FLAG = Text(), Number(), Whole(), Flag()
_UNITS = Whole(10_000)
"""Units are listed one by one in the build order."""
_BY_NAME = Named(_NUMBER)


def plan_to_json(plan: Plan) -> str:
    """The plan as JSON text, ending in a new line; rows and keys in the plan's own order.

    Raises:
        ValueError: the plan holds a number that is not finite.
    """
    data = {
        "format": FORMAT,
        "rules": plan.rules,
        "site": {"name": plan.site_name, "sha256": plan.site_sha256},
        **_BODY.write(plan),
    }
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def plan_from_json(text: str, source_name: str) -> Plan:
    """The plan in a JSON text. ``source_name``: what messages call the text.

    Raises:
        PlanFileError: another format or version, text that is cut off, keys that are unknown or
            missing, wrong types, numbers that are not finite: all of them at once, each with
            its JSON path.
    """
    data = _parsed(text, source_name)
    if not isinstance(data, dict):
        raise _error(source_name, [Problem("$", "must be an object: this is no plan")])
    written = data.get("format")
    if written != FORMAT:
        what = "no format" if written is None else f"the format {written!r}"
        problem = Problem("$.format", f"has {what}; this program reads {FORMAT!r}")
        raise _error(source_name, [problem])
    problems: list[Problem] = []
    rules = _WHOLE.read(data.get("rules", FIRST_RULES), "$.rules", problems)
    site = _SITE.read(data["site"], "$.site", problems) if "site" in data else None
    if "site" not in data:
        problems.append(Problem("$.site", "is missing"))
    body = {key: value for key, value in data.items() if key not in ("format", "rules", "site")}
    values = _BODY.read(body, "$", problems)
    if problems and isinstance(rules, int) and rules != RULES:
        raise other_version(rules, source_name)
    if problems or site is None:
        raise _error(source_name, problems)
    return Plan(site_name=site["name"], site_sha256=site["sha256"], rules=rules, **values)


FIRST_RULES = 1
"""The rules of plan files that do not tell theirs."""


def other_version(rules: int, source_name: str) -> PlanFileError:
    """What is said of a plan that was made by other rules than these of ``RULES``."""
    if rules < RULES:
        what, remedy = "was made by an older version", "plan again"
    else:
        what, remedy = "was made by a newer version", "use that version, or plan again"
    what += f" (it keeps the rules {rules}, this program audits by the rules {RULES})"
    return PlanFileError([Fault(source_name, 0, 0, "$.rules", what, remedy)])


def read_plan(path: str | os.PathLike[str]) -> Plan:
    """The plan in a file.

    Raises:
        PlanFileError: the file cannot be opened or is no plan of this format.
    """
    name = os.fspath(path)
    try:
        text = Path(path).read_text(encoding="utf-8")
    except OSError as error:
        reason = error.strerror or str(error)
        raise PlanFileError(
            [Fault(name, 0, 0, "", f"the plan cannot be opened: {reason}", "check its name")]
        ) from None
    except UnicodeDecodeError:
        problem = "the plan is not text in UTF-8"
        raise PlanFileError([Fault(name, 0, 0, "", problem, REMEDY)]) from None
    return plan_from_json(text, name)


def plan_schema() -> Schema:
    """JSON Schema (2020-12) of the plan file."""
    body = _BODY.schema()
    head = {"format": {"const": FORMAT}, "rules": _WHOLE.schema(), "site": _SITE.schema()}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A plan for a site",
        "type": "object",
        "properties": {**head, **body["properties"]},
        "required": ["format", "site", *body["required"]],
        "additionalProperties": False,
    }


def _parsed(text: str, source_name: str) -> Any:
    def refuse(word: str) -> Any:
        raise _error(source_name, [Problem("$", f"holds {word}, which is not a finite number")])

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) < len(pairs):
            names = [name for name, _ in pairs]
            twice = next(name for name in names if names.count(name) > 1)
            raise _error(
                source_name, [Problem("$", f"holds the key {twice!r} twice in one object")]
            )
        return found

    try:
        return json.loads(text, parse_constant=refuse, object_pairs_hook=once)
    except json.JSONDecodeError as error:
        where = (error.lineno, error.colno)
        problem = f"the plan is cut off or no JSON: {error.msg}"
        fault = Fault(source_name, *where, "$", problem, REMEDY)
        raise PlanFileError([fault]) from None
    except (RecursionError, ValueError) as error:
        # nesting beyond all reason, or a whole number of thousands of digits
        reason = "too deeply nested" if isinstance(error, RecursionError) else str(error)
        raise _error(source_name, [Problem("$", f"cannot be read: {reason}")]) from None


def _error(source_name: str, problems: list[Problem]) -> PlanFileError:
    return PlanFileError(
        Fault(source_name, 0, 0, p.path, p.text, p.remedy or REMEDY) for p in problems
    )


REMEDY = "the file was damaged or changed by hand: use a whole copy, or plan again"


def _demand(
    name: str,
    wants: str,
    mean_w: float | None,
    mean_kg_s: float | None,
    clean_share: float,
    emitting_share: float,
) -> DemandUse:
    mean, other = (mean_w, mean_kg_s) if wants == POWER else (mean_kg_s, mean_w)
    if mean is None or other is not None:
        unit = "mean_w" if wants == POWER else "mean_kg_s"
        raise ValueError(f"a demand for {wants} must give {unit}, and null for the other mean")
    return DemandUse(name, wants, mean, clean_share, emitting_share)


def _of_demand(record: Any) -> Any:
    means = {
        "mean_w": record.mean if record.wants == POWER else None,
        "mean_kg_s": None if record.wants == POWER else record.mean,
    }
    return lambda attribute: means[attribute] if attribute in means else getattr(record, attribute)


def _line_flow(**found: Any) -> tuple[Any, ...]:
    return (found["start"], found["end"], found["class"], found["shape"], found["sent_w"])


def _of_line_flow(flow: Any) -> Any:
    return dict(zip(("start", "end", "class", "shape", "sent_w"), flow, strict=True)).__getitem__


_SITE = Object(dict, (Key("name", _TEXT), Key("sha256", _TEXT)))
BOUND_KINDS = ("certified", "solver")
_GOAL = Object(
    GoalResult,
    (
        Key("name", _TEXT),
        Key("unit", Text(GOAL_UNITS)),
        Key("sense", Text(("max", "min"))),
        Key("value", _NUMBER),
        Key("bound", Maybe(_NUMBER)),
        Key("gap", Maybe(_NUMBER)),
        Key("status", Text(STATUSES)),
        Key("bound_kind", Maybe(Text(BOUND_KINDS)), optional=True),
    ),
)
_CEILING = Object(
    Ceiling,
    (
        Key("clean_w", Maybe(_NUMBER), "clean"),
        Key("total_w", Maybe(_NUMBER), "total"),
        Key("clean_kind", Maybe(Text(BOUND_KINDS)), optional=True),
        Key("total_kind", Maybe(Text(BOUND_KINDS)), optional=True),
    ),
)
_POWER = Object(
    Power,
    (
        Key("firm_clean_w", _NUMBER, "firm_clean"),
        Key("mean_clean_w", _NUMBER, "mean_clean"),
        Key("firm_total_w", _NUMBER, "firm_total"),
        Key("mean_total_w", _NUMBER, "mean_total"),
        Key("demand_mean_w", _NUMBER, "demand_mean"),
        Key("served_share", _NUMBER),
    ),
)
_SOURCE = Object(
    SourceUse,
    (
        Key("name", _TEXT),
        Key("tapped", _FLAG),
        Key("new", _FLAG),
        Key("collect_kg_s", _BY_NAME, "collect"),
        Key("direct_mean_kg_s", _BY_NAME, "direct"),
    ),
)
_STORE = Object(
    StoreUse,
    (
        Key("name", _TEXT),
        Key("type", _TEXT),
        Key("place", _TEXT),
        Key("holds", _TEXT),
        Key("size_kg", _NUMBER, "size"),
        Key("new_size_kg", _NUMBER, "new_size"),
        Key("units", Maybe(_UNITS)),
        Key("draw_mean_kg_s", _BY_NAME, "draw"),
        Key("inflow_kg_s", _NUMBER, "inflow"),
    ),
)
_BATTERY = Object(
    BatteryUse,
    (
        Key("name", _TEXT),
        Key("type", _TEXT),
        Key("place", _TEXT),
        Key("size_j", _NUMBER, "size"),
        Key("new_size_j", _NUMBER, "new_size"),
        Key("units", Maybe(_UNITS)),
        Key("level_part_j", _NUMBER, "level_part"),
        Key("levelled_mean_w", Named(Named(_NUMBER, CLASSES)), "levelled"),
        Key("burst_part_j", Named(_NUMBER, CLASSES), "burst_part"),
        Key("release_mean_w", Named(_BY_NAME, CLASSES), "release"),
        Key("swing_part_j", _NUMBER, "swing_part"),
    ),
)
_PIPE_FLOW = Object(
    PipeFlow,
    (
        Key("start", _TEXT),
        Key("end", _TEXT),
        Key("layer", Text(("collect", "supply"))),
        Key("carries", _TEXT),
        Key("rate_kg_s", _NUMBER, "rate"),
    ),
)
_RUN = Object(
    Run,
    (
        Key("route", _TEXT),
        Key("build", _TEXT),
        Key("fluid", _TEXT),
        Key("new", _FLAG),
        Key("flows", Rows(_PIPE_FLOW)),
    ),
)
_LINE_FLOW = Object(
    _line_flow,
    (
        Key("start", _TEXT),
        Key("end", _TEXT),
        Key("class", Text(CLASSES)),
        Key("shape", _TEXT),
        Key("sent_w", _NUMBER),
    ),
    _of_line_flow,
)
_LINE = Object(LineUse, (Key("name", _TEXT), Key("new", _FLAG), Key("flows", Rows(_LINE_FLOW))))
_MACHINE = Object(
    MachineUse,
    (
        Key("name", _TEXT),
        Key("type", _TEXT),
        Key("place", _TEXT),
        Key("count", _UNITS),
        Key("new", _UNITS),
        Key("running", _UNITS),
        Key("flat_load", _NUMBER),
        Key("following", _BY_NAME),
        Key("cycled", _NUMBER),
        Key("burst", _BY_NAME),
        Key("receiver_kg", _BY_NAME, "receiver", optional=True),
    ),
)
_DEMAND = Object(
    _demand,
    (
        Key("name", _TEXT),
        Key("wants", _TEXT),
        Key("mean_w", Maybe(_NUMBER)),
        Key("mean_kg_s", Maybe(_NUMBER)),
        Key("clean_share", _NUMBER),
        Key("emitting_share", _NUMBER),
    ),
    _of_demand,
)
_MATERIAL = Object(
    MaterialUse,
    (
        Key("name", _TEXT),
        Key("used_kg", _NUMBER, "used"),
        Key("stock_kg", Maybe(_NUMBER), "stock"),
    ),
)
_EMISSIONS = Object(
    Emissions,
    (
        Key("counted_kg_s", _NUMBER, "counted"),
        Key("biogenic_kg_s", _NUMBER, "biogenic"),
        Key("by_fluid_kg_s", _BY_NAME, "by_fluid"),
    ),
)
_FLOW_HEAT = Object(
    FlowHeat,
    (
        Key("route", _TEXT),
        Key("build", _TEXT),
        Key("fluid", _TEXT),
        Key("start", _TEXT),
        Key("state", Text(("busiest", "quiet"))),
        Key("rate_kg_s", _NUMBER, "rate"),
        Key("inlet_temperature_k", _NUMBER, "inlet"),
        Key("end_temperature_k", _NUMBER, "outlet"),
        Key("surface_temperature_k", Maybe(_NUMBER), "surface"),
        Key("heat_loss_w", _NUMBER, "loss"),
    ),
)
_COOLER_HEAT = Object(
    CoolerHeat,
    (
        Key("route", _TEXT),
        Key("build", _TEXT),
        Key("duty_w", _NUMBER, "duty"),
        Key("power_w", _NUMBER, "power"),
        Key("mean_duty_w", _NUMBER, "mean_duty"),
        Key("recovered_mean_w", _NUMBER, "recovered"),
    ),
)
_HEAT_LIMIT = Object(
    HeatLimit,
    (
        Key("subject", _TEXT),
        Key("what", _TEXT),
        Key("unit", Text(("K", "W"))),
        Key("value", _NUMBER),
        Key("most", _NUMBER),
    ),
)
_HEAT = Object(
    Heat,
    (
        Key("flows", Rows(_FLOW_HEAT)),
        Key("coolers", Rows(_COOLER_HEAT)),
        Key("limits", Rows(_HEAT_LIMIT)),
        Key("notes", Rows(_TEXT)),
    ),
)
_RECOVERY = Object(
    RecoveryUse,
    (
        Key("route", _TEXT),
        Key("build", _TEXT),
        Key("flow_kg_s", _BY_NAME, "flow"),
        Key("power_w", _BY_NAME, "power"),
    ),
)
_BATH = Object(
    BathUse,
    (
        Key("name", _TEXT),
        Key("source", _TEXT),
        Key("recovery", _FLAG),
        Key("cooler", _FLAG),
        Key("keeps", _FLAG),
        Key("hottest_k", _NUMBER, "high"),
        Key("outlet_k", Maybe(_NUMBER), "outlet"),
        Key("margin_k", _NUMBER, "margin"),
        Key("cooling_w", Maybe(_NUMBER), "cooling"),
        Key("mass_kg", Maybe(_NUMBER), "mass", optional=True),
        Key("used", _FLAG, optional=True),
        Key("guaranteed_outlet_k", Maybe(_NUMBER), "guaranteed", optional=True),
    ),
)
_PRICE = Object(
    Price,
    (
        Key("kind", _TEXT),
        Key("name", _TEXT),
        Key("value_si", _NUMBER, "value"),
        Key("dimension", Text(PRICED)),
        Key("goal", _TEXT),
        Key("unit", Text(GOAL_UNITS)),
        Key("rate_si", _NUMBER, "rate"),
        Key("step_si", Maybe(_NUMBER), "step"),
        Key("gain_si", Maybe(_NUMBER), "gain"),
        Key("proven", _FLAG),
    ),
)
_WITHSTANDS = Object(Withstands, (Key("lost", _WHOLE), Key("low", _WHOLE)))

_SET_POINTS = Object(
    SetPoints,
    (
        Key(
            "stores",
            Rows(
                Object(
                    StoreHold,
                    (
                        Key("store", _TEXT),
                        Key("unit", Text(("kg", "J"))),
                        Key("reserve", _NUMBER),
                    ),
                )
            ),
        ),
        Key(
            "cycled",
            Rows(
                Object(
                    RunLevels,
                    (
                        Key("machine", _TEXT),
                        Key("start_at_j", _NUMBER, "start"),
                        Key("stop_at_j", _NUMBER, "stop"),
                    ),
                )
            ),
        ),
        Key("start_order", Rows(_TEXT)),
        Key(
            "chambers",
            Rows(
                Object(ChamberHold, (Key("source", _TEXT), Key("pressure_pa", _NUMBER, "pressure")))
            ),
            optional=True,
        ),
    ),
)
_BODY = Object(
    dict,
    (
        Key("basis", Text(BASES)),
        Key("status", Text(STATUSES)),
        Key("verified", _FLAG),
        Key("goals", Rows(_GOAL)),
        Key("ceiling", _CEILING),
        Key("power", _POWER),
        Key("sources", Rows(_SOURCE)),
        Key("stores", Rows(_STORE)),
        Key("batteries", Rows(_BATTERY)),
        Key("runs", Rows(_RUN)),
        Key("lines", Rows(_LINE)),
        Key("machines", Rows(_MACHINE)),
        Key("demands", Rows(_DEMAND)),
        Key("materials", Rows(_MATERIAL)),
        Key("emissions", _EMISSIONS),
        Key("money", _NUMBER),
        Key("limits", Rows(_TEXT)),
        Key("cautions", Rows(_TEXT)),
        Key("seed", _WHOLE),
        Key("heat", _HEAT, optional=True),
        Key("prices", Rows(_PRICE), optional=True),
        Key("withstands", Maybe(_WITHSTANDS), optional=True),
        Key("set_points", _SET_POINTS, optional=True),
        Key("recoveries", Rows(_RECOVERY), optional=True),
        Key("baths", Rows(_BATH), optional=True),
        Key("mix", _TEXT, optional=True),
    ),
)
