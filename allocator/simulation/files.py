"""simulation.json, levels.csv and events.csv: byte-same for the same trace, whole or not at all.

The keys of ``simulation.json`` are described by :func:`simulation_json`. Where a promise was
broken, ``broken.json`` holds what reproduces it.
"""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from allocator.base.folders import folder_at, write_folder
from allocator.base.spreadsheet_cells import inert
from allocator.simulation.broken import BROKEN_FILE, broken_json
from allocator.simulation.trace import Bounds, Draw, Recording, Trace

FORMAT = "allocator.simulation/1"
QUANTILES = (0.0, 0.05, 0.5, 0.95, 1.0)
MOST_DRAWS = 100
"""Random draws told one by one; the quantiles and means are over all of them."""


def write_simulation(directory: str | os.PathLike[str], trace: Trace) -> dict[str, Path]:
    """Write the files of a trace; the folder is made where it is missing.

    ``broken.json`` holds the draws that broke the promise, for
    :func:`allocator.simulation.broken.read_broken` to reproduce them; where none did, an
    old file of that name is taken away.

    Raises:
        OutputError: the folder cannot be written; see :func:`allocator.base.folders.write_folder`.
    """
    folder = folder_at(directory)
    files = {name: text.encode("utf-8") for name, text in simulation_files(trace).items()}
    write_folder(folder, files, "simulate", outdated=(BROKEN_FILE,))
    return {name: folder / name for name in files}


def simulation_files(trace: Trace) -> dict[str, str]:
    """The texts of a trace's files, by name."""
    texts = {"levels.csv": levels_csv(trace.recording), "events.csv": events_csv(trace.recording)}
    if trace.broken:
        texts[BROKEN_FILE] = broken_json(trace)
    texts["simulation.json"] = simulation_json(trace)
    return texts


