"""Frozen records of baths: thermal mass beside a source that takes the heat of its bursts."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BathRecovery:
    """Heat turned into power: ``duty`` W of heat while the bath is above ``threshold`` K.

    ``efficiency``: power per heat, below Carnot's between ``threshold`` and ``cold`` K.
    """

    duty: float
    threshold: float
    efficiency: float
    cold: float


@dataclass(frozen=True, slots=True)
class BathCooler:
    """A cooler that could be added: ``duty`` W of heat while the bath is above ``set_point`` K.

    ``power_share``: electric W a W of duty.
    """

    duty: float
    set_point: float
    power_share: float = 0.0


@dataclass(frozen=True, slots=True)
class Bath:
    """A bath or chamber beside a source. ``mass``: kg; ``most``: kg, the most that may stand there.

    ``fluid``: what fills it, or None with a ``specific_heat`` (J/(kg K)) of its own. ``start``: K
    when the first burst comes. ``loss``: W/K to the surroundings. ``pressure``: Pa in it.
    ``contact``: share of the way to the bath's temperature that the gas comes.
    ``heat_while_on``: W while the source is on, None: what its gas brings. ``hottest``: K that what
    stands in it bears; ``hottest_outlet``: K of the gas that leaves. ``steam_recovered``: what
    boils off is condensed and led back, else it is vented and made up.
    """

    name: str
    source: str
    mass: float
    most: float
    loss: float
    start: float
    pressure: float
    hottest: float
    fluid: str | None = None
    specific_heat: float | None = None
    contact: float = 1.0
    heat_while_on: float | None = None
    hottest_outlet: float | None = None
    steam_recovered: bool = False
    recovery: BathRecovery | None = None
    cooler: BathCooler | None = None
