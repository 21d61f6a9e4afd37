"""Frozen records of heat sinks: thermal mass beside a source that takes the heat of its bursts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class HeatSinkRecovery:
    """Heat turned into power: ``duty`` W of heat while the heat sink is above ``threshold`` K.

    ``efficiency``: power per heat, below Carnot's between ``threshold`` and ``cold_temperature`` K.
    """

    duty: float
    threshold: float
    efficiency: float
    cold_temperature: float


@dataclass(frozen=True, slots=True)
class HeatSinkCooler:
    """A cooler that could be added: ``duty`` W while the heat sink is above ``set_point`` K.

    ``power_share``: electric W a W of duty.
    """

    duty: float
    set_point: float
    power_share: float = 0.0


@dataclass(frozen=True, slots=True)
class HeatSink:
    """A heat sink or chamber beside a source. ``mass``: kg; ``max_mass``: kg, room for it.

    ``masses``: kg, from small to large, one of which a plan chooses; empty where ``mass`` alone is
    offered. ``materials`` and ``price``: kg and money for each kg; ``base_materials`` and
    ``base_price`` once. ``fluid``: what fills it, or None with a ``specific_heat`` (J/(kg K)) of
    its own. ``initial_temperature``: K when the first burst comes. ``loss_conductance``: W/K to the
    surroundings. ``pressure``: Pa in it. ``effectiveness``: share of the way to the heat sink's
    temperature that the gas comes. ``heat_while_on``: W while the source is on, None: what its gas
    brings. ``max_temperature``: K that what stands in it bears; ``max_outlet_temperature``: K of
    the gas that leaves. ``steam_recovered``: what boils off is condensed and led back, else it is
    vented and made up.
    """

    name: str
    source: str
    mass: float
    max_mass: float
    loss_conductance: float
    initial_temperature: float
    pressure: float
    max_temperature: float
    fluid: str | None = None
    specific_heat: float | None = None
    effectiveness: float = 1.0
    heat_while_on: float | None = None
    max_outlet_temperature: float | None = None
    steam_recovered: bool = False
    recovery: HeatSinkRecovery | None = None
    cooler: HeatSinkCooler | None = None
    masses: tuple[float, ...] = ()
    materials: Mapping[str, float] = field(default_factory=dict)
    base_materials: Mapping[str, float] = field(default_factory=dict)
    price: float = 0.0
    base_price: float = 0.0

    @property
    def offered(self) -> tuple[float, ...]:
        """kg that may stand there, from small to large."""
        return self.masses or (self.mass,)

    def materials_of(self, mass: float) -> dict[str, float]:
        """kg of each material that a mass (kg) takes."""
        found = {name: share * mass for name, share in self.materials.items()}
        for name, kg in self.base_materials.items():
            found[name] = found.get(name, 0.0) + kg
        return {name: kg for name, kg in found.items() if kg > 0}