def simulation_json(trace: Trace) -> str:
    """The trace as JSON text, without the levels over time.

    Units are in the keys. ``kept``, ``worst_firm_w``, ``short_hours``, ``unserved_j``,
    ``store_min`` and ``store_max`` are over all draws in which the promise must hold;
    ``mean_*``, ``emissions_kg``, ``spilt_*``, ``bought_kg`` and ``starts`` are means over the
    random draws, each of ``settings.days``. ``quantiles``: least, 5 %, median, 95 %, largest of
    them. ``foresight*``: what no control of this plan can pass; null where it was not asked for.
    ``firm_foresight_refuted_w``: such bounds that a kept promise passes, and that are none.
    ``chambers``: Pa to hold, kg held above it, s that they last, shares of time on and drawn on.
    ``no_safe_start``: groups whose idle units burn no surplus, as no store holds enough for a run.
    ``adequacy_per_year``: where machines fail, s short and J not served a year, against the promise
    and against the demand, each with half of its 95 % interval and its parts by cause.
    ``pressures``: where they are computed, how many distinct ``states`` were met, how many of them
    were ``checked``, and of each end the Pa that it ``needs``, the ``lowest``, and the sources that
    are ``on`` then.
    ``draws``: the first random ones, all others, and all that broke the promise.
    """
    found = {
        "format": FORMAT,
        "site": {"name": trace.site_name, "sha256": trace.site_sha256},
        "plan_sha256": trace.plan_sha256,
        "settings": _plain(trace.settings),
        "kept": trace.kept,
        "promised_firm_w": trace.promised_firm_w,
        "promised_clean_w": trace.promised_clean_w,
        "worst_firm_w": trace.worst_firm_w,
        "mean_clean_w": trace.mean("mean_clean_w"),
        "mean_total_w": trace.mean("mean_total_w"),
        "clean_share": trace.mean("clean_share"),
        "emissions_kg": trace.mean("emissions_kg"),
        "short_hours": max(draw.short_s for draw in trace.promises) / 3600.0,
        "unserved_j": max(draw.unserved_j for draw in trace.promises),
        **({"vented_kg": vented} if (vented := _means(trace, "vented_kg")) else {}),
        "spilt_kg": _means(trace, "spilt_kg"),
        "spilt_j": trace.mean("spilt_j"),
        "bought_kg": _means(trace, "bought_kg"),
        "starts": _means(trace, "starts"),
        "store_min": _over_tanks(trace, "lowest", min),
        "store_max": _over_tanks(trace, "highest", max),
        **foresight_keys(trace.foresight),
        "ceiling_clean_w": trace.ceiling_clean_w,
        "ceiling_w": trace.ceiling_w,
        "quantiles": quantiles(trace),
        "set_points": [_plain(point) for point in trace.set_points],
        "cycle_set_points": [_plain(point) for point in trace.cycle_points],
        "unsafe_set_points": list(trace.unsafe),
        "chambers": [_plain(chamber) for chamber in trace.chambers],
        "no_safe_start": list(trace.no_safe_start),
        **({} if trace.pressures is None else {"pressures": _plain(trace.pressures)}),
        "from_now": None if trace.start is None else _plain(trace.start),
        "reserves": dict(trace.reserves),
        **(
            {
                "reserve_rules": [_plain(rule) for rule in trace.rules],
                "mean_total_with_full_stores_w": trace.full_total_w,
            }
            if trace.full_total_w is not None
            else {}
        ),
        **({} if trace.adequacy is None else {"adequacy_per_year": _plain(trace.adequacy)}),
        "broken": [draw.name for draw in trace.broken],
        "draws_run": len(trace.draws),
        "draws": [_draw(draw) for number, draw in enumerate(trace.draws) if _told(number, draw)],
    }
    return json.dumps(found, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _told(number: int, draw: Draw) -> bool:
    return number < MOST_DRAWS or not draw.kept or not draw.name.startswith("random")


def foresight_keys(bounds: Bounds | None) -> dict[str, Any]:
    """Bounds on any control, under the keys of the file."""
    found = bounds or Bounds()
    return {
        "foresight_s": found.seconds,
        "foresight_w": found.mean_total,
        "foresight_clean_w": found.mean_clean,
        "simulated_over_foresight_w": found.beside_total,
        "simulated_clean_over_foresight_w": found.beside_clean,
        "firm_foresight_w": found.firm_total,
        "firm_foresight_clean_w": found.firm_clean,
        "firm_foresight_draw": found.firm_draw,
        "firm_foresight_refuted_w": dict(found.refuted),
    }


def quantiles(trace: Trace) -> dict[str, dict[str, float]]:
    """Least to largest over the random draws, of what a draw is judged by."""
    drawn = [d for d in trace.draws if d.name.startswith("random")] or list(trace.draws)
    found = {}
    for name in ("worst_firm_w", "mean_clean_w", "mean_total_w", "emissions_kg", "unserved_j"):
        values = sorted(getattr(draw, name) for draw in drawn)
        found[name] = {f"{share:g}": _quantile(values, share) for share in QUANTILES}
    return found


def _quantile(values: list[float], share: float) -> float:
    place = share * (len(values) - 1)
    low = min(int(place), len(values) - 1)
    high = min(low + 1, len(values) - 1)
    return float(values[low] + (place - low) * (values[high] - values[low]))


def _means(trace: Trace, name: str) -> dict[str, float | None]:
    drawn = [d for d in trace.draws if d.name.startswith("random")] or list(trace.draws)
    found: dict[str, float | None] = {}
    for key in getattr(drawn[0], name):
        values = [getattr(draw, name)[key] for draw in drawn]
        found[key] = None if None in values else sum(values) / len(values)
    return found


def _over_tanks(trace: Trace, name: str, choose: Any) -> dict[str, float]:
    return {
        tank.name: choose(getattr(draw.tanks[k], name) for draw in trace.promises)
        for k, tank in enumerate(trace.draws[0].tanks)
    }


def _draw(draw: Draw) -> dict[str, Any]:
    found: dict[str, Any] = _plain(draw)
    found["phases_s"] = found.pop("phases")
    if not draw.turns:
        del found["turns"]
    if not draw.vented_kg:  # nothing counts when it is vented
        del found["vented_kg"]
    if not found["drawn"]:
        del found["drawn"]
    if not draw.recorded:
        del found["recorded"]
    if found["against"] is None:
        del found["against"]
    return found


def _plain(record: Any) -> Any:
    if dataclasses.is_dataclass(record) and not isinstance(record, type):
        return {f.name: _plain(getattr(record, f.name)) for f in dataclasses.fields(record)}
    if isinstance(record, Mapping):
        return {key: _plain(value) for key, value in record.items()}
    if isinstance(record, tuple | list):
        return [_plain(item) for item in record]
    return record


def levels_csv(recording: Recording) -> str:
    """A row a time and tank: level, lowest and highest since the time before, spill so far."""
    rows = ["time_s,store,unit,level,lowest,highest,spilt"]
    for i, time in enumerate(recording.times):
        for k, (name, unit) in enumerate(zip(recording.tanks, recording.units, strict=True)):
            numbers = (
                float(table[i, k])
                for table in (recording.levels, recording.low, recording.high, recording.spill)
            )
            rows.append(f"{float(time)!r},{_quoted(name)},{unit}," + ",".join(map(repr, numbers)))
    return "\n".join(rows) + "\n"


def events_csv(recording: Recording) -> str:
    """A row an event, in order; the last row says how many there was no room for."""
    rows = ["time_s,event,name,value"]
    rows += [f"{e.time!r},{e.kind},{_quoted(e.name)},{e.value!r}" for e in recording.events]
    if recording.left_out:
        rows.append(f",left_out,,{recording.left_out}")
    return "\n".join(rows) + "\n"


def _quoted(name: str) -> str:
    cell = inert(name)
    return '"' + cell.replace('"', '""') + '"' if any(sign in cell for sign in ',"') else cell
