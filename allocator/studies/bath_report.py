"""Baths for people and for programs: text, CSV and JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence

from allocator.network.records import Sink
from allocator.report.text import paragraph, section, table
from allocator.report.words import quantity
from allocator.site.records import Site
from allocator.studies.bath import BathRow, baths_table
from allocator.studies.bath_words import bath_cautions, kelvins, set_name, sized, verdict
from allocator.thermal.baths import SinkState

FORMAT = "allocator.baths/1"
DAY = 86_400.0
SHOWN = 7
"""Points of the curve on a terminal; the CSV has all of them."""


def baths_text(site: Site) -> str:
    """All that :func:`~allocator.studies.bath.baths_table` knows, for a terminal."""
    rows = baths_table(site)
    lines = ["Baths beside their sources, settled (by losses, and recovery where the site has it)"]
    lines += _swings(rows)
    lines += section("Heat, mean over time", _heat(rows))
    lines += section("Is active cooling needed at all?", _verdicts(rows))
    lines += section(
        "What could stand beside a bath, the smallest set first (power: recovered less spent)",
        _choices(rows),
    )
    firsts = [row for row in rows if row.first]
    lines += section("Mass that keeps every limit, without cooler", _least(firsts))
    lines += section("More mass: smaller swings, later recovery", _curves(firsts))
    lines += section("As a heat sink that cools its source's gas in a plan", _sinks(site, rows))
    cautions = [line for text in bath_cautions(site, rows) for line in paragraph(text, bullet="* ")]
    lines += section("Cautions", cautions)
    return "\n".join(lines) + "\n"


def _kelvin(temperature: float | None) -> str:
    return "-" if temperature is None else quantity(temperature, "temperature")


def _swings(rows: Sequence[BathRow]) -> list[str]:
    heads = (
        "bath",
        "source",
        "mass",
        "boils at",
        "a burst",
        "a spell",
        "peak",
        "limit",
        "to spare",
    )
    cells = [
        (
            row.label,
            row.bath.source,
            quantity(row.bath.mass, "mass"),
            _kelvin(row.filling.boils.at if row.filling.boils else None),
            kelvins(row.given.burst),
            kelvins(row.given.spell),
            _kelvin(row.given.high),
            _nearest_limit(row),
            kelvins(row.given.margin),
        )
        for row in rows
    ]
    return table(heads, cells, right=range(2, 9))


def _nearest_limit(row: BathRow) -> str:
    """The limit that ``to spare`` speaks of."""
    if row.given.margin < row.bath.max_temperature - row.given.high:
        return f"gas {_kelvin(row.bath.max_outlet_temperature)}"
    return _kelvin(row.bath.max_temperature)


def _heat(rows: Sequence[BathRow]) -> list[str]:
    heads = (
        "bath",
        "comes",
        "lost",
        "recovered",
        "power of it",
        "steam",
        "recovery after",
        "dry in",
    )
    cells = [
        (
            row.label,
            quantity(row.given.came, "power"),
            quantity(row.given.lost, "power"),
            quantity(row.given.recovered, "power") if row.bath.recovery else "-",
            quantity(row.given.power, "power") if row.bath.recovery else "-",
            quantity(row.given.steam, "mass_rate") if row.given.steam else "none",
            _wait(row, row.given),
            quantity(row.dry_after, "duration") if math.isfinite(row.dry_after) else "-",
        )
        for row in rows
    ]
    return table(heads, cells, right=range(1, 8))


def _wait(row: BathRow, state: SinkState) -> str:
    if row.bath.recovery is None:
        return "-"
    if state.drives_after is None:
        return "never"
    return quantity(state.drives_after, "duration") if state.drives_after else "at once"


def _verdicts(rows: Sequence[BathRow]) -> list[str]:
    return [line for row in rows for line in paragraph(f"{row.label}: {verdict(row)}", bullet="* ")]


def _choices(rows: Sequence[BathRow]) -> list[str]:
    cells = [
        (
            row.label,
            set_name(choice),
            _kelvin(choice.state.high),
            _kelvin(choice.state.outlet),
            kelvins(choice.state.margin),
            _needs(choice.needs) if choice.cooler else "-",
            quantity(choice.state.power - choice.state.spent, "power"),
            "keeps all" if choice.state.keeps else "BREAKS A LIMIT",
        )
        for row in rows
        for choice in row.choices
    ]
    heads = ("bath", "by", "peak", "gas leaves at", "to spare", "least cooler", "power", "")
    return table(heads, cells, right=range(2, 7))


def _needs(duty: float | None) -> str:
    if duty is None:
        return "none does"
    return quantity(duty, "power") if duty else "none"


def _least(rows: Sequence[BathRow]) -> list[str]:
    cells = [
        (
            row.bath.name,
            sized(row, row.least_mass),
            sized(row, row.never_boils) if row.filling.boils else "-",
            _drives_up_to(row),
        )
        for row in rows
    ]
    heads = ("bath", "least", "least that never boils", "recovery runs below")
    return table(heads, cells, right=(1, 2, 3))


def _drives_up_to(row: BathRow) -> str:
    if row.bath.recovery is None:
        return "-"
    if row.drives_up_to is None:
        return "any tried"
    return quantity(row.drives_up_to, "mass") if row.drives_up_to else "never"


def _curves(rows: Sequence[BathRow]) -> list[str]:
    cells = [
        (
            row.bath.name,
            quantity(state.mass, "mass"),
            kelvins(state.burst),
            kelvins(state.spell),
            _kelvin(state.high),
            kelvins(state.margin),
            _wait(row, state),
            quantity(state.power, "power") if row.bath.recovery else "-",
            quantity(state.steam * DAY, "mass") if state.steam else "none",
        )
        for row in rows
        for state in _thinned(row)
    ]
    heads = (
        "bath",
        "mass",
        "a burst",
        "a spell",
        "peak",
        "to spare",
        "recovery after",
        "mean power",
        "steam a day",
    )
    return table(heads, cells, right=range(1, 9))


def _sinks(site: Site, rows: Sequence[BathRow]) -> list[str]:
    """How hot gas leaves at most, whatever the phase; or why a plan does not count with it."""
    lines = []
    for row in rows:
        pump = site.sources[row.bath.source].pump
        limit = None if pump is None else pump.max_inlet_temperature
        bears = "" if limit is None else f"; the pump bears {_kelvin(limit)}"
        for recovery, sink in row.sinks:
            by = "with recovery" if recovery else "by losses alone"
            said = f"{row.label}, {by}: "
            if isinstance(sink, str):
                said += f"does not count: {sink}."
            else:
                said += f"its gas leaves at {_kelvin(sink.outlet)} at most{bears}."
            lines += paragraph(said, bullet="* ")
    return lines


def _thinned(row: BathRow) -> Iterator[SinkState]:
    """A few points of the curve: its ends, the bath's own mass, and some in between."""
    step = max(1, math.ceil((len(row.curve) - 1) / (SHOWN - 1)))
    for number, state in enumerate(row.curve):
        own = state.mass == row.bath.mass
        if number % step == 0 or own or number == len(row.curve) - 1:
            yield state


