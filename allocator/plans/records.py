"""The plan: what is decided and what is promised, as frozen records.

Planning makes it, proof checks it, reporting shows it; none of them knows the other.
All numbers are SI. Names of compound things: a store site is ``type@place``; a machine
group is ``type@place``; a destination of the collect layer is ``store:type@place`` or
``burn:type@place>battery@place`` (burnt as it comes, the power going to that battery).
The shape of a supply flow is ``flat`` or the name of the demand whose profile it follows
(of several demands with one profile, the first by file order names it).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from allocator.base.shown import Facts, Shown, frame_of, part_of, watts
from allocator.base.status import Status

if TYPE_CHECKING:
    import pandas as pd

FORMAT = "allocator.plan/1"
RULES = 2
"""Number of the rules that plans are made and audited by. Raise it with a change of rules by which

plans of before would be judged otherwise: those are told of as made by an older version.
"""
STATUSES = (
    Status.BOUND_REFUTED,
    Status.INTERRUPTED,
    Status.TIME_LIMIT,
    Status.NODE_LIMIT,
    Status.WITHIN_GAP,
    Status.YIELDED,
    Status.OPTIMAL,
    Status.NOT_SOUGHT,
)
"""Why the search of a goal stopped, from what proves least to what proves most; and of a goal by

