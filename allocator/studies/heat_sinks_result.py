"""Heat sinks beside sources, as tables: swings, heat, equipment, masses, what a plan may count."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar

from allocator.base.labels import labelled
from allocator.base.rendering import csv_of, json_records, section_of
from allocator.base.table import Column, Table
from allocator.base.text import paragraph, section
from allocator.engine.paths import SiteOrPath, site_of
from allocator.network.deriving import network_of
from allocator.network.records import Sink
from allocator.site.records import Site
from allocator.studies.heat_sink_words import heat_sink_cautions, set_name, sized, verdict
from allocator.studies.result import StudyResult, joined, study_json
from allocator.studies.sink_rows import HeatSinkRow, heat_sinks_table
from allocator.thermal.sink_temperatures import SinkState

FORMAT = "allocator.baths/1"
SHOWN = 7
"""Points of the curve in text; the table has all of them."""

_SINK = labelled("bath")
_MASS = labelled("mass", "mass")
_SWINGS = (
    Column("burst", "swing in a burst", "temperature_difference"),
    Column("spell", "swing in a spell", "temperature_difference"),
    labelled("peak_temperature", "temperature", name="peak"),
)
_MARGIN = labelled("margin", "temperature_difference", "Below the nearest limit.")
_AFTER = Column("recovery_after", "recovery after", "duration", "Until recovery runs; never: inf.")
_STEAM = labelled("steam", "mass_rate")
_SINKS = (
    _SINK,
    labelled("source"),
    _MASS,
    Column("boils_at", "boils at", "temperature"),
    *_SWINGS,
    labelled("limit", "temperature", "The limit that the margin is to."),
    Column("limit_of", "limit of"),
    _MARGIN,
    Column("heat_in", "heat in", "power", "From the gas, mean over time."),
    labelled("heat_lost", "power"),
    labelled("heat_recovered", "power"),
    Column("power", "power from it", "power"),
    _STEAM,
    _AFTER,
    Column("dry_after", "dry after", "duration", "Until it has boiled away with no make-up."),
    Column("verdict", "is active cooling needed?"),
)
_SETS = (
    _SINK,
    Column("set", "equipment"),
    labelled("peak_temperature", "temperature", name="peak"),
    labelled("gas_leaves_at", "temperature"),
    _MARGIN,
    Column("least_cooler", "minimum cooler", "power", "The least duty that keeps every limit."),
    Column("power", "net power", "power", "Recovered less spent."),
    labelled("keeps", "flag"),
)
_MASSES = (
    _SINK,
    Column("least", "minimum mass"),
    Column("never_boils", "minimum mass that never boils"),
    Column("recovery_below", "recovery runs below"),
)
_CURVE = (
    *(_SINK, _MASS, *_SWINGS, _MARGIN, _AFTER),
    Column("power", "mean power", "power"),
    _STEAM,
)
_IN_PLANS = (
    _SINK,
    labelled("recovery", "flag"),
    labelled("gas_leaves_at_most", "temperature"),
    labelled("pump_limit", "temperature"),
    Column("reason", "why a plan does not count with it"),
)
_STATES = (
    _SINK,
    labelled("source"),
    Column("what", "what"),
    _MASS,
    labelled("recovery", "flag"),
    Column("cooler", "cooler", "power"),
    Column("burst_swing", "swing in a burst", "temperature_difference"),
    Column("spell_swing", "swing in a spell", "temperature_difference"),
    Column("lowest", "lowest", "temperature"),
    labelled("peak_temperature", "temperature", name="peak"),
    labelled("gas_leaves_at", "temperature"),
    Column("to_spare", "margin", "temperature_difference"),
    Column("keeps_every_limit", "keeps all limits", "flag"),
    Column("recovery_from", "recovery after", "duration"),
    Column("heat_comes", "heat in", "power"),
    labelled("heat_lost", "power"),
    labelled("heat_recovered", "power"),
    Column("power_recovered", "power from it", "power"),
    Column("heat_cooled", "heat cooled", "power"),
    Column("power_spent", "power spent", "power"),
    Column("heat_boiled_off", "heat boiled off", "power"),
    labelled("steam", "mass_rate", file_key="steam_kg_per_s"),
)


@dataclass(frozen=True, slots=True, repr=False)
class HeatSinksResult(StudyResult):
    """What each heat sink of a site does, for each mass that the site offers.

    Attributes:
        sinks: temperatures and heat, by losses and with recovery where the site has it.
        sets: what may be beside a heat sink (recovery, a cooler), the smallest set first.
        masses: masses that keep every limit without a cooler.
        curve: the same heat sinks by rising mass.
        in_plans: what a plan may count with, or why it may not.
        states: every set and every point of the curve in full.
        cautions: what a crew must not forget.
        rows: the same as records.
    """

    command: ClassVar[str] = "heat_sinks"
    site: Site
    sinks: Table
    sets: Table
    masses: Table
    curve: Table
    in_plans: Table
    states: Table
    cautions: tuple[str, ...]
    rows: tuple[HeatSinkRow, ...]

    def summary(self) -> str:
        """All but the states, as text."""
        settled = self.sinks.select(  # swings are in the table of masses
            *("bath", "source", "mass", "boils_at", "peak", "limit", "limit_of", "margin"),
            title=self.sinks.title,
        )
        heat = self.sinks.select(
            *("bath", "heat_in", "heat_lost", "heat_recovered", "power", "steam"),
            *("recovery_after", "dry_after"),
            title="Heat, mean over time",
        )
        verdicts = [
            line
            for name, said in self.sinks.select("bath", "verdict").rows
            for line in paragraph(f"{name}: {said}", bullet="* ")
        ]
        cautions = [line for one in self.cautions for line in paragraph(one, bullet="* ")]
        return joined(
            section_of(settled)[1:],
            section_of(heat),
            section("Is active cooling needed?", verdicts),
            section_of(self.sets),
            section_of(self.masses),
            section_of(self._thinned()),
            section_of(self.in_plans),
            section("Cautions", cautions),
        )

    def _thinned(self) -> Table:
        """A few points of each curve: its ends, the mass of the site, and some in between."""
        rows: list[tuple[object, ...]] = []
        for row in self.rows:
            points = [one for one in self.curve.rows if one[0] == row.heat_sink.name]
            step = max(1, math.ceil((len(points) - 1) / (SHOWN - 1)))
            if row.first:
                rows += (
                    one
                    for number, one in enumerate(points)
                    if number % step == 0
                    or one[1] == row.heat_sink.mass
                    or number == len(points) - 1
                )
        return replace(self.curve, rows=tuple(rows))

    def to_json(self) -> str:
        """The states as JSON, with the verdicts."""
        states = json_records(self.states)
        return study_json(
            FORMAT,
            self.site,
            {
                "baths": [
                    {
                        "bath": row.label,
                        "verdict": verdict(row),
                        "smallest_set": set_name(row.smallest) if row.smallest else None,
                        "least_cooler_w": row.needs,
                        "least_mass_kg": row.least_mass,
                        "never_boils_kg": row.never_boils,
                        "recovery_runs_below_kg": row.drives_up_to,
                        "mass_kg": row.heat_sink.mass,
                        "as_heat_sink": [
                            {
                                "recovery": recovery,
                                "gas_leaves_at_most_k": _outlet(sink),
                                "why_it_does_not_count": sink if isinstance(sink, str) else None,
                            }
                            for recovery, sink in row.sinks
                        ],
                        "states": [one for one in states if one["bath"] == row.label],
                    }
                    for row in self.rows
                ],
                "cautions": self.cautions,
            },
        )

    def to_csv(self) -> str:
        """Every set and every point of the curve as CSV."""
        return csv_of(self.states)


def heat_sinks(site: SiteOrPath) -> HeatSinksResult:
    """What each heat sink of a site does: swings, peaks, recovery, minimum mass, active cooling.

    Parameters
    ----------
    site
        The site, or the path of its file.

    Returns
    -------
    HeatSinksResult
        ``sinks``: settled states; ``sets``: equipment that is sufficient; ``masses``: the least
        mass; ``curve``: the same with more mass.

    Raises
    ------
    BathError
        A property of a heat sink is not known, or contradicts another.

    Examples
    --------
    >>> import allocator as al
    >>> result = al.heat_sinks("networks/hot_purge.yaml")
    >>> list(zip(result["sinks"].column("bath"), result["sinks"].column("margin")))[0]
    ('stones', 22.0)
    """
    site = network_of(site_of(site))
    rows = tuple(heat_sinks_table(site))
    firsts = [row for row in rows if row.first]
    return HeatSinksResult(
        site,
        Table(
            "sinks",
            "Heat sinks, settled (by losses, and recovery where the site has it)",
            _SINKS,
            tuple(map(_sink, rows)),
        ),
        Table(
            "sets",
            "Equipment of a heat sink, the smallest set first",
            _SETS,
            tuple(one for row in rows for one in _sets(row)),
        ),
        Table(
            "masses",
            "Mass that keeps every limit, without a cooler",
            _MASSES,
            tuple(map(_masses, firsts)),
        ),
        Table(
            "curve",
            "More mass: smaller swings, later recovery",
            _CURVE,
            tuple(one for row in firsts for one in _curve(row)),
        ),
        Table(
            "in_plans",
            "What a plan may count with: the gas of the source, cooled",
            _IN_PLANS,
            tuple(one for row in rows for one in _in_plans(site, row)),
        ),
        Table(
            "states",
            "States of the heat sinks",
            _STATES,
            tuple(one for row in rows for one in _states(row)),
        ),
        heat_sink_cautions(site, rows),
        rows,
    )


def _sink(row: HeatSinkRow) -> tuple[object, ...]:
    heat_sink, given = row.heat_sink, row.given
    by_gas = given.margin < heat_sink.max_temperature - given.high
    recovers = heat_sink.recovery is not None
    return (
        *(
            row.label,
            heat_sink.source,
            heat_sink.mass,
            row.filling.boils.at if row.filling.boils else None,
        ),
        *(given.burst, given.spell, given.high),
        *(
            (heat_sink.max_outlet_temperature, "gas")
            if by_gas
            else (heat_sink.max_temperature, "heat sink")
        ),
        *(given.margin, given.came, given.lost),
        *((given.recovered, given.power) if recovers else (None, None)),
        *(given.steam, _after(row, given), row.dry_after, verdict(row)),
    )


def _after(row: HeatSinkRow, state: SinkState) -> float | None:
    if row.heat_sink.recovery is None:
        return None
    return math.inf if state.drives_after is None else state.drives_after


def _sets(row: HeatSinkRow) -> Iterator[tuple[object, ...]]:
    for choice in row.choices:
        state = choice.state
        needs = choice.needs if choice.cooler else None
        yield (
            *(row.label, set_name(choice), state.high, state.outlet, state.margin, needs),
            *(state.power - state.spent, state.keeps),
        )


def _masses(row: HeatSinkRow) -> tuple[object, ...]:
    below = None
    if row.heat_sink.recovery is not None:
        below = "any tried" if row.drives_up_to is None else sized(row, row.drives_up_to)
        below = "never" if row.drives_up_to == 0 else below
    return (
        row.heat_sink.name,
        sized(row, row.least_mass),
        sized(row, row.never_boils) if row.filling.boils else None,
        below,
    )


def _curve(row: HeatSinkRow) -> Iterator[tuple[object, ...]]:
    for state in row.curve:
        yield (
            *(row.heat_sink.name, state.mass, state.burst, state.spell, state.high, state.margin),
            *(_after(row, state), state.power if row.heat_sink.recovery else None, state.steam),
        )


def _in_plans(site: Site, row: HeatSinkRow) -> Iterator[tuple[object, ...]]:
    pump = site.sources[row.heat_sink.source].pump
    for recovery, sink in row.sinks:
        yield (
            *(
                row.label,
                recovery,
                _outlet(sink),
                None if pump is None else pump.max_inlet_temperature,
            ),
            sink if isinstance(sink, str) else None,
        )


def _outlet(sink: Sink | str) -> float | None:
    return sink.outlet if isinstance(sink, Sink) else None


def _states(row: HeatSinkRow) -> Iterator[tuple[object, ...]]:
    """A row a set, and a row a point of the curve."""
    for choice in row.choices:
        yield _state(row, f"set: {set_name(choice)}", choice.state)
    for state in row.curve:
        yield _state(row, "curve", state)


def _state(row: HeatSinkRow, what: str, state: SinkState) -> tuple[object, ...]:
    return (
        *(row.label, row.heat_sink.source, what, state.mass, state.recovery, state.cooling),
        *(state.burst, state.spell, state.low, state.high, state.outlet, state.margin),
        *(state.keeps, state.drives_after, state.came, state.lost, state.recovered, state.power),
        *(state.cooled, state.spent, state.boiled, state.steam),
    )
