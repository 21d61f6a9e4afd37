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
    JsonEnum,
    JsonFlag,
    JsonKey,
    JsonNamed,
    JsonRows,
    JsonText,
    JsonWhole,
    Maybe,
    Number,
    Object,
    Problem,
    Schema,
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

_TEXT, _NUMBER, _WHOLE, _FLAG = JsonText(), Number(), JsonWhole(), JsonFlag()
_STATUS = JsonEnum(STATUSES)
_UNITS = JsonWhole(10_000)
"""Units are listed one by one in the build order."""
_BY_NAME = JsonNamed(_NUMBER)


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
    """Read a plan, audited or not.

    Parameters
    ----------
    path
        Of ``plan.json``, or of the folder that holds it.

    Returns
    -------
    Plan
        As it is written; :func:`allocator.audit` checks it.

    Raises
    ------
    PlanFileError
        The file cannot be opened or is no plan of this format.

    Examples
    --------
    >>> import allocator as al, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     al.plan("networks/first.yaml", node_limit=1000).save(folder)
    ...     al.read_plan(folder).site_name
    'First site'
    """
    file = Path(path)
    file = file / "plan.json" if file.is_dir() else file
    name = str(file)
    try:
        text = file.read_text(encoding="utf-8")
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
    """The JSON Schema (2020-12) of ``plan.json``.

    Returns
    -------
    dict
        Every key with its shape; the audit checks what they say.

    Examples
    --------
    >>> import allocator as al
    >>> al.plan_schema()["title"]
    'A plan for a site'
    """
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


