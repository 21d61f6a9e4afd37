"""Draws that broke a promise, as a file that reproduces them."""

from __future__ import annotations

import dataclasses
import json
import math
import os
from pathlib import Path
from typing import Any

from allocator.base.errors import Fault, PlanFileError
from allocator.network.records import Network
from allocator.simulation.trace import Outages, SimulationSettings, Trace
from allocator.simulation.work import DrawRun

BROKEN_FILE = "broken.json"
BROKEN_FORMAT = "allocator.broken/1"
MOST_BROKEN = 100


def broken_json(trace: Trace) -> str:
    """The draws that broke the promise, the first :data:`MOST_BROKEN`, as JSON text."""
    settings = trace.settings
    found = {
        "format": BROKEN_FORMAT,
        "site": {"name": trace.site_name, "sha256": trace.site_sha256},
        "plan_sha256": trace.plan_sha256,
        "seed": settings.seed,
        "surplus": settings.surplus,
        "outages_s": None if settings.failing is None else dataclasses.asdict(settings.failing),
        "reserves": dict(trace.reserves),
        "draws": [
            {
                "name": draw.name,
                "number": draw.number,
                "seconds": draw.seconds,
                "unserved_j": draw.unserved_j,
                "shares": dict(draw.shares),
                **({"turns": draw.turns} if draw.turns else {}),
                **({"drawn": True} if draw.drawn else {}),
                **({"recorded": True} if draw.recorded else {}),
                **({"against_s": draw.against} if draw.against is not None else {}),
                "phases_s": dict(draw.phases),
            }
            for draw in trace.broken[:MOST_BROKEN]
        ],
    }
    return json.dumps(found, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


@dataclasses.dataclass(frozen=True)
class Broken:
    """What :func:`allocator.simulation.tracing.simulate` takes to run the draws of a file again."""

    settings: SimulationSettings
    reserves: dict[str, float]
    runs: tuple[DrawRun, ...]


def read_broken(path: str | os.PathLike[str], site: Network) -> Broken:
    """The draws of a file that :func:`broken_json` wrote.

    Raises:
        PlanFileError: the file cannot be opened, is for another site, or makes no sense.
    """
    name = os.fspath(path)
    try:
        data = json.loads(Path(path).read_text(encoding="utf-8"))
        if not isinstance(data, dict) or data.get("format") != BROKEN_FORMAT:
            raise _refused(name, f"this is no file of broken draws of format {BROKEN_FORMAT!r}")
        if data["site"]["sha256"] != site.sha256:
            raise _refused(name, "the draws are for another site or an older file of it")
        failing = data["outages_s"]
        settings = SimulationSettings(
            seed=data["seed"],
            surplus=bool(data["surplus"]),
            failing=None if failing is None else Outages(**failing),
        )
        reserves = {str(k): _number(v) for k, v in data["reserves"].items()}
        runs = tuple(_run(draw) for draw in data["draws"])
    except OSError as error:
        raise _refused(name, f"cannot be opened: {error.strerror or error}") from None
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise _refused(name, f"is cut off or spoilt: {error!r}") from None
    if not runs:
        raise _refused(name, "holds no draws")
    return Broken(settings, reserves, runs)


def _run(draw: Any) -> DrawRun:
    seconds = _number(draw["seconds"])
    if seconds <= 0:
        raise ValueError(f"seconds must be above 0 (got {seconds!r})")
    phases = {str(clock): _number(phase) for clock, phase in draw["phases_s"].items()}
    shares = {str(name): _number(share) for name, share in draw["shares"].items()}
    window = draw.get("against_s")
    begin, length = (0.0, 0.0) if window is None else map(_number, window)
    return DrawRun(
        str(draw["name"]),
        phases,
        seconds,
        int(draw["number"]),
        shares=shares,
        drawn=bool(draw.get("drawn", False)),
        turns=int(draw.get("turns", 0)),
        recorded=bool(draw.get("recorded", False)),
        against=None if window is None else (begin, length),
    )


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{value!r} is no finite number")
    return float(value)


def _refused(name: str, problem: str) -> PlanFileError:
    return PlanFileError([Fault(name, 0, 0, "", problem)])
