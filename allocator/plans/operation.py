"""How a plan is run: what it withstands, and the set-points of stores, machines and chambers."""

from __future__ import annotations

from allocator.base.json_kinds import JsonText
from allocator.base.json_records import fact, record


@record
class Robustness:
    """Losses that a firm promise holds against.

    Sources are lost for ever, with no valve touched; machine units by turns, each time with an
    operation that the plan lists.
    """

    lost: int = fact("lost", "Number of sources, any of them, that may give nothing.", default=0)
    low: int = fact("low", "Number of others that may give the low end of their range.", default=0)
    machines: int = fact(
        "lost_machines",
        "Number of machine units, any of them, that may be out of order.",
        optional=True,
        default=0,
    )

    @property
    def anything(self) -> bool:
        """False for a promise that needs every source and machine as the site file says."""
        return self.of_sources or self.machines > 0

    @property
    def of_sources(self) -> bool:
        """False for a promise that needs every source as the site file says."""
        return self.lost > 0 or self.low > 0


NOTHING = Robustness()


@record
class StoreHold:
    """What is kept in a store, or in a part of a battery, for its promise."""

    store: str = fact("store", "The store, or the battery and its part.")
    unit: str = fact("unit", "Unit of the reserve.", JsonText(("kg", "J")))
    reserve: float = fact(
        "reserve",
        "Content above which surplus may be burnt at once; firm output may take it lower.",
    )


@record
class ReserveRule:
    """What a store, or a part of a battery, must hold in a state of its sources."""

    store: str = fact("store", "The store, or the battery and its part.")
    unit: str = fact("unit", "Unit of what is kept.", JsonText(("kg", "J")))
    state: str = fact(
        "state",
        "`any`: at any time; `on`, `off`: a source has just turned so; `time`: at a time of the "
        "known clocks.",
        JsonText(("any", "on", "off", "time")),
    )
    keep: float = fact("keep", "What it must hold then.")
    burn_above: float = fact(
        "burn_above", "Content above which surplus may be burnt until the next look, an hour later."
    )
    source: str = fact("source", "The source that turned.", optional=True, default="")
    at: float | None = fact(
        "at_s", "Time from the start of the site file.", optional=True, default=None
    )
    every: float | None = fact("every_s", "It is so again each.", optional=True, default=None)
    free: tuple[str, ...] = fact(
        "free", "Sources of unknown phase, which make it so much.", optional=True, default=()
    )


@record
class RunLevels:
    """Levels of the batteries' swing part at which a unit is run on and off."""

    machine: str = fact("machine", "Machine group of the unit.")
    start: float = fact("start_at_j", "Level at which it starts.")
    stop: float = fact("stop_at_j", "Level at which it stops.")


@record
class ChamberHold:
    """Pressure that the pump of a source keeps in the chamber from which it draws."""

    source: str = fact("source", "The source.")
    pressure: float = fact("pressure_pa", "Absolute pressure to keep.")


@record
class SetPoints:
    """Numbers to run the site by."""

    stores: tuple[StoreHold, ...] = fact("stores", "Reserves of stores.", default=())
    cycled: tuple[RunLevels, ...] = fact("cycled", "Units that are cycled on and off.", default=())
    start_order: tuple[str, ...] = fact(
        "start_order",
        "Machine groups in the order in which idle units start on surplus, clean ones first.",
        default=(),
    )
    chambers: tuple[ChamberHold, ...] = fact(
        "chambers", "Pressures of chambers.", optional=True, default=()
    )
    rules: tuple[ReserveRule, ...] = fact(
        "reserve_rules",
        "Reserves by the state of sources, where clocks are known.",
        optional=True,
        default=(),
    )
