"""Records of use: machines, coolers and demands."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.site.common_kinds import (
    BELOW_ONE,
    COUNTS,
    FLOW,
    FLUID,
    HOT,
    INSIDE_ONE,
    KELVIN,
    MONEY,
    PART,
    PLACE,
    PRESSURE,
    RANGED_FLOW,
    RANGED_WATTS,
    SPAN,
    SPAN_OR_NONE,
    WATTS,
    amounts,
)
from allocator.site.groups import ListOf, MapOf
from allocator.site.keys import KeyGroup, key, part, record
from allocator.site.kinds import Choice, Flag, Quantity, Text, Whole
from allocator.site.records.storage import POWER
from allocator.site.shapes import ByShape
from allocator.site.shared_values import kind_key
from allocator.site.spreads import Ranged
from allocator.site.table import Key, KeyTable

_TAKEN = MapOf(
    FLUID,
    RANGED_FLOW,
    {POWER: RANGED_WATTS},
    {"heat": "leave the heat out: its use is not planned"},
    least=1,
)
_GIVEN = MapOf(FLUID, RANGED_FLOW, {POWER: RANGED_WATTS, "heat": RANGED_WATTS}, least=1)
COOLER_UNITS = 4
"""Units of a cooler that may stand for one stream at a place where the site sets no number."""


@record(
    first=(
        "inputs",
        "outputs",
        "no_load",
        "min_load",
        "min_up_time",
        "min_down_time",
        "materials",
        "price",
    ),
    reserved={"outages": "give 'mtbf' and 'mttr', or plan with fewer units"},
    completing=(kind_key("machines"),),
)
class MachineType:
    """A kind of machine: what one unit takes and gives at full load.

    ``power_in`` and ``power_out``: W, of which at most one is above 0; ``heat_out``: W. A unit that
    takes a share t of its full takings runs at load (t - z) / (1 - z), where z is ``no_load``. It
    gives power and products in step with the load, and exhaust (:attr:`Fluid.exhaust`) in step
    with t. ``min_burst_time``: s, the shortest run on what comes and goes (``min_up_time`` where
    the file gives it). ``places``: None for no limit.
    """

    name: str
    inputs: Mapping[str, float] = key(
        _TAKEN, "What one unit takes at full load: fluids, or 'power'"
    )
    outputs: Mapping[str, float] = key(
        _GIVEN,
        "Output of one unit at full load: fluids, 'power', 'heat'",
    )
    places: Mapping[str, int | None] = key(
        COUNTS, "Most units at each place, or a list of places without limit"
    )
    power_out: float = part("outputs.power", default=0.0)
    power_in: float = part("inputs.power", default=0.0)
    heat_out: float = part("outputs.heat", default=0.0)
    no_load: float = key(
        Ranged("share", least=0, below=1),
        "Share of the full-load takings that it takes at no load, where it gives exhaust alone; "
        "see below",
        default=0.0,
    )
    min_load: float = key(PART, "Least share of full load at which it may run", default=0.0)
    min_up_time: float = key(
        SPAN_OR_NONE,
        "Shortest run, when it is run on and off; see below",
        default=0.0,
        in_file=600.0,
    )
    min_down_time: float = key(
        SPAN_OR_NONE,
        "Shortest rest between two runs; see below",
        default=0.0,
    )
    min_burst_time: float = 0.0
    materials: Mapping[str, float] = key(amounts("mass"), "Material for one unit", default={})
    price: float = key(MONEY, "Money for one unit", default=0.0)
    life: float | None = key(SPAN, "How long it lasts", default=None, left_out="the site's `life`")
    max_units: int | None = key(Whole(), "Most units in all", default=None, left_out="no limit")
    flare: bool = key(
        Flag(),
        "It burns whatever comes, at once and for no use, so that less is vented; see below",
        default=False,
    )
    max_inlet_temperature: float | None = key(
        KELVIN, "Hottest fluid that it may take in", default=None, left_out="no limit"
    )
    outlet_temperature: float | None = key(
        HOT,
        "Of the fluids that it gives",
        default=None,
        left_out="the hottest of the fluid's sources",
    )
    heat_temperature: float | None = key(
        HOT,
        "Temperature at which it gives its heat",
        default=None,
        left_out="not known: it serves no heat demand",
    )
    min_inlet_pressure: float | None = key(
        PRESSURE,
        "Least pressure of each fluid that it takes in, absolute",
        default=None,
        left_out="no limit",
    )
    outlet_pressure: float | None = key(
        PRESSURE, "Of the fluids that it gives, absolute", default=None, left_out="no limit"
    )
    pressure_rating: float | None = key(
        PRESSURE,
        "Highest pressure, absolute, that it bears, in any state and shut in",
        default=None,
        left_out="no limit",
    )
    mtbf: float | None = key(
        SPAN, "Mean time between failures of a unit; see below", default=None, left_out="none fails"
    )
    mttr: float | None = key(
        SPAN, "Mean time to repair a unit. Needed with `mtbf`", default=None, left_out="none fails"
    )
    service: float = key(
        SPAN_OR_NONE,
        "Planned service of a unit each year, during which it is out of order",
        default=0.0,
    )


@record(
    groups={
        "coolant": KeyGroup("The coolant loop of one unit. Needed with `conductance`"),
        "recovery": KeyGroup("Power from the heat, of steady sources only; see below"),
    },
    completing=(kind_key("coolers"),),
)
class Cooler:
    """A kind of cooler: one unit cools a fluid to its set-point.

    ``recovery``: power per heat taken away, where the gas comes at ``threshold`` or hotter.
    ``rejects_at``: empty where its heat goes to the place where it stands.
    """

    name: str
    fluid: str = key(FLUID, "The fluid that it cools")
    set_point: float = key(KELVIN, "To which it cools")
    places: Mapping[str, int | None] = key(
        COUNTS, "Most units for one stream at each place, or a list of places (4 units)"
    )
    rate: float | None = key(
        FLOW,
        "Most that one unit takes. One of `rate`, `duty` and `conductance` must be there",
        default=None,
        left_out="no limit",
    )
    duty: float | None = key(
        WATTS, "Most heat that one unit takes away", default=None, left_out="no limit"
    )
    conductance: float | None = key(
        Quantity("conductance", above=0), "UA of one unit", default=None, left_out="no limit"
    )
    arrangement: str = key(
        Choice(("counter", "parallel", "shell", "condenser")),
        "How the streams pass each other; condenser: the coolant boils",
        default="counter",
    )
    coolant: float | None = key(
        KELVIN, "At which it comes", at="coolant.temperature", required=True, default=None
    )
    coolant_capacity: float | None = key(
        Quantity("conductance", above=0),
        "Mass rate times specific heat of the loop. No effect where the coolant boils",
        at="coolant.capacity",
        default=None,
        left_out="plenty",
    )
    power_share: float = key(
        BELOW_ONE, "Power of its pumps and fans per heat taken away", default=0.0
    )
    materials: Mapping[str, float] = key(amounts("mass"), "Material for one unit", default={})
    price: float = key(MONEY, "Money for one unit", default=0.0)
    life: float | None = key(SPAN, "How long it lasts", default=None, left_out="the site's `life`")
    recovery: float = key(
        INSIDE_ONE,
        "Power per heat taken away. Not beyond the second law's for gas cooled from `threshold` "
        "to `set_point`",
        at="recovery.efficiency",
        required=True,
        default=0.0,
    )
    threshold: float = key(
        KELVIN,
        "Inlet temperature below which there is none",
        at="recovery.threshold",
        required=True,
        default=0.0,
    )
    rejects_at: str = key(
        PLACE,
        "Into which its heat goes, for that place's `heat_limit`",
        default="",
        left_out="the cooler's place",
    )
    heat_temperature: float | None = key(
        KELVIN,
        "How hot its heat is for the `heat_demand` of the place where it goes. Not with `recovery`",
        default=None,
        left_out="gives none",
    )

    @property
    def loop_capacity(self) -> float | None:
        """W/K of the coolant loop; None for plenty, and for coolant that boils."""
        return None if self.arrangement == "condenser" else self.coolant_capacity

    def most_units(self, place: str) -> int:
        """Units that may stand for one stream at one of its places."""
        return self.places[place] or COOLER_UNITS


@record()
class Profile:
    """A periodic shape of mean 1: level ``levels[i]`` from ``starts[i]`` to the next start.

    ``starts`` begins at 0 and rises; the last level lasts until ``period``.
    """

    period: float
    starts: tuple[float, ...]
    levels: tuple[float, ...]


SERIES = KeyTable(
    (Key("csv", Text(), "Path of the CSV file, from the site file", required=True),), "series"
)


@record(first=("power",), either=(("power",), ("fluid", "flow")), completing=(kind_key("demands"),))
class Demand:
    """A demand for power or a fluid: ``mean`` is W or kg/s; None as ``place``: the whole site."""

    name: str
    wants: str = key(FLUID, "The fluid that is asked for", at="fluid", required=False)
    mean: float = key(
        ByShape(RANGED_FLOW, SERIES),
        "Mean flow of the fluid, or a series",
        at="flow",
        required=False,
        also=(Key("power", ByShape(RANGED_WATTS, SERIES), "Mean power, or a series"),),
    )
    place: str | None = key(
        PLACE,
        "Where. Needed for a fluid, and for power where `power_lines` are listed",
        default=None,
        left_out="the whole site",
    )
    profile: Profile | None = key(
        ListOf(Quantity("number", least=0), least=1),
        "Shape of the demand in equal steps over `period`, at any scale",
        default=None,
        left_out="constant",
        also=(Key("period", SPAN, "Time after which the profile repeats", left_out="1 d"),),
    )
    max_inlet_temperature: float | None = key(
        KELVIN, "Hottest that the fluid may be", default=None, left_out="no limit"
    )
    min_inlet_pressure: float | None = key(
        PRESSURE, "Least pressure of the fluid, absolute", default=None, left_out="no limit"
    )
    priority: int = key(Whole(), "1 is served first", default=1)
    min_share: float = key(
        PART, "Least share that any plan must serve, all of the time", default=0.0
    )
