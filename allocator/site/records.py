"""What stands on a site and what may be built there: frozen records in SI units.

Every number is a float in SI: kilogram, metre, second, watt, joule, kelvin, pascal.
Money has no dimension. Names are the user's own. Optional facts are ``None`` when absent.
The records hold data only; :mod:`allocator.site.reading` makes them from a site file
and refuses what cannot be.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from allocator.site.heat_sink import HeatSink

POWER = "power"
"""What a store holds, or a demand asks for, when it is electric power instead of a fluid."""

Emission = Literal["none", "counted", "biogenic"]
Phase = Literal["gas", "liquid", "solid"]

GOALS = ("clean_power", "served_power", "served_fluid", "emissions", "scarce_material", "money")
"""The goals a site may order; the first two are watts of firm (or mean) power served."""


@dataclass(frozen=True, slots=True)
class Fluid:
    """A fluid. ``heating_value``: lower heating value, J/kg, or None.

    ``emission``: what releasing it means. ``emission_weight``: kg CO2-equivalent counted a kg.
    ``constants``: user's own property constants in SI, by name. ``substance``: the
    property library's name for it.
    """

    name: str
    phase: Phase = "gas"
    heating_value: float | None = None
    emission: Emission = "none"
    emission_weight: float = 1.0
    constants: Mapping[str, float] = field(default_factory=dict)
    substance: str | None = None

    @property
    def exhaust(self) -> bool:
        """True for what burning leaves: an emission with no heating value of its own.

        Machines give exhaust in step with what they take, all else in step with their load.
        """
        return self.emission != "none" and not self.heating_value


@dataclass(frozen=True, slots=True)
class Material:
    """A material. ``stock``: kg, None for no limit. ``price``: money/kg. ``scarcity``: weight.

    ``density``: kg/m3. ``conductivity``: (K, W/(m K)) from cold to hot; one value holds at every
    temperature. ``vacuum``: heat crosses it by radiation only. ``emissivity`` of its surface.
    ``max_temperature``: K that it bears.
    """

    name: str
    stock: float | None = None
    price: float = 0.0
    scarcity: float = 1.0
    density: float | None = None
    conductivity: tuple[tuple[float, float], ...] = ()
    vacuum: bool = False
    emissivity: float | None = None
    max_temperature: float | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """A place: coordinates and elevation in m. ``heat_limit``: W that may be let into it."""

    name: str
    x: float = 0.0
    y: float = 0.0
    elevation: float = 0.0
    heat_limit: float | None = None


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage of a duty cycle: on for ``on`` s of every ``every`` s."""

    on: float
    every: float


@dataclass(frozen=True, slots=True)
class Chamber:
    """A closed space at a source that its pump draws from, of ``volume`` m3: the pump keeps the

    pressure in it at ``min_pressure`` Pa or more.
    """

    volume: float
    min_pressure: float


@dataclass(frozen=True, slots=True)
class Pump:
    """A pump at a source: ``energy`` J/kg moved, highest ``rate`` kg/s (None: no limit).

    ``max_inlet_temperature``: K of what it may take in, None for no limit. ``chamber``: what it
    draws     from between bursts; None where there is nothing to draw from.
    """

    energy: float
    rate: float | None = None
    max_inlet_temperature: float | None = None
    chamber: Chamber | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """A source. ``flow``: kg/s while on. ``stages``: innermost first; empty means always on.

    Bought fuel that comes in batches has one stage: unloading for ``batch/flow`` of every
    delivery interval. ``next_start``: s until the outermost stage next turns on. ``water``: mole
    fraction of vapour. ``reliable``: it cannot be lost.
    """

    name: str
    place: str
    fluid: str
    flow: float
    stages: tuple[Stage, ...] = ()
    next_start: float | None = None
    temperature: float | None = None
    pressure: float | None = None
    connection_materials: Mapping[str, float] = field(default_factory=dict)
    connection_price: float = 0.0
    price: float = 0.0
    delivered: bool = False
    pump: Pump | None = None
    water: float | None = None
    reliable: bool = False

    @property
    def steady(self) -> bool:
        """True when the source is always on."""
        return not self.stages


