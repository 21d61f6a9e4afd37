"""What a simulation is asked, and what it found."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from allocator.base.grouped import grouped
from allocator.base.labels import head
from allocator.base.numbers_given import check_number, check_whole
from allocator.base.shown import Facts, Shown, frame_of, part_of, watts
from allocator.plans.records import ReserveRule
from allocator.simulation.adequacy_records import Adequacy
from allocator.simulation.columns import Array
from allocator.verify.tanks.chambers import ChamberTrace

if TYPE_CHECKING:
    import pandas as pd

DAY = 86400.0
ROUNDED = 1e-5
"""Share of a pressure that an end may lack: flows of a plan balance to a millionth."""


@dataclass(frozen=True, slots=True)
class Outages:
    """Units of machines that fail and are repaired, each by itself.

    Parameters
    ----------
    between
        Mean seconds between failures of a unit.
    repair
        Mean seconds of its repair.

    Examples
    --------
    >>> import allocator as al
    >>> result = al.plan("networks/first.yaml", node_limit=1000)
    >>> result.simulate(days=30, draws=1, outages=al.Outages(100 * 3600, 24 * 3600)).kept
    False
    """

    between: float
    repair: float

    def __post_init__(self) -> None:
        for name, value in (("between", self.between), ("repair", self.repair)):
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name} must be above 0 s (got {value!r})")


MOST_DAYS = 365_250.0
"""A thousand years of a draw: more would run for hours, and tell no more."""


@dataclass(frozen=True, slots=True)
class SimulationSettings:
    """The settings of :func:`allocator.simulate` as one record.

    Parameters
    ----------
    days, seed, adversarial, from_now, surplus, hold, samples, events
        As the keywords of :func:`allocator.simulate`.
    phases
        Draws from random phases: its keyword ``draws``.
    foresight
        Seconds of the first draw for which the bound on any control is found; 0: none.
    failing
        Outages, or None.
    budget
        Events, about, that all draws may have: their days are cut short to it, and where the worst
        windows alone would take more, no draw is set against them. A count and no clock, so that
        a trace is the same on every machine.

    Raises
    ------
    ValueError
        A value that cannot be.

    Examples
    --------
    >>> import allocator as al
    >>> al.SimulationSettings(days=30).phases
    8
    """

    days: float = 365.0
    phases: int = 8
    seed: int = 0
    adversarial: bool = True
    from_now: bool = False
    surplus: bool = True
    hold: str = "plan"
    samples: int = 400
    events: int = 2000
    foresight: float = 0.0
    failing: Outages | None = None
    budget: int | None = None

    def __post_init__(self) -> None:
        check_number("days", self.days)
        check_number("foresight", self.foresight)
        if not 0 < self.days <= MOST_DAYS:
            raise ValueError(
                f"days must be above 0, at most {grouped(MOST_DAYS)} (got {self.days!r})"
            )
        check_whole("phases (draws)", self.phases, 1)
        for name, least in (("seed", 0), ("samples", 1), ("events", 0)):
            check_whole(name, getattr(self, name), least)
        if self.hold not in ("plan", "full", "need", "rule"):
            raise ValueError(f"hold must be 'plan', 'full', 'need' or 'rule' (got {self.hold!r})")
        if self.budget is not None:
            check_whole("budget", self.budget, 1)
        if not (math.isfinite(self.foresight) and self.foresight >= 0):
            raise ValueError(f"foresight must be 0 s or more (got {self.foresight!r})")


@dataclass(frozen=True, slots=True)
class TankTrace:
    """One store, or part of a battery: ``unit`` kg or J; levels and amounts in that unit.

    ``spilt`` did not fit and was not burnt; ``short``: promised and not there. ``burnt`` beyond
    the promise. ``saved``: left in it because clean power stood in. ``need``: what its worst
    window asks of it, where the draw was set against it.
    """

    name: str
    unit: str
    size: float
    first: float
    last: float
    lowest: float
    highest: float
    arrived: float
    drawn: float
    lost: float
    spilt: float
    untaken: float
    short: float
    burnt: float
    saved: float
    times_full: int
    times_empty: int
    need: float | None = None


@dataclass(frozen=True, slots=True)
class Draw:
    """One run from given phases. Powers are means over the run, W.

    ``worst_firm_w``: promised firm power times the least share of it served at any instant.
    ``last_short_s``: end of the last time that promised power was not there (0: never).
    ``starts``: of each unit run on and off (None where nothing bounds them). ``number``: what
    its outages were drawn by. ``shares``: source -> share of its flow left, where it was run
    without some. ``vented_kg``: of each fluid that counts when it is vented. ``drawn``: its inexact
    clocks were drawn; ``against``: they were set against a window of that begin and length, s.
    ``turns``: seed of the turns in which units were out that the promise must hold without; 0:
    none were. ``recorded``: measured flows ran as their records.
    """

    name: str
    phases: Mapping[str, float]
    seconds: float
    kept: bool
    worst_firm_w: float
    short_s: float
    last_short_s: float
    unserved_j: float
    unserved_by_demand_j: Mapping[str, float]
    mean_clean_w: float
    mean_total_w: float
    clean_share: float
    emissions_kg: float
    released_kg: Mapping[str, float]
    bought_kg: Mapping[str, float]
    spilt_kg: Mapping[str, float]
    spilt_j: float
    starts: Mapping[str, float | None]
    tanks: tuple[TankTrace, ...]
    events: int
    number: int = 0
    shares: Mapping[str, float] = field(default_factory=dict)
    vented_kg: Mapping[str, float] = field(default_factory=dict)
    drawn: bool = False
    against: tuple[float, float] | None = None
    turns: int = 0
    recorded: bool = False


@dataclass(frozen=True, slots=True)
class Event:
    """``kind``: on, off, level (of a profile), full, not_full, empty, not_empty."""

    time: float
    kind: str
    name: str
    value: float


@dataclass(frozen=True, eq=False)
class Recording:
    """Levels of one draw at ``times``: a row a time, a column a tank; ``low`` and ``high`` since

    the time before; ``spill``: in all so far. ``left_out``: events beyond those written down.
    """

    draw: str
    times: Array = field(default_factory=lambda: np.zeros(0))
    tanks: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    levels: Array = field(default_factory=lambda: np.zeros((0, 0)))
    low: Array = field(default_factory=lambda: np.zeros((0, 0)))
    high: Array = field(default_factory=lambda: np.zeros((0, 0)))
    spill: Array = field(default_factory=lambda: np.zeros((0, 0)))
    events: tuple[Event, ...] = ()
    left_out: int = 0


@dataclass(frozen=True, slots=True)
class StartLevels:
    """From empty stores: ``firm_from_s`` (None: not within the run) is when firm supply is first

    reached for good. Up to then ``unserved_j`` are short; ``bridge`` says what each store (kg) or
    battery part (J) would have to hold at the start, ``fuel_kg`` how much of each bought fuel
    would make that power instead.
    """

    firm_from_s: float | None
    unserved_j: float
    bridge: Mapping[str, float]
    fuel_kg: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class SetPoint:
    """What the crew holds: ``reserve`` of a store's ``size`` is kept for the promise."""

    tank: str
    unit: str
    size: float
    reserve: float


