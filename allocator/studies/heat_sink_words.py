"""Baths in words: their equipment, whether they must be cooled, and cautions."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from allocator.network.cautions import EXISTING, HOT
from allocator.physics.humidity import dew_point
from allocator.report.words import quantity
from allocator.site.records import Site
from allocator.studies.sink_rows import HeatSinkRow
from allocator.thermal.sink_temperatures import SinkChoice, SinkState

FREEZING = 273.15
NEARLY_BOILING = 10.0
"""K below boiling from which the caution about boiling is given."""


def kelvins(difference: float) -> str:
    """A difference of temperature."""
    return quantity(difference, "temperature_difference")


def set_name(choice: SinkChoice) -> str:
    """The equipment of the bath, which loses heat in any case."""
    parts = [*["recovery"] * choice.recovery, *["cooler"] * choice.cooler]
    return " + ".join(parts) or "losses alone"


def verdict(row: HeatSinkRow) -> str:
    """Whether active cooling is needed at all, in a sentence or two."""
    best = row.smallest
    if best is None:
        return f"{_reached(row)}. {_what_would_do(row)}"
    state = best.state
    spare = f"with a margin of {kelvins(state.margin)}"
    if best.cooler:
        duty = row.heat_sink.cooler.duty if row.heat_sink.cooler else 0.0
        beside = "" if best.recovery or not row.heat_sink.recovery else ", without recovery,"
        least = (
            f"{quantity(best.needs or 0.0, 'power')} of its {quantity(duty, 'power')} is sufficient"
        )
        text = f"{_reached(row)}. With the cooler{beside} every limit is kept {spare}; {least}."
    elif best.recovery:
        alone = row.choices[0].state
        text = (
            f"No active cooling is needed: heat sink, losses and recovery keep every "
            f"limit, {spare}. "
            f"Without recovery the heat sink reaches {_top(alone)}."
        )
    else:
        text = f"No active cooling is needed: heat sink and losses keep every limit, {spare}."
    if state.steam > 0:
        text += f" It boils: {_steam(row, state)}."
    return text + _never_drives(row)


def _never_drives(row: HeatSinkRow) -> str:
    """Recovery that never runs, and the mass with which it would."""
    if row.heat_sink.recovery is None or row.given.drives_after is not None:
        return ""
    text = f" Recovery never runs: without cooling the heat sink reaches {_top(row.given)} only"
    if row.drives_up_to:
        text += f"; with less than {quantity(row.drives_up_to, 'mass')} in it, it would run"
    return f"{text}."


def _reached(row: HeatSinkRow) -> str:
    """Active cooling is needed, and why."""
    helped = "losses and recovery" if row.heat_sink.recovery else "losses"
    heat_sink, state = row.heat_sink, row.given
    why = f"reaches {_top(state)} against {quantity(heat_sink.max_temperature, 'temperature')}"
    if (
        state.high <= heat_sink.max_temperature
        and state.outlet is not None
        and heat_sink.max_outlet_temperature is not None
    ):
        why = (
            f"lets its gas out at {quantity(state.outlet, 'temperature')} against "
            f"{quantity(heat_sink.max_outlet_temperature, 'temperature')}"
        )
    return f"Active cooling is needed: with {helped} alone the heat sink {why}"


def _what_would_do(row: HeatSinkRow) -> str:
    """What would keep every limit, where nothing that the site has does."""
    offers = []
    if row.needs is not None:
        at = quantity(row.set_point, "temperature")
        offers.append(f"a cooler of {quantity(row.needs, 'power')} that runs above {at}")
    if row.least_mass is not None:
        offers.append(f"{quantity(row.least_mass, 'mass')} in it")
    if not offers:
        return "Neither the maximum mass nor any cooler keeps every limit."
    had = "The cooler of the site is too small: " if row.heat_sink.cooler else ""
    text = " or ".join(offers)
    return f"{had}{text if had else text[0].upper() + text[1:]} is sufficient for every limit."


def _steam(row: HeatSinkRow, state: SinkState) -> str:
    rate = f"{quantity(state.steam * 86_400, 'mass')} of steam a day"
    if row.heat_sink.steam_recovered:
        return f"{rate}, to be condensed and led back"
    return f"{rate}, vented and made up"


def _top(state: SinkState) -> str:
    return quantity(state.high, "temperature")


def heat_sink_cautions(site: Site, rows: Sequence[HeatSinkRow]) -> tuple[str, ...]:
    """What a crew must not forget at baths like these; the standing caution is last."""
    return (*(text for applies, text in _RULES if applies(site, rows)), EXISTING)


_Rule = tuple[Callable[[Site, Sequence[HeatSinkRow]], bool], str]


def _hot(site: Site, rows: Sequence[HeatSinkRow]) -> bool:
    return any(row.given.high > HOT for row in rows)


def _boils(site: Site, rows: Sequence[HeatSinkRow]) -> bool:
    return any(
        row.filling.boils is not None and row.given.high > row.filling.boils.at - NEARLY_BOILING
        for row in rows
    )


def _pressed(site: Site, rows: Sequence[HeatSinkRow]) -> bool:
    return any(row.heat_sink.pressure > site.ambient.pressure for row in rows) or _boils(site, rows)


def _burns(site: Site, rows: Sequence[HeatSinkRow]) -> bool:
    fluids = (site.fluids[site.sources[row.heat_sink.source].fluid] for row in rows)
    return any(fluid.heating_value is not None for fluid in fluids)


def _freezes(site: Site, rows: Sequence[HeatSinkRow]) -> bool:
    return any(row.given.low < FREEZING and row.filling.boils is not None for row in rows)


def _condenses(site: Site, rows: Sequence[HeatSinkRow]) -> bool:
    for row in rows:
        source = site.sources[row.heat_sink.source]
        if row.heat_sink.heat_while_on is None and source.water:
            pressure = source.pressure or site.ambient.pressure
            if row.given.low < dew_point(source.water, pressure):
                return True
    return False


_RULES: tuple[_Rule, ...] = (
    (
        _condenses,
        "Wet gas condenses in a heat sink that is colder than its dew point: it warms faster, and "
        "one that stays so cold gets warmer than these figures say. Lead the water away.",
    ),
    (
        _hot,
        "Hot heat sinks, walls and lids burn at a touch (metal above about 60 degC): "
        "guard or insulate "
        "them, and keep what melts or burns at a distance.",
    ),
    (
        _boils,
        "A boiling heat sink spits, and liquid that meets hotter metal flashes to steam: "
        "cover it, hold "
        "its level by a make-up that cannot fail unseen, and stop the source when it runs low. A "
        "heat sink that runs dry keeps no limit.",
    ),
    (
        lambda site, rows: True,
        "Gas and steam push the air out of chambers, pits and covered heat sinks without "
        "warning: test "
        "the air before entry, never enter alone.",
    ),
    (
        _burns,
        "Burnable gas gathers above a heat sink: lead it away before it reaches a flame, "
        "a spark or a "
        "closed room.",
    ),
    (
        _pressed,
        "A closed heat sink that is heated is pressure equipment: a relief valve and a "
        "vent that cannot "
        "be shut, tests before use. The figures here hold for the pressure given.",
    ),
    (
        _freezes,
        "The heat sink is below freezing at times, and ice blocks gas and breaks vessels: "
        "freezing is not in these figures.",
    ),
)


def sized(row: HeatSinkRow, mass: float | None) -> str:
    """A minimum mass in words; what is below all that was tried, or above the maximum mass."""
    if mass is None:
        return f"above {quantity(row.heat_sink.max_mass, 'mass')}"
    return quantity(mass, "mass") if mass else "any"
