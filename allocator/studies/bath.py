"""What each bath does: swings, peaks, recovery, least mass, and whether it must be cooled."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from allocator.physics.bath_cycles import Repeat
from allocator.physics.bath_settled import course, least
from allocator.physics.baths import Draw
from allocator.physics.faults import PhysicsError
from allocator.site.bath import Bath
from allocator.site.records import Site
from allocator.studies.bath_body import (
    NO_COOLER,
    BathError,
    Coming,
    Filling,
    body_of,
    coming,
    filling,
    period_of,
)

CURVE = 13
"""Masses on the curve, from a tenth of the bath's to the most that may stand there."""

BURSTS = 2.0
"""Swings of a burst below the limit from which a cooler runs that the site does not have yet."""

EVER = 10**9
"""Outermost periods in which recovery may begin."""

LEAST_SHARE = 1e-4
"""The smallest mass or duty that is tried, as a share of the largest."""


@dataclass(frozen=True, slots=True)
class State:
    """A bath of ``mass`` kg with recovery or not, and ``cooling`` W of a cooler, for ever.

    K: ``low``, ``high`` (settled, or at first if hotter), ``outlet`` (gas that leaves, None where
    not known), ``burst`` (most gained in one burst), ``spell`` (settled swing over the outermost
    period), ``margin`` to the nearest limit (negative: broken). ``drives_after``: s from the start
    until recovery can be driven, None never. W, mean over time: ``came``, ``lost``, ``recovered``,
    ``power`` of it, ``cooled``, ``spent`` on cooling, ``boiled`` off. ``steam``: kg/s,
    mean.
    """

    mass: float
    recovery: bool
    cooling: float
    low: float
    high: float
    outlet: float | None
    burst: float
    spell: float
    margin: float
    drives_after: float | None
    came: float
    lost: float
    recovered: float
    power: float
    cooled: float
    spent: float
    boiled: float
    steam: float

    @property
    def keeps(self) -> bool:
        """Whether every limit is kept."""
        return self.margin >= 0


@dataclass(frozen=True, slots=True)
class Choice:
    """What could stand beside a bath, and its ``state`` with all the duty of the cooler.

    ``needs``: the least duty (W) that keeps every limit, None without cooler or where none does.
    """

    recovery: bool
    cooler: bool
    state: State
    needs: float | None = None


@dataclass(frozen=True, slots=True)
class BathRow:
    """All that is worked out of a bath.

    ``given``: with recovery where the site has it, without cooler. ``choices``: the smallest set
    first: losses alone, recovery, a cooler, both. ``needs``: least duty (W) of a cooler beside
    ``given``, 0 where none is needed, None where none keeps every limit; it runs above
    ``set_point`` K. ``least_mass``: kg that keep every limit in ``given``, 0 where any mass does,
    None where ``most`` does not; ``never_boils``: kg that keep it from boiling too, None likewise
    or where it does not boil. ``drives_up_to``: kg above which recovery never runs, 0 where it
    never does, None where it always does or there is none. ``curve``: ``given`` by rising mass.
    """

    bath: Bath
    filling: Filling
    given: State
    choices: tuple[Choice, ...]
    needs: float | None
    set_point: float
    least_mass: float | None
    never_boils: float | None
    drives_up_to: float | None
    curve: tuple[State, ...]

    @property
    def smallest(self) -> Choice | None:
        """The smallest set of what the site has that keeps every limit."""
        return next((choice for choice in self.choices if choice.state.keeps), None)

    @property
    def dry_after(self) -> float:
        """s until the bath has boiled away when nothing is made up; infinite when it does not."""
        if self.given.steam == 0 or self.bath.steam_recovered:
            return math.inf
        return self.bath.mass / self.given.steam


def baths_table(site: Site) -> list[BathRow]:
    """A row a bath, in the order of the site. Raises :class:`BathError`."""
    return [_row(site, bath) for bath in site.baths.values()]


def _row(site: Site, bath: Bath) -> BathRow:
    study = _Study(site, bath, filling(site, bath), coming(site, bath))
    try:
        given = study.state(bath.mass)
        boils = study.filling.boils is not None
        return BathRow(
            bath,
            study.filling,
            given,
            study.choices(),
            0.0 if given.keeps else study.least_duty(True),
            study.set_point(),
            study.least_mass(lambda state: state.keeps),
            study.least_mass(lambda state: state.keeps and not state.steam) if boils else None,
            study.least_mass(lambda state: state.drives_after is None) if bath.recovery else None,
            study.curve(),
        )
    except PhysicsError as error:
        raise BathError(bath, "", error) from None


