"""What each bath does: swings, peaks, recovery, least mass, and whether it must be cooled."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from allocator.base.quantities import format_quantity
from allocator.network.deriving import network_of
from allocator.network.heat_sink_body import Filling, HeatSinkError
from allocator.network.records import Network, Sink
from allocator.network.sinks import guaranteed
from allocator.physics.faults import PhysicsError
from allocator.physics.heat_sink_settled import least
from allocator.site.records import HeatSink, Site
from allocator.thermal.sink_temperatures import (
    LEAST_SHARE,
    HeatSinkStudy,
    SinkChoice,
    SinkState,
    smallest_of,
)

CURVE = 13
"""Masses on the curve, from a tenth of the bath's to the most that may stand there."""


@dataclass(frozen=True, slots=True)
class HeatSinkRow:
    """All that is worked out of a bath.

    ``given``: with recovery where the site has it, without cooler. ``choices``: the smallest set
    first: losses alone, recovery, a cooler, both. ``needs``: least duty (W) of a cooler beside
    ``given``, 0 where none is needed, None where none keeps every limit; it runs above
    ``set_point`` K. ``least_mass``: kg that keep every limit in ``given``, 0 where any mass does,
    None where ``most`` does not; ``never_boils``: kg that keep it from boiling too, None likewise
    or where it does not boil. ``drives_up_to``: kg above which recovery never runs, 0 where it
    never does, None where it always does or there is none. ``curve``: ``given`` by rising mass.
    ``sinks``: with recovery or not, what a plan may count with as a heat sink, or why it may not.
    """

    heat_sink: HeatSink
    filling: Filling
    given: SinkState
    choices: tuple[SinkChoice, ...]
    needs: float | None
    set_point: float
    least_mass: float | None
    never_boils: float | None
    drives_up_to: float | None
    curve: tuple[SinkState, ...]
    sinks: tuple[tuple[bool, Sink | str], ...]

    @property
    def first(self) -> bool:
        """Whether this is the first row of the bath."""
        return self.heat_sink.mass == self.heat_sink.offered[0]

    @property
    def label(self) -> str:
        """The bath's name, with the mass where there are several."""
        several = len(self.heat_sink.offered) > 1
        mass = format_quantity(self.heat_sink.mass, "mass")
        return f"{self.heat_sink.name}, {mass}" if several else self.heat_sink.name

    @property
    def smallest(self) -> SinkChoice | None:
        """The smallest set of what the site has that keeps every limit."""
        return smallest_of(self.choices)

    @property
    def dry_after(self) -> float:
        """s until the bath has boiled away when nothing is made up; infinite when it does not."""
        if self.given.steam == 0 or self.heat_sink.steam_recovered:
            return math.inf
        return self.heat_sink.mass / self.given.steam


def heat_sinks_table(site: Site) -> list[HeatSinkRow]:
    """A row for each mass of each bath, in the order of the site. Raises :class:`HeatSinkError`."""
    site = network_of(site)
    return [
        _row(site, replace(heat_sink, mass=mass))
        for heat_sink in site.heat_sinks.values()
        for mass in heat_sink.offered
    ]


def _row(site: Network, heat_sink: HeatSink) -> HeatSinkRow:
    study = _Study.of(site, heat_sink)
    try:
        given = study.study.state(heat_sink.mass)
        boils = study.study.filling.boils is not None
        return HeatSinkRow(
            heat_sink,
            study.study.filling,
            given,
            study.study.choices(),
            0.0 if given.keeps else study.study.least_duty(True),
            study.study.set_point(),
            study.least_mass(lambda state: state.keeps),
            study.least_mass(lambda state: state.keeps and not state.steam) if boils else None,
            study.least_mass(lambda state: state.drives_after is None)
            if heat_sink.recovery
            else None,
            study.curve(),
            tuple(
                (recovery, guaranteed(site, heat_sink, heat_sink.mass, recovery))
                for recovery in ((False, True) if heat_sink.recovery else (False,))
            ),
        )
    except PhysicsError as error:
        raise HeatSinkError(heat_sink, "", error) from None


@dataclass(frozen=True, slots=True)
class _Study:
    """A bath of any mass."""

    study: HeatSinkStudy

    @staticmethod
    def of(site: Network, heat_sink: HeatSink) -> _Study:
        return _Study(HeatSinkStudy.of(site, heat_sink))

    def least_mass(self, good: Callable[[SinkState], bool]) -> float | None:
        """kg of which all greater masses are good, as far as they are tried; 0: any mass is."""
        most = self.study.heat_sink.max_mass
        found = least(lambda mass: good(self.study.state(mass)), LEAST_SHARE * most, most)
        return 0.0 if found == LEAST_SHARE * most else found

    def curve(self) -> tuple[SinkState, ...]:
        heat_sink = self.study.heat_sink
        masses = np.geomspace(heat_sink.mass / 10, heat_sink.max_mass, CURVE)
        chosen = sorted({float(f"{mass:.3g}") for mass in masses} | {heat_sink.mass})
        return tuple(self.study.state(mass) for mass in chosen)
