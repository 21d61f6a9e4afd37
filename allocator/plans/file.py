"""The plan file ``plan.json``: written, read and described as its records declare.

Numbers are SI, with the unit in the key. The same plan gives the same bytes, and what is
written is read back exactly.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from allocator.base.errors import Fault, PlanFileError
from allocator.base.json_kinds import Defs, Problem, Schema
from allocator.base.json_records import record_kind
from allocator.plans.records import FORMAT, RULES, Plan

FIRST_RULES = 1
"""The rules of plan files that do not tell theirs."""
REMEDY = "the file was damaged or changed by hand: use a whole copy, or plan again"


def _plan(site: Mapping[str, str], rules: int = FIRST_RULES, **rest: Any) -> Plan:
    return Plan(site_name=site["name"], site_sha256=site["sha256"], rules=rules, **rest)


def _site(plan: Plan) -> dict[str, Any]:
    return {"site": {"name": plan.site_name, "sha256": plan.site_sha256}}


PLAN = record_kind(Plan, _plan, _site)
"""The plan as an object of JSON; the file has its format before that."""


def plan_to_json(plan: Plan) -> str:
    """The plan as JSON text, ending in a new line; rows and keys in the plan's own order.

    Raises
    ------
    ValueError
        The plan holds a number that is not finite.
    """
    data = {"format": FORMAT, **PLAN.write(plan)}
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def plan_from_json(text: str, source_name: str) -> Plan:
    """The plan in a JSON text.

    Parameters
    ----------
    text
        The JSON text.
    source_name
        What messages call the text.

    Raises
    ------
    PlanFileError
        Another format or version, text that is cut off, keys that are unknown or missing, wrong
        types, numbers that are not finite: all of them at once, each with its JSON path.
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
    plan: Plan = PLAN.read({k: v for k, v in data.items() if k != "format"}, "$", problems)
    if problems:
        rules = data.get("rules", FIRST_RULES)
        readable = isinstance(rules, int) and not any(p.path == "$.rules" for p in problems)
        if readable and rules != RULES:
            raise other_version(rules, source_name)
        raise _error(source_name, problems)
    return plan


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
        Every key with its shape, each record once in ``$defs``.

    Examples
    --------
    >>> import allocator as al
    >>> al.plan_schema()["title"]
    'Plan file, allocator.plan/1'
    """
    defs: Defs = {}
    plan = PLAN.whole_schema(defs)
    plan["properties"] = {"format": {"const": FORMAT}, **plan["properties"]}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"Plan file, {FORMAT}",
        **plan,
        "required": ["format", *plan["required"]],
        "$defs": defs,
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