@dataclass(frozen=True, slots=True)
class StoreType:
    """A kind of store and where it may stand.

    ``holds``: a fluid's name, or ``"power"``. Sizes are kg, or J for power. ``unit``: size of
    one whole unit, None when size is continuous. ``materials``: kg per unit of size;
    ``base_materials``: kg once when built at a place; prices likewise. ``fill_rate`` and
    ``release_rate``: kg/s or W at one place. ``loss``: share of the *size* lost a second.
    ``charge_efficiency``: share of what enters that can be released (batteries).
    ``max_inlet_temperature``: K of what may enter, None for no limit.
    """

    name: str
    holds: str
    places: tuple[str, ...]
    max_size: float
    min_size: float = 0.0
    unit: float | None = None
    materials: Mapping[str, float] = field(default_factory=dict)
    base_materials: Mapping[str, float] = field(default_factory=dict)
    price: float = 0.0
    base_price: float = 0.0
    fill_rate: float | None = None
    release_rate: float | None = None
    loss: float = 0.0
    charge_efficiency: float = 1.0
    max_inlet_temperature: float | None = None


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of a pipe: kg of a material per metre of run; thickness in m if known."""

    material: str
    mass: float
    thickness: float | None = None


@dataclass(frozen=True, slots=True)
class PipeType:
    """A pipe. ``capacity``: kg/s. ``price``: money/m. ``fluids``: None means any.

    A build ``by_bore`` has the capacity of its ``bore``, which depends on the route and fluid.
    ``inlet_pressure`` and ``outlet_pressure``: Pa. ``max_velocity``: m/s and ``max_mach``: highest
    at the outlet. ``roughness``: m. ``max_temperature``: K that it bears.
    """

    name: str
    capacity: float
    layers: tuple[Layer, ...] = ()
    bore: float | None = None
    price: float = 0.0
    fluids: tuple[str, ...] | None = None
    by_bore: bool = False
    inlet_pressure: float | None = None
    outlet_pressure: float | None = None
    max_velocity: float | None = None
    max_mach: float = 0.3
    roughness: float = 4.5e-5
    max_temperature: float | None = None


@dataclass(frozen=True, slots=True)
class Route:
    """A corridor for pipe from ``start`` to ``end``; ``length`` m; ``cost`` money/kg moved.

    ``energy``: electric J/kg moved. ``burial_depth``: m of the axis below the ground.
    ``max_surface_temperature``:
    K outside of the pipe. ``heat_limit``: W it may lose.
    """

    name: str
    start: str
    end: str
    length: float
    pipes: tuple[str, ...]
    one_way: bool = False
    cost: float = 0.0
    energy: float = 0.0
    burial_depth: float | None = None
    max_surface_temperature: float | None = None
    heat_limit: float | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """A power line. ``capacity``: W sent; ``loss``: share of what is sent that is lost."""

    name: str
    start: str
    end: str
    capacity: float
    length: float
    loss: float = 0.0
    materials: Mapping[str, float] = field(default_factory=dict)
    price: float = 0.0


@dataclass(frozen=True, slots=True)
class MachineType:
    """A kind of machine: what one unit takes and gives at full load.

    ``inputs``/``outputs``: fluid -> kg/s. ``power_out``/``power_in``: W (at most one above 0).
    ``heat_out``: W. ``no_load``: share z of full-load takings needed while turning at no load: a
    unit that takes a share t of its full takings runs at load (t - z) / (1 - z), gives power and
    products in step with the load, and exhaust (:attr:`Fluid.exhaust`) in step with t.
    ``min_load``: least share of full load. ``min_up_time``: s, the shortest run when it is cycled
    on and off behind a battery; ``min_down_time``: s, the shortest rest between two runs;
    ``min_burst_time``: s, the shortest run on what comes and goes (``min_up_time`` where the file
    gives it). ``places``: place -> most units there (None: no limit). ``max_inlet_temperature``: K
    of the fluids that it takes; ``outlet_temperature``: K of those that it gives.
    """

    name: str
    inputs: Mapping[str, float]
    outputs: Mapping[str, float]
    places: Mapping[str, int | None]
    power_out: float = 0.0
    power_in: float = 0.0
    heat_out: float = 0.0
    no_load: float = 0.0
    min_load: float = 0.0
    min_up_time: float = 0.0
    min_down_time: float = 0.0
    min_burst_time: float = 0.0
    materials: Mapping[str, float] = field(default_factory=dict)
    price: float = 0.0
    max_units: int | None = None
    max_inlet_temperature: float | None = None
    outlet_temperature: float | None = None


@dataclass(frozen=True, slots=True)
class Cooler:
    """A kind of cooler: one unit cools a fluid to ``set_point`` K.

    ``rate``: kg/s, ``duty``: W, ``conductance``: W/K, most of one unit, None for no limit.
    ``coolant``: K at which its coolant comes; ``coolant_capacity``: W/K of its coolant loop, None
    for plenty. ``power_share``: electric W a W of duty, pumps and fans of the loop and of its heat
    rejection. ``places``: place -> most units for one stream there. ``recovery``: share of the
    duty that becomes power where the gas comes at ``threshold`` K or more. ``rejects_at``: the
    place of the file into which its heat goes; empty for where it stands.
    """

    name: str
    fluid: str
    set_point: float
    places: Mapping[str, int | None]
    rate: float | None = None
    duty: float | None = None
    conductance: float | None = None
    arrangement: str = "counter"
    coolant: float | None = None
    coolant_capacity: float | None = None
    power_share: float = 0.0
    materials: Mapping[str, float] = field(default_factory=dict)
    price: float = 0.0
    recovery: float = 0.0
    threshold: float = 0.0
    rejects_at: str = ""


@dataclass(frozen=True, slots=True)
class Profile:
    """A periodic shape of mean 1: level ``levels[i]`` from ``starts[i]`` to the next start.

    ``starts`` begins at 0 and rises; the last level lasts until ``period``.
    """

    period: float
    starts: tuple[float, ...]
    levels: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Demand:
    """A demand for power or a fluid. ``mean``: W or kg/s. ``place``: None is site-wide (power).

    ``profile``: None is constant. ``priority``: 1 is served first. ``min_share``: least share
    of the demand that any plan must serve at all times. ``max_inlet_temperature``: K of a fluid.
    """

    name: str
    wants: str
    mean: float
    place: str | None = None
    profile: Profile | None = None
    priority: int = 1
    min_share: float = 0.0
    max_inlet_temperature: float | None = None


@dataclass(frozen=True, slots=True)
class BuiltPipe:
    """A pipe that stands: on a route, of a pipe, carrying a fluid."""

    route: str
    pipe: str
    fluid: str


@dataclass(frozen=True, slots=True)
class Built:
    """What stands already and costs nothing. Stores: (type, place) -> size; machines: count."""

    sources: tuple[str, ...] = ()
    pipes: tuple[BuiltPipe, ...] = ()
    power_lines: tuple[str, ...] = ()
    storage: Mapping[tuple[str, str], float] = field(default_factory=dict)
    machines: Mapping[tuple[str, str], int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Limits:
    """Site-wide limits. ``emission``: kg/s counted, mean. ``money``: in all."""

    emission: float | None = None
    money: float | None = None
    excluded_places: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Ambient:
    """Ambient conditions: K, Pa, m/s; W/(m K) of the ground."""

    temperature: float = 288.15
    pressure: float = 101325.0
    wind: float = 0.0
    ground_conductivity: float = 2.0


@dataclass(frozen=True, slots=True)
class Mix:
    """A supply mix to compare: what differs from the site itself; None leaves the site's own.

    ``machines``: the only machine types that may be used. ``goals``: in order. ``emission``:
    kg/s counted, mean, at most. ``money``: in all, at most.
    """

    name: str
    about: str = ""
    machines: tuple[str, ...] | None = None
    goals: tuple[str, ...] | None = None
    emission: float | None = None
    money: float | None = None


@dataclass(frozen=True, slots=True)
class Spread:
    """What a value may be: from ``low`` to ``high``, planned with at ``middle``; SI.

    All values alike; or ``peaked``: likeliest at the middle, falling evenly to nothing at both
    ends; or normal with ``sd``, cut off at both ends.
    """

    low: float
    middle: float
    high: float
    sd: float | None = None
    peaked: bool = False


@dataclass(frozen=True, slots=True)
class Site:
    """A whole site, as its file says. Mappings keep the order of the file; keys are names.

    ``spreads``: address of a value, such as ``sources.north.flow`` -> what else it may be.
    ``derived``: the network of this site, kept once it is known by ``network_of`` of the room
    ``network``, which alone reads and writes it.

    A site built in Python is checked when it is first used, and has the plan of its file.

    Examples
    --------
    >>> import allocator as al
    >>> site = al.Site(
    ...     name="Well and works",
    ...     fluids={"gas": al.Fluid("gas", heating_value=50e6)},
    ...     materials={},
    ...     places={"well": al.Place("well"), "works": al.Place("works", x=400.0)},
    ...     sources={"well": al.Source("well", "well", "gas", flow=0.002)},
    ...     storage={},
    ...     pipes={"dn25": al.PipeType("dn25", capacity=0.01)},
    ...     routes={"track": al.Route("track", "well", "works", 400.0, pipes=("dn25",))},
    ...     machines={
    ...         "engine": al.MachineType("engine", {"gas": 0.001}, {}, {"works": 3}, power_out=15e3)
    ...     },
    ...     demands={"town": al.Demand("town", "power", mean=40e3)},
    ... )
    >>> round(al.plan(site, node_limit=1000).plan.power.firm_clean)
    30000
    """

    name: str
    fluids: Mapping[str, Fluid]
    materials: Mapping[str, Material]
    places: Mapping[str, Place]
    sources: Mapping[str, Source]
    storage: Mapping[str, StoreType]
    pipes: Mapping[str, PipeType]
    routes: Mapping[str, Route]
    machines: Mapping[str, MachineType]
    demands: Mapping[str, Demand]
    power_lines: Mapping[str, Line] = field(default_factory=dict)
    built: Built = field(default_factory=Built)
    limits: Limits = field(default_factory=Limits)
    ambient: Ambient = field(default_factory=Ambient)
    goals: tuple[str, ...] = GOALS
    horizon: float = 31_557_600.0
    goal_slack: float = 0.0
    load_factor: float | None = None
    count_biogenic: bool = False
    about: str = ""
    sha256: str = ""
    mixes: Mapping[str, Mix] = field(default_factory=dict)
    heat_sinks: Mapping[str, HeatSink] = field(default_factory=dict)
    coolers: Mapping[str, Cooler] = field(default_factory=dict)
    spreads: Mapping[str, Spread] = field(default_factory=dict)
    # not an argument, so that replace() leaves it out: a changed site has another network
    derived: object = field(default=None, init=False, repr=False, compare=False)

    def may_carry(self, route: str, build: str, fluid: str) -> bool:
        """Whether a pipe that a route offers is for a fluid."""
        del route
        able = self.pipes[build].fluids
        return able is None or fluid in able