which no better plan was sought, whose value is told all the same."""
FLAT = "flat"
GOALS = {
    "clean_power": ("W", "max"),
    "served_power": ("W", "max"),
    "served_fluid": ("kg/s", "max"),
    "emissions": ("kg/s", "min"),
    "scarce_material": ("kg", "min"),
    "money": ("money", "min"),
}
"""Unit and sense of each goal."""
GOAL_UNITS = tuple(dict.fromkeys(unit for unit, _ in GOALS.values()))
PRICED = ("mass", "power", "energy", "mass_rate", "emission_rate", "share", "money", "number")
"""Dimensions of the limits that may have a price."""


@dataclass(frozen=True, slots=True)
class GoalResult:
    """A goal's outcome. ``status``: optimal, within_gap, time_limit, node_limit, interrupted,

    yielded (the best was found and proven, and the site lets later goals have a share of it),
    bound_refuted (a plan better than the solver's bound was found: nothing is proven), not_sought
    (its value is told; no better plan was sought by it).
    ``bound_kind``: certified (of a linear program, rounded outward) or solver (by branching, at
    the solver's tolerance); None where there is no bound, or an older version made the plan."""

    name: str
    unit: str
    sense: str
    value: float
    bound: float | None
    gap: float | None
    status: Status
    bound_kind: str | None = None


@dataclass(frozen=True, slots=True)
class SourceUse:
    """One source. ``collect``: destination -> kg/s while on. ``direct``: shape -> mean kg/s

    released straight into the supply layer (steady sources only). What a pump draws out of a
    chamber through pauses stands as a source beside its own: ``north: chamber, always``."""

    name: str
    tapped: bool
    new: bool
    collect: Mapping[str, float] = field(default_factory=dict)
    direct: Mapping[str, float] = field(default_factory=dict)

    @property
    def from_chamber(self) -> bool:
        """True for what is drawn out of a chamber: no name in a site file holds a colon."""
        return ":" in self.name


@dataclass(frozen=True, slots=True)
class StoreUse:
    """One store of a fluid at a place: ``size`` kg in all, ``new_size`` of it new.

    ``units``: whole units that are new (None: continuous). ``draw``: shape -> mean kg/s that it
    promises for ever. ``inflow``: kg/s steady from the supply layer.
    """

    name: str
    type: str
    place: str
    holds: str
    size: float
    new_size: float
    units: int | None
    draw: Mapping[str, float] = field(default_factory=dict)
    inflow: float = 0.0


@dataclass(frozen=True, slots=True)
class BatteryUse:
    """One store of power: ``size`` J is shared out in parts that add up to at most ``size``.

    ``level_part``: J that levels flat generation to each demand's profile.
    ``levelled``: demand -> {"clean": W, "emitting": W} mean power served that way.
    ``burst_part``: {"clean": J, "emitting": J} behind bursts. ``release``: {"clean": {shape: W}}.
    ``swing_part``: J kept for the runs of cycled machines.
    """

    name: str
    type: str
    place: str
    size: float
    new_size: float
    units: int | None
    level_part: float = 0.0
    levelled: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    burst_part: Mapping[str, float] = field(default_factory=dict)
    release: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    swing_part: float = 0.0


@dataclass(frozen=True, slots=True)
class PipeFlow:
    """Flow along a run from ``start`` to ``end``, kg/s. ``layer``: ``collect`` (``carries`` is the

    place it is bound for, whichever destinations are there; rate with all sources on) or
    ``supply`` (``carries`` is the shape; mean rate).
    """

    start: str
    end: str
    layer: str
    carries: str
    rate: float


@dataclass(frozen=True, slots=True)
class Run:
    """A pipe laid (or standing) on a route for one fluid."""

    route: str
    build: str
    fluid: str
    new: bool
    flows: tuple[PipeFlow, ...] = ()


@dataclass(frozen=True, slots=True)
class LineUse:
    """A power line in use. ``flows``: (start, end, clean|emitting, shape, W sent)."""

    name: str
    new: bool
    flows: tuple[tuple[str, str, str, str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class MachineUse:
    """Machines of one type at one place; loads are in units at full load.

    ``running``: units that turn for ever; ``flat_load`` of them together, steady;
    ``following``: shape -> mean load of them that follows the shape. ``cycled``: load (at most 1)
    of one more unit that is run on and off behind a battery. ``burst``: battery -> units that burn
    what comes as it comes, bursts and steady gas: parts of the units that turn, as far as these
    have room, and of the one run on and off. ``receiver``: fluid -> kg that receivers beside what
    is run on and off must hold, so that pipes and stores see its mean and not its lumps.
    """

    name: str
    type: str
    place: str
    count: int
    new: int
    running: int = 0
    flat_load: float = 0.0
    following: Mapping[str, float] = field(default_factory=dict)
    cycled: float = 0.0
    burst: Mapping[str, float] = field(default_factory=dict)
    receiver: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RecoveryUse:
    """Power promised of the heat that a cooler takes away: shape -> mean W, from ``flow``: shape ->

    mean kg/s of the supply layer through it, which comes hot out of the sources at its start."""

    route: str
    build: str
    flow: Mapping[str, float] = field(default_factory=dict)
    power: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class DemandUse:
    """Share of a demand's profile served, all of the time: clean and emitting parts add up."""

    name: str
    wants: str
    mean: float
    clean_share: float
    emitting_share: float


@dataclass(frozen=True, slots=True)
class MaterialUse:
    """Material used by what is new, kg; the stock, kg or None."""

    name: str
    used: float
    stock: float | None


@dataclass(frozen=True, slots=True)
class Power:
    """Firm and mean power, W."""

    firm_clean: float
    mean_clean: float
    firm_total: float
    mean_total: float
    demand_mean: float
    served_share: float


@dataclass(frozen=True, slots=True)
class Ceiling:
    """What no plan under any control can pass, W; None where it was not computed.

    ``clean_kind``, ``total_kind``: certified or solver, as of goals.
    """

    clean: float | None
    total: float | None
    clean_kind: str | None = None
    total_kind: str | None = None


@dataclass(frozen=True, slots=True)
class Emissions:
    """Mean release of what the plan runs, kg/s, by fluid; ``counted`` is weighted and summed."""

    counted: float
    biogenic: float
    by_fluid: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FlowHeat:
    """A flow of one fluid along a route, in still air, all layers together.

    ``state``: ``busiest`` (every source on, every shape at its peak) or ``quiet`` (means of what
    stores and steady sources give). ``rate``: kg/s; ``inlet``, ``outlet`` and ``surface`` (at the
    inlet; None where the build is not known well enough): K; ``loss``: W, to the surroundings or
    to a cooler's coolant.
    """

    route: str
    build: str
    fluid: str
    start: str
    state: str
    rate: float
    inlet: float
    outlet: float
    loss: float
    surface: float | None = None


@dataclass(frozen=True, slots=True)
class CoolerHeat:
    """A cooler in the busiest state: ``duty`` W and what it takes for it, ``power`` W.

    ``mean_duty``: W over time; ``recovered``: mean W of power from it, of which a promise counts
    with what :class:`RecoveryUse` says.
    """

    route: str
    build: str
    duty: float
    power: float
    mean_duty: float
    recovered: float = 0.0


@dataclass(frozen=True, slots=True)
class HeatLimit:
    """A limit of temperature (K) or heat (W) and what the plan comes to in its worst state."""

    subject: str
    what: str
    unit: str
    value: float
    most: float


@dataclass(frozen=True, slots=True)
class Heat:
    """True temperatures of a plan: flows, coolers, limits, and what should be known of them."""

    flows: tuple[FlowHeat, ...] = ()
    coolers: tuple[CoolerHeat, ...] = ()
    limits: tuple[HeatLimit, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BathUse:
    """A bath beside a source and the smallest set that keeps every limit of it: losses alone, with

    ``recovery``, with a ``cooler`` at full duty, or with both. ``keeps``: whether it does; where
    nothing at hand does, the set is all there is. K: ``high``, the warmest that it gets; ``outlet``
    of the gas that leaves, None where not known; ``margin`` to the nearest limit (below zero:
    broken). ``cooling``: W, the least duty of the cooler that is enough. ``mass``: kg of it.

    ``used``: the plan leads its source's gas through it and counts with ``guaranteed`` K, hotter
    than which no gas leaves it; it is then told with the recovery that this takes.
    """

    name: str
    source: str
    recovery: bool
    cooler: bool
    keeps: bool
    high: float
    outlet: float | None
    margin: float
    cooling: float | None = None
    mass: float | None = None
    used: bool = False
    guaranteed: float | None = None


@dataclass(frozen=True, slots=True)
class Price:
    """What more of a limit is worth to a plan; SI.

    ``kind`` and ``name``: such as ``stock`` and a material; ``value`` of it, of ``dimension``.
    ``rate``: what the goal gains a unit, whole numbers held as they are. ``step``: more of it with
    which the site was planned anew, whole numbers free, and ``gain`` of that; ``proven``: there is
    no more to gain with that step.
    """

    kind: str
    name: str
    value: float
    dimension: str
    goal: str
    unit: str
    rate: float
    step: float | None = None
    gain: float | None = None
    proven: bool = False


@dataclass(frozen=True, slots=True)
class Withstands:
    """What a firm promise holds against for ever, with no valve touched: any ``lost`` sources

    that give nothing, and any ``low`` others that give the least of their range."""

    lost: int = 0
    low: int = 0

    @property
    def anything(self) -> bool:
        """False for a promise that needs every source as the site file says."""
        return self.lost > 0 or self.low > 0


NOTHING = Withstands()


@dataclass(frozen=True, slots=True)
class StoreHold:
    """What is kept in a store, or in a part of a battery, for its promise: ``reserve`` kg or J.

    What it holds above that may be burnt at once.
    """

    store: str
    unit: str
    reserve: float


@dataclass(frozen=True, slots=True)
class RunLevels:
    """J of the batteries' swing part at which a unit that is run on and off starts and stops."""

    machine: str
    start: float
    stop: float


@dataclass(frozen=True, slots=True)
class ChamberHold:
    """Pa that the pump of a source keeps in the chamber from which it draws."""

    source: str
    pressure: float


@dataclass(frozen=True, slots=True)
class SetPoints:
    """Numbers to run the site by. ``start_order``: machine groups in the order in which what

    idles is started on what would spill: clean ones before others."""

    stores: tuple[StoreHold, ...] = ()
    cycled: tuple[RunLevels, ...] = ()
    start_order: tuple[str, ...] = ()
    chambers: tuple[ChamberHold, ...] = ()


@dataclass(frozen=True, slots=True, repr=False)
class Plan(Shown):
    """A plan for a site on one basis (``firm`` or ``mean``), made by the rules :data:`RULES`.

    ``mix``: the supply mix that it is of, whose goals and limits it was asked to keep; empty for
    the site's own.

    Examples
    --------
    >>> import allocator as al
    >>> plan = al.plan("networks/first.yaml", node_limit=1000).plan
    >>> plan.verified, plan.basis, round(plan.power.firm_clean)
    (True, 'firm', 13374)
    """

    site_name: str
    site_sha256: str
    basis: str
    status: Status
    goals: tuple[GoalResult, ...]
    ceiling: Ceiling
    power: Power
    sources: tuple[SourceUse, ...]
    stores: tuple[StoreUse, ...]
    batteries: tuple[BatteryUse, ...]
    runs: tuple[Run, ...]
    lines: tuple[LineUse, ...]
    machines: tuple[MachineUse, ...]
    demands: tuple[DemandUse, ...]
    materials: tuple[MaterialUse, ...]
    emissions: Emissions
    money: float
    limits: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    verified: bool = False
    seed: int = 0
    heat: Heat | None = None
    prices: tuple[Price, ...] = ()
    withstands: Withstands | None = None
    set_points: SetPoints | None = None
    recoveries: tuple[RecoveryUse, ...] = ()
    baths: tuple[BathUse, ...] = ()
    mix: str = ""
    rules: int = RULES

    def facts(self) -> Facts:
        """What the plan promises, in words."""
        firm = self.basis == "firm"
        clean = self.power.firm_clean if firm else self.power.mean_clean
        total = self.power.firm_total if firm else self.power.mean_total
        return [
            ("Plan", self.site_name),
            ("clean at all times" if firm else "clean on average", watts(clean)),
            ("in all", watts(total)),
            (
                "sources tapped",
                str(sum(use.tapped and not use.from_chamber for use in self.sources)),
            ),
            ("machines", str(sum(use.count for use in self.machines))),
            ("search", self.status),
            ("verified", "yes" if self.verified else "NO"),
        ]

    def to_frame(self, part: str = "sources") -> pd.DataFrame:
        """A part of the plan as a pandas frame, a row a record, SI units in the column names.

        ``part``: ``sources``, ``stores``, ``batteries``, ``runs``, ``flows``, ``lines``,
        ``machines``, ``demands``, ``materials`` or ``goals``. Raises ValueError for another.
        """
        if part_of(part, (*_UNITS, "flows")) == "flows":
            frame = frame_of((flow for run in self.runs for flow in run.flows), _FLOW)
            names = [(run.route, run.fluid) for run in self.runs for _ in run.flows]
            frame.insert(0, "route", [route for route, _ in names])
            frame.insert(1, "fluid", [fluid for _, fluid in names])
            return frame
        frame = frame_of(getattr(self, part), _UNITS[part])
        return frame.drop(columns="flows", errors="ignore") if part == "runs" else frame


_FLOW = {"rate": "kg_per_s"}
_UNITS: Mapping[str, Mapping[str, str]] = {
    "sources": {"collect": "kg_per_s", "direct": "kg_per_s"},
    "stores": {"size": "kg", "new_size": "kg", "draw": "kg_per_s", "inflow": "kg_per_s"},
    "batteries": {
        "size": "j",
        "new_size": "j",
        "level_part": "j",
        "burst_part": "j",
        "swing_part": "j",
    },
    "runs": {},
    "lines": {},
    "machines": {"receiver": "kg"},
    "demands": {},
    "materials": {"used": "kg", "stock": "kg"},
    "goals": {},
}
"""Units that columns end with, by part and field."""
