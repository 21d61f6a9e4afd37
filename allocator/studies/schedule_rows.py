"""Rows of a schedule: steps, parts of the firm output, spells of sources."""

from __future__ import annotations

from dataclasses import dataclass

from allocator.report.handover.build_order import BuildStep


@dataclass(frozen=True, slots=True)
class ScheduledStep:
    """A step of the build order with its begin and end, s from the time of the site file."""

    step: BuildStep
    begin: float
    end: float


@dataclass(frozen=True, slots=True)
class ScheduledPart:
    """A part of the firm output, ``power`` W, begun at ``begun`` s and firm from ``firm`` s on.

    ``stores``: that are not filled as it begins.
    """

    title: str
    begun: float
    firm: float
    power: float
    stores: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SpellsOfSource:
    """What a source gives before it is ready.

    ``next_spell``: s, the first that is used whole; ``missed``: spells that are not; both None
    where its ``next_start`` is not given. ``lost``: kg, ``worth``: J of power.
    """

    source: str
    ready: float
    next_spell: float | None
    missed: int | None
    lost: float
    worth: float