@dataclass(frozen=True, slots=True)
class CycleSetPoint:
    """Levels (J, of the batteries' swing part) at which a unit run on and off starts and stops."""

    group: str
    start: float
    stop: float
    starts_a_day: float | None


@dataclass(frozen=True, slots=True)
class Bounds:
    """W that no control of a plan passes, by clean machines and by all.

    ``mean_clean``, ``mean_total``: on average over the first ``seconds`` s of the first run;
    ``beside_clean``, ``beside_total``: what the simulation serves in that time.
    ``firm_clean``, ``firm_total``: at all times, from the phases of the run ``firm_draw``
    (that of the total). None: not asked for, or not found. ``refuted``: bounds of those names
    that were dropped because a kept promise passes them, W.
    """

    seconds: float = 0.0
    mean_clean: float | None = None
    mean_total: float | None = None
    beside_clean: float | None = None
    beside_total: float | None = None
    firm_clean: float | None = None
    firm_total: float | None = None
    firm_draw: str | None = None
    refuted: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PressureTrace:
    """An end of a line in the state in which it has least: Pa that it needs, and Pa there.

    ``kind``: ``machine``, ``demand``, ``store`` that is filled, ``booster`` at its inlet, or
    ``pipe`` that ends below the ambient pressure. ``on``: sources that give in that state.
    """

    kind: str
    name: str
    fluid: str
    place: str
    needs: float
    lowest: float
    on: tuple[str, ...] = ()

    @property
    def margin(self) -> float:
        """Pa above what it needs."""
        return self.lowest - self.needs


@dataclass(frozen=True, slots=True)
class PressuresMet:
    """Pressures in the states of all draws: how many were met, how many of them were checked, and

    every end in its worst one."""

    states: int
    checked: int
    ends: tuple[PressureTrace, ...]

    @property
    def short(self) -> tuple[PressureTrace, ...]:
        """Ends that lack more than rounding can explain."""
        return tuple(end for end in self.ends if end.margin < -ROUNDED * end.needs)