def _facts(row: BathRow, what: str, state: SinkState) -> dict[str, object]:
    return {
        "bath": row.label,
        "source": row.bath.source,
        "what": what,
        "mass_kg": state.mass,
        "recovery": state.recovery,
        "cooler_w": state.cooling,
        "burst_swing_k": state.burst,
        "spell_swing_k": state.spell,
        "lowest_k": state.low,
        "peak_k": state.high,
        "gas_leaves_at_k": state.outlet,
        "to_spare_k": state.margin,
        "keeps_every_limit": state.keeps,
        "recovery_from_s": state.drives_after,
        "heat_comes_w": state.came,
        "heat_lost_w": state.lost,
        "heat_recovered_w": state.recovered,
        "power_recovered_w": state.power,
        "heat_cooled_w": state.cooled,
        "power_spent_w": state.spent,
        "heat_boiled_off_w": state.boiled,
        "steam_kg_per_s": state.steam,
    }


def _all_facts(row: BathRow) -> list[dict[str, object]]:
    """A row a set, and a row a point of the curve."""
    sets = [_facts(row, f"set: {set_name(c)}", c.state) for c in row.choices]
    return sets + [_facts(row, "curve", state) for state in row.curve]


def _as_sink(recovery: bool, sink: Sink | str) -> dict[str, object]:
    counts = isinstance(sink, Sink)
    return {
        "recovery": recovery,
        "gas_leaves_at_most_k": sink.outlet if isinstance(sink, Sink) else None,
        "why_it_does_not_count": None if counts else sink,
    }


def baths_csv(site: Site) -> str:
    """Sets and curves of all baths as CSV, SI units in the heads."""
    import pandas as pd

    from allocator.report.tables import csv_text

    facts = [fact for row in baths_table(site) for fact in _all_facts(row)]
    return csv_text(pd.DataFrame(facts, dtype=object))


def baths_json(site: Site) -> str:
    """The same as JSON, with the verdicts, ending in a new line."""
    rows = baths_table(site)
    data = {
        "format": FORMAT,
        "site": {"name": site.name, "sha256": site.sha256},
        "baths": [
            {
                "bath": row.label,
                "verdict": verdict(row),
                "smallest_set": set_name(row.smallest) if row.smallest else None,
                "least_cooler_w": row.needs,
                "least_mass_kg": row.least_mass,
                "never_boils_kg": row.never_boils,
                "recovery_runs_below_kg": row.drives_up_to,
                "mass_kg": row.bath.mass,
                "as_heat_sink": [_as_sink(recovery, sink) for recovery, sink in row.sinks],
                "states": _all_facts(row),
            }
            for row in rows
        ],
        "cautions": bath_cautions(site, rows),
    }
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