_SITE = Object(dict, (JsonKey("name", _TEXT), JsonKey("sha256", _TEXT)))
BOUND_KINDS = ("certified", "solver")
_GOAL = Object(
    GoalResult,
    (
        JsonKey("name", _TEXT),
        JsonKey("unit", JsonText(GOAL_UNITS)),
        JsonKey("sense", JsonText(("max", "min"))),
        JsonKey("value", _NUMBER),
        JsonKey("bound", Maybe(_NUMBER)),
        JsonKey("gap", Maybe(_NUMBER)),
        JsonKey("status", _STATUS),
        JsonKey("bound_kind", Maybe(JsonText(BOUND_KINDS)), optional=True),
    ),
)
_CEILING = Object(
    Ceiling,
    (
        JsonKey("clean_w", Maybe(_NUMBER), "clean"),
        JsonKey("total_w", Maybe(_NUMBER), "total"),
        JsonKey("clean_kind", Maybe(JsonText(BOUND_KINDS)), optional=True),
        JsonKey("total_kind", Maybe(JsonText(BOUND_KINDS)), optional=True),
    ),
)
_POWER = Object(
    Power,
    (
        JsonKey("firm_clean_w", _NUMBER, "firm_clean"),
        JsonKey("mean_clean_w", _NUMBER, "mean_clean"),
        JsonKey("firm_total_w", _NUMBER, "firm_total"),
        JsonKey("mean_total_w", _NUMBER, "mean_total"),
        JsonKey("demand_mean_w", _NUMBER, "demand_mean"),
        JsonKey("served_share", _NUMBER),
    ),
)
_SOURCE = Object(
    SourceUse,
    (
        JsonKey("name", _TEXT),
        JsonKey("tapped", _FLAG),
        JsonKey("new", _FLAG),
        JsonKey("collect_kg_s", _BY_NAME, "collect"),
        JsonKey("direct_mean_kg_s", _BY_NAME, "direct"),
    ),
)
_STORE = Object(
    StoreUse,
    (
        JsonKey("name", _TEXT),
        JsonKey("type", _TEXT),
        JsonKey("place", _TEXT),
        JsonKey("holds", _TEXT),
        JsonKey("size_kg", _NUMBER, "size"),
        JsonKey("new_size_kg", _NUMBER, "new_size"),
        JsonKey("units", Maybe(_UNITS)),
        JsonKey("draw_mean_kg_s", _BY_NAME, "draw"),
        JsonKey("inflow_kg_s", _NUMBER, "inflow"),
    ),
)
_BATTERY = Object(
    BatteryUse,
    (
        JsonKey("name", _TEXT),
        JsonKey("type", _TEXT),
        JsonKey("place", _TEXT),
        JsonKey("size_j", _NUMBER, "size"),
        JsonKey("new_size_j", _NUMBER, "new_size"),
        JsonKey("units", Maybe(_UNITS)),
        JsonKey("level_part_j", _NUMBER, "level_part"),
        JsonKey("levelled_mean_w", JsonNamed(JsonNamed(_NUMBER, CLASSES)), "levelled"),
        JsonKey("burst_part_j", JsonNamed(_NUMBER, CLASSES), "burst_part"),
        JsonKey("release_mean_w", JsonNamed(_BY_NAME, CLASSES), "release"),
        JsonKey("swing_part_j", _NUMBER, "swing_part"),
    ),
)
_PIPE_FLOW = Object(
    PipeFlow,
    (
        JsonKey("start", _TEXT),
        JsonKey("end", _TEXT),
        JsonKey("layer", JsonText(("collect", "supply"))),
        JsonKey("carries", _TEXT),
        JsonKey("rate_kg_s", _NUMBER, "rate"),
    ),
)
_RUN = Object(
    Run,
    (
        JsonKey("route", _TEXT),
        JsonKey("build", _TEXT),
        JsonKey("fluid", _TEXT),
        JsonKey("new", _FLAG),
        JsonKey("flows", JsonRows(_PIPE_FLOW)),
    ),
)
_LINE_FLOW = Object(
    _line_flow,
    (
        JsonKey("start", _TEXT),
        JsonKey("end", _TEXT),
        JsonKey("class", JsonText(CLASSES)),
        JsonKey("shape", _TEXT),
        JsonKey("sent_w", _NUMBER),
    ),
    _of_line_flow,
)
_LINE = Object(
    LineUse, (JsonKey("name", _TEXT), JsonKey("new", _FLAG), JsonKey("flows", JsonRows(_LINE_FLOW)))
)
_MACHINE = Object(
    MachineUse,
    (
        JsonKey("name", _TEXT),
        JsonKey("type", _TEXT),
        JsonKey("place", _TEXT),
        JsonKey("count", _UNITS),
        JsonKey("new", _UNITS),
        JsonKey("running", _UNITS),
        JsonKey("flat_load", _NUMBER),
        JsonKey("following", _BY_NAME),
        JsonKey("cycled", _NUMBER),
        JsonKey("burst", _BY_NAME),
        JsonKey("receiver_kg", _BY_NAME, "receiver", optional=True),
    ),
)
_DEMAND = Object(
    _demand,
    (
        JsonKey("name", _TEXT),
        JsonKey("wants", _TEXT),
        JsonKey("mean_w", Maybe(_NUMBER)),
        JsonKey("mean_kg_s", Maybe(_NUMBER)),
        JsonKey("clean_share", _NUMBER),
        JsonKey("emitting_share", _NUMBER),
    ),
    _of_demand,
)
_MATERIAL = Object(
    MaterialUse,
    (
        JsonKey("name", _TEXT),
        JsonKey("used_kg", _NUMBER, "used"),
        JsonKey("stock_kg", Maybe(_NUMBER), "stock"),
    ),
)
_EMISSIONS = Object(
    Emissions,
    (
        JsonKey("counted_kg_s", _NUMBER, "counted"),
        JsonKey("biogenic_kg_s", _NUMBER, "biogenic"),
        JsonKey("by_fluid_kg_s", _BY_NAME, "by_fluid"),
    ),
)
_FLOW_HEAT = Object(
    FlowHeat,
    (
        JsonKey("route", _TEXT),
        JsonKey("build", _TEXT),
        JsonKey("fluid", _TEXT),
        JsonKey("start", _TEXT),
        JsonKey("state", JsonText(("busiest", "quiet"))),
        JsonKey("rate_kg_s", _NUMBER, "rate"),
        JsonKey("inlet_temperature_k", _NUMBER, "inlet"),
        JsonKey("end_temperature_k", _NUMBER, "outlet"),
        JsonKey("surface_temperature_k", Maybe(_NUMBER), "surface"),
        JsonKey("heat_loss_w", _NUMBER, "loss"),
    ),
)
_COOLER_HEAT = Object(
    CoolerHeat,
    (
        JsonKey("route", _TEXT),
        JsonKey("build", _TEXT),
        JsonKey("duty_w", _NUMBER, "duty"),
        JsonKey("power_w", _NUMBER, "power"),
        JsonKey("mean_duty_w", _NUMBER, "mean_duty"),
        JsonKey("recovered_mean_w", _NUMBER, "recovered"),
    ),
)
_HEAT_LIMIT = Object(
    HeatLimit,
    (
        JsonKey("subject", _TEXT),
        JsonKey("what", _TEXT),
        JsonKey("unit", JsonText(("K", "W"))),
        JsonKey("value", _NUMBER),
        JsonKey("most", _NUMBER),
    ),
)
_HEAT = Object(
    Heat,
    (
        JsonKey("flows", JsonRows(_FLOW_HEAT)),
        JsonKey("coolers", JsonRows(_COOLER_HEAT)),
        JsonKey("limits", JsonRows(_HEAT_LIMIT)),
        JsonKey("notes", JsonRows(_TEXT)),
    ),
)
_RECOVERY = Object(
    RecoveryUse,
    (
        JsonKey("route", _TEXT),
        JsonKey("build", _TEXT),
        JsonKey("flow_kg_s", _BY_NAME, "flow"),
        JsonKey("power_w", _BY_NAME, "power"),
    ),
)
_BATH = Object(
    BathUse,
    (
        JsonKey("name", _TEXT),
        JsonKey("source", _TEXT),
        JsonKey("recovery", _FLAG),
        JsonKey("cooler", _FLAG),
        JsonKey("keeps", _FLAG),
        JsonKey("hottest_k", _NUMBER, "high"),
        JsonKey("outlet_k", Maybe(_NUMBER), "outlet"),
        JsonKey("margin_k", _NUMBER, "margin"),
        JsonKey("cooling_w", Maybe(_NUMBER), "cooling"),
        JsonKey("mass_kg", Maybe(_NUMBER), "mass", optional=True),
        JsonKey("used", _FLAG, optional=True),
        JsonKey("guaranteed_outlet_k", Maybe(_NUMBER), "guaranteed", optional=True),
    ),
)
_PRICE = Object(
    Price,
    (
        JsonKey("kind", _TEXT),
        JsonKey("name", _TEXT),
        JsonKey("value_si", _NUMBER, "value"),
        JsonKey("dimension", JsonText(PRICED)),
        JsonKey("goal", _TEXT),
        JsonKey("unit", JsonText(GOAL_UNITS)),
        JsonKey("rate_si", _NUMBER, "rate"),
        JsonKey("step_si", Maybe(_NUMBER), "step"),
        JsonKey("gain_si", Maybe(_NUMBER), "gain"),
        JsonKey("proven", _FLAG),
    ),
)
_WITHSTANDS = Object(Withstands, (JsonKey("lost", _WHOLE), JsonKey("low", _WHOLE)))