@dataclass(frozen=True, repr=False)
class Trace(Shown):
    """What a simulation found: all its draws, and the levels over time of the first.

    Attributes
    ----------
    draws : tuple of Draw
        One by one; ``kept`` is true where the promise held in all in which it must, and no line
        lacked pressure.
    recording : Recording
        Levels and events of the first draw; ``to_frame()`` has them.
    set_points : tuple of SetPoint
        What is kept in each store for the promise.
    foresight : Bounds or None
        What no control of this plan can pass, where asked for.
    unsafe : tuple of str
        Stores whose given reserve is less than their promise needs.
    reserves : mapping of str to float
        Those that were given, kg or J.
    rules : tuple of ReserveRule
        What each store must hold by the state of its sources, where the draws were run by that.
    full_total_w : float or None
        Then also the mean power that is served in the random draws with full stores kept, W.
    no_safe_start : tuple of str
        Groups whose idle units burn no surplus, as no store holds enough for a run.
    pressures : PressuresMet or None
        Pressures along lines in the states that were met, where they are computed.
    adequacy : Adequacy or None
        How short the plan is a year where machines fail, of its promise and of the demand.
    plan_sha256 : str
        Of the text of ``plan.json``, where it is known.

    Examples
    --------
    >>> import allocator as al
    >>> trace = al.plan("networks/first.yaml", node_limit=1000).simulate(days=30, draws=1)
    >>> trace.kept, list(trace.to_frame("levels").columns)
    (True, ['time_s', 'gas_holder@mill_kg'])
    """

    site_name: str
    site_sha256: str
    settings: SimulationSettings
    promised_firm_w: float
    promised_clean_w: float
    ceiling_w: float | None
    draws: tuple[Draw, ...]
    recording: Recording
    set_points: tuple[SetPoint, ...] = ()
    cycle_points: tuple[CycleSetPoint, ...] = ()
    unsafe: tuple[str, ...] = ()
    start: StartLevels | None = None
    foresight: Bounds | None = None
    ceiling_clean_w: float | None = None
    reserves: Mapping[str, float] = field(default_factory=dict)
    plan_sha256: str = ""
    chambers: tuple[ChamberTrace, ...] = ()
    no_safe_start: tuple[str, ...] = ()
    rules: tuple[ReserveRule, ...] = ()
    full_total_w: float | None = None
    pressures: PressuresMet | None = None
    adequacy: Adequacy | None = None

    @property
    def promises(self) -> tuple[Draw, ...]:
        """The draws in which the promise must hold: all but the start from empty stores."""
        return tuple(draw for draw in self.draws if draw.name != "from now")

    @property
    def kept(self) -> bool:
        """True when the promise held in every draw in which it must, and pressures hold in it."""
        return all(draw.kept for draw in self.promises) and not self.short_of_pressure

    @property
    def short_of_pressure(self) -> tuple[PressureTrace, ...]:
        """Ends of lines that lack pressure in a state that was met."""
        return () if self.pressures is None else self.pressures.short

    @property
    def worst_firm_w(self) -> float:
        """Least firm power served at any instant of any draw in which the promise must hold."""
        return min(draw.worst_firm_w for draw in self.promises)

    @property
    def broken(self) -> tuple[Draw, ...]:
        """Draws that broke the promise; their phases reproduce it."""
        return tuple(draw for draw in self.promises if not draw.kept)

    def mean(self, field_name: str) -> float:
        """Mean of a number over the random draws."""
        drawn = [d for d in self.draws if d.name.startswith("random")] or list(self.draws)
        return math.fsum(getattr(draw, field_name) for draw in drawn) / len(drawn)

    def save(self, folder: str | os.PathLike[str]) -> None:
        """Write the folder that ``allocator simulate -o`` writes, whole or not at all.

        Raises
        ------
        OutputError
            The folder cannot be written.
        """
        from allocator.simulation.files import write_simulation

        write_simulation(folder, self)

    def facts(self) -> Facts:
        """What the simulation found, in words."""
        return [
            ("Trace", self.site_name),
            (head("promised"), "kept" if self.kept else "NOT kept"),
            (head("draws"), str(len(self.draws))),
            (head("firm_total"), watts(self.promised_firm_w)),
            (head("worst_power"), watts(self.worst_firm_w)),
            (head("mean_clean"), watts(self.mean("mean_clean_w"))),
            (head("mean_power"), watts(self.mean("mean_total_w"))),
        ]

    def to_frame(self, part: str = "levels") -> pd.DataFrame:
        """A part of the trace as a pandas frame, SI units in the column names.

        ``part``: ``levels`` (a row a time, a column a store: kg or J), ``draws`` or ``events``.
        Raises ValueError for another.
        """
        import pandas as pd

        part_of(part, ("levels", "draws", "events"))
        if part == "draws":
            return frame_of(self.draws, {"phases": "s"}).drop(columns=["tanks", "drawn", "against"])
        if part == "events":
            return frame_of(self.recording.events, {"time": "s"})
        record = self.recording
        names = [f"{t}_{u.lower()}" for t, u in zip(record.tanks, record.units, strict=True)]
        frame = pd.DataFrame(record.levels, columns=names)
        frame.insert(0, "time_s", record.times)
        return frame
