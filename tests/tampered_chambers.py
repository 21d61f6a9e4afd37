"""Single tamperings with what is drawn out of a chamber through pauses."""

from __future__ import annotations

import dataclasses

from handmade_cove import COVE, COVE_MEAN_PLAN, COVE_PLAN
from tampered_holds import POINTS
from tampering import HOLDER, JUST_OVER, Tampering, add, change, drop, edit

from allocator.network.cautions import cautions_for
from allocator.plans.records import ChamberHold, Plan, Robustness, SourceUse
from allocator.site.chambers import GAS_CONSTANT
from allocator.site.records import Chamber

PAUSE = 64_800.0  # s, from the end of a burst to the next one
HELD = 65.0  # kg in a full chamber, above its least pressure
STORE = f"store:{HOLDER}"
ALWAYS = "north: chamber, always"

NORTH = COVE.sources["north"]
assert NORTH.pump is not None
KELVIN = COVE.ambient.temperature
VOLUME = HELD * GAS_CONSTANT * KELVIN / (1e5 * 0.026)  # from 2 bar down to 1 bar
COVE_DEEP = dataclasses.replace(
    COVE,
    fluids={
        **COVE.fluids,
        "gas": dataclasses.replace(COVE.fluids["gas"], constants={"molar_mass": 0.026}),
    },
    sources={
        **COVE.sources,
        "north": dataclasses.replace(
            NORTH,
            pressure=2e5,
            pump=dataclasses.replace(NORTH.pump, chamber=Chamber(VOLUME, 1e5)),
        ),
    },
)


def through(rate: float, as_it_comes: float, plan: Plan = COVE_PLAN) -> Plan:
    """The plan with ``rate`` kg/s always out of the chamber, and less as the gas comes."""
    plan = edit(plan, "sources", "north", collect={STORE: as_it_comes})
    return add(plan, "sources", SourceUse(ALWAYS, True, False, {STORE: rate}))


# 20 g/s for a quarter of the time fill it; 15 g/s of them go on as they come, 1 g/s always: it
# gives 64.8 kg in a pause, and on the mean 3.75 + 1 of 5 g/s.
COVE_THROUGH = change(through(0.001, 0.015), cautions=cautions_for(COVE_DEEP))


def deep(rule: str, plan: Plan, subject: str = "") -> Tampering:
    return Tampering(rule, plan, COVE_DEEP, subject)


def too_fast() -> Plan:
    rate = HELD / PAUSE * JUST_OVER
    return through(rate, 0.016 - rate)


HIGHER = dataclasses.replace(POINTS, chambers=(ChamberHold("north", 1.01e5),))

TAMPERED: dict[str, Tampering] = {
    "more out of a chamber than it holds": deep("chamber_cut", too_fast(), "'north'"),
    "a chamber kept too full for what is drawn": deep(
        "chamber_cut", change(COVE_THROUGH, set_points=HIGHER), "'north'"
    ),
    "more out of a chamber than comes on the mean": deep(
        "chamber_long_run", through(0.0021, 0.0139), "'north'"
    ),
    "a pump that moves too much in all": deep("pump_rate", through(0.001, 0.0171), "chamber"),
    "a chamber of a source that is not tapped": deep(
        "tap_missing", edit(COVE_THROUGH, "sources", "north", tapped=False, new=False), "chamber"
    ),
    "a chamber that is tapped anew by itself": deep(
        "stands_already", edit(COVE_THROUGH, "sources", ALWAYS, new=True), "chamber"
    ),
    "a chamber without its source": deep("unknown_name", drop(COVE_THROUGH, "sources", "north")),
    "a chamber on the mean basis": deep(
        "unknown_name", add(COVE_MEAN_PLAN, "sources", SourceUse(ALWAYS, True, False))
    ),
    "a chamber in a promise that withstands lost sources": deep(
        "chamber_without", change(COVE_THROUGH, robustness=Robustness(lost=1)), "'north'"
    ),
}