_SET_POINTS = Object(
    SetPoints,
    (
        JsonKey(
            "stores",
            JsonRows(
                Object(
                    StoreHold,
                    (
                        JsonKey("store", _TEXT),
                        JsonKey("unit", JsonText(("kg", "J"))),
                        JsonKey("reserve", _NUMBER),
                    ),
                )
            ),
        ),
        JsonKey(
            "cycled",
            JsonRows(
                Object(
                    RunLevels,
                    (
                        JsonKey("machine", _TEXT),
                        JsonKey("start_at_j", _NUMBER, "start"),
                        JsonKey("stop_at_j", _NUMBER, "stop"),
                    ),
                )
            ),
        ),
        JsonKey("start_order", JsonRows(_TEXT)),
        JsonKey(
            "chambers",
            JsonRows(
                Object(
                    ChamberHold,
                    (JsonKey("source", _TEXT), JsonKey("pressure_pa", _NUMBER, "pressure")),
                )
            ),
            optional=True,
        ),
    ),
)
_BODY = Object(
    dict,
    (
        JsonKey("basis", JsonText(BASES)),
        JsonKey("status", _STATUS),
        JsonKey("verified", _FLAG),
        JsonKey("goals", JsonRows(_GOAL)),
        JsonKey("ceiling", _CEILING),
        JsonKey("power", _POWER),
        JsonKey("sources", JsonRows(_SOURCE)),
        JsonKey("stores", JsonRows(_STORE)),
        JsonKey("batteries", JsonRows(_BATTERY)),
        JsonKey("runs", JsonRows(_RUN)),
        JsonKey("lines", JsonRows(_LINE)),
        JsonKey("machines", JsonRows(_MACHINE)),
        JsonKey("demands", JsonRows(_DEMAND)),
        JsonKey("materials", JsonRows(_MATERIAL)),
        JsonKey("emissions", _EMISSIONS),
        JsonKey("money", _NUMBER),
        JsonKey("limits", JsonRows(_TEXT)),
        JsonKey("cautions", JsonRows(_TEXT)),
        JsonKey("seed", _WHOLE),
        JsonKey("heat", _HEAT, optional=True),
        JsonKey("prices", JsonRows(_PRICE), optional=True),
        JsonKey("withstands", Maybe(_WITHSTANDS), optional=True),
        JsonKey("set_points", _SET_POINTS, optional=True),
        JsonKey("recoveries", JsonRows(_RECOVERY), optional=True),
        JsonKey("baths", JsonRows(_BATH), optional=True),
        JsonKey("mix", _TEXT, optional=True),
    ),
)