@dataclass(frozen=True, slots=True)
class _Study:
    """A bath, and what it takes to work a state of it out."""

    site: Site
    bath: Bath
    filling: Filling
    coming: Coming

    def state(self, mass: float, recovery: bool = True, cooling: float = 0.0) -> State:
        bath = self.bath
        recovery = recovery and bath.recovery is not None
        cooler = Draw(self.set_point(), cooling) if cooling else NO_COOLER
        body = body_of(self.site, bath, self.filling, mass, recovery, cooler)
        period = period_of(self.site, bath, body, self.coming)
        found = course(body, period, bath.start)
        rest, high, totals = found.rest, found.high, period.totals(found.begin)
        outlet = self.coming.outlet(bath, found.high_on)
        recovered, cooled = (heat / period.span for heat in totals.drawn[:2])
        boiled = math.fsum(totals.drawn[2:]) / period.span
        return State(
            mass,
            recovery,
            cooling,
            low=min(rest.low, bath.start),
            high=high,
            outlet=outlet,
            burst=rest.rise,
            spell=rest.high - rest.low,
            margin=self._margin(high, outlet),
            drives_after=self._drives_after(mass, high) if recovery else None,
            came=totals.came / period.span,
            lost=totals.lost / period.span,
            recovered=recovered,
            power=recovered * bath.recovery.efficiency if bath.recovery else 0.0,
            cooled=cooled,
            spent=cooled * bath.cooler.power_share if bath.cooler else 0.0,
            boiled=boiled,
            steam=boiled / self.filling.per_kg,
        )

    def choices(self) -> tuple[Choice, ...]:
        """The sets that the site offers, the smallest first."""
        bath, found = self.bath, []
        for cooler in (False, True) if bath.cooler else (False,):
            for recovery in (False, True) if bath.recovery else (False,):
                duty = bath.cooler.duty if bath.cooler and cooler else 0.0
                state = self.state(bath.mass, recovery, duty)
                needs = self.least_duty(recovery) if cooler else None
                found.append(Choice(recovery, cooler, state, needs))
        return tuple(found)

    def least_mass(self, good: Callable[[State], bool]) -> float | None:
        """kg of which all greater masses are good, as far as they are tried; 0: any mass is."""
        most = self.bath.most
        found = least(lambda mass: good(self.state(mass)), LEAST_SHARE * most, most)
        return 0.0 if found == LEAST_SHARE * most else found

    def least_duty(self, recovery: bool) -> float | None:
        """W that a cooler must take at least to keep every limit, None when none does."""
        if self.state(self.bath.mass, recovery).keeps:
            return 0.0
        top = self.coming.most(self.set_point())  # holds the bath at the set-point for ever
        if top <= 0:
            return None

        def keeps(duty: float) -> bool:
            return self.state(self.bath.mass, recovery, duty).keeps

        return least(keeps, LEAST_SHARE * top, top)

    def set_point(self) -> float:
        """K from which the site's cooler runs, or one that it does not have yet.

        That one leaves room for two bursts below what the bath may reach: at the limit itself it
        would have to take a whole burst as it comes, and the mass would be of no use.
        """
        bath = self.bath
        if bath.cooler is not None:
            return bath.cooler.set_point
        floor = (bath.hottest + self.site.ambient.temperature) / 2
        if bath.recovery is not None and bath.recovery.threshold < bath.hottest:
            floor = max(floor, bath.recovery.threshold)  # it must not starve recovery
        return max(bath.hottest - BURSTS * self.state(bath.mass).burst, floor)

    def curve(self) -> tuple[State, ...]:
        bath = self.bath
        masses = np.geomspace(bath.mass / 10, bath.most, CURVE)
        chosen = sorted({float(f"{mass:.3g}") for mass in masses} | {bath.mass})
        return tuple(self.state(mass) for mass in chosen)

    def _margin(self, high: float, outlet: float | None) -> float:
        margin = self.bath.hottest - high
        if self.bath.hottest_outlet is not None and outlet is not None:
            margin = min(margin, self.bath.hottest_outlet - outlet)
        return margin

    def _drives_after(self, mass: float, high: float) -> float | None:
        """Up to the threshold recovery draws nothing, so it is reached as without it."""
        assert self.bath.recovery is not None
        threshold = self.bath.recovery.threshold
        if high < threshold:
            return None
        body = body_of(self.site, self.bath, self.filling, mass, True, NO_COOLER)
        period = period_of(self.site, self.bath, body, self.coming)
        return Repeat(period, EVER).reach(self.bath.start, threshold)
