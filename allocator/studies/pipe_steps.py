"""Pipes of routes, and paths of them that grow pipe by pipe, also under pressure.

Of paths between an end and a place those are kept of which no lighter one leaves, or needs, as
much.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from allocator.network.pressure_curves import losses_at
from allocator.network.pressure_records import BoosterOption, FluidPressures, PipeLoss

_KEPT = 4
"""Paths between an end and a place at most, where pressure decides."""

ROUNDING = 1e-12


@dataclass(frozen=True, slots=True)
class PipePath:
    """Pipes between an end, such as a store, and ``place``.

    ``share``: of all stocks together. ``potential``: left at ``place`` of a path that ends there,
    inf where pressures are not computed; needed there of a path that begins there. ``shut``: the
    potential there while nothing flows; the highest that all beyond bears. ``power``: W that
    boosters take. ``boosters``: (type, place) of each unit. ``rating``: of the pipe at ``place``;
    ``least``: potential that it needs at its end, so that gas is not too fast there.
    Of a spur besides, ``given``: potential of what the store gives, at the fork; ``legs``: its
    pipes from the store on, filling and giving, with their kg/s; ``back``: potential of the store
    at the fork, shut in.
    """

    end: str
    place: str
    share: float
    potential: float
    shut: float
    power: float = 0.0
    routes: frozenset[str] = frozenset()
    materials: Mapping[str, float] = field(default_factory=dict)
    boosters: tuple[tuple[str, str], ...] = ()
    rating: float = math.inf
    least: float = 0.0
    given: float = math.inf
    legs: tuple[tuple[PipeChoice, float, PipeChoice, float], ...] = ()
    back: float = 0.0


@dataclass(frozen=True, slots=True)
class PipeChoice:
    """A build along a route from ``start`` to ``end``, to lay or standing, at the flow in hand.

    ``lost``: potential, by friction. ``least``: potential that it needs at its end.
    """

    route: str
    start: str
    end: str
    build: str
    share: float
    materials: Mapping[str, float]
    capacity: float
    known: PipeLoss
    rating: float
    lost: float = 0.0
    least: float = 0.0
    booster: BoosterOption | None = None


Forks = Mapping[str, tuple[PipePath, ...]]
"""Place -> paths between it and some ends, lightest first."""

Reached = tuple[float, float, float]
"""Potential, the same shut in, and power of boosters, of a path that is a pipe longer."""


def after_pipe(
    one: FluidPressures | None, path: PipePath, pipe: PipeChoice, flow: float
) -> Reached | None:
    """What is left at the end of a pipe that a path goes on along; None where it does not carry."""
    if one is None:
        return path.potential, path.shut, path.power
    potential, shut, power, option = path.potential, path.shut, path.power, pipe.booster
    if option is not None:
        if potential < option.inlet:
            return None
        potential, power = potential + option.gain, power + option.energy * flow
        shut = shut * (option.boost**2 if one.gas else 1.0) + option.rise
    potential = pipe.known.after(potential, pipe.lost, flow)
    shut = shut_behind(one, pipe, shut)
    if potential < max(pipe.least, one.least) or shut > pipe.rating:
        return None
    return min(potential, one.most), shut, power


def before_pipe(
    one: FluidPressures | None, path: PipePath, pipe: PipeChoice, flow: float
) -> Reached | None:
    """What is needed at the start of a pipe that leads to a path; None where it does not carry."""
    if one is None:
        return path.potential, path.shut, path.power
    need, power, option = max(path.potential, pipe.least, one.least), path.power, pipe.booster
    need = pipe.known.before(need, pipe.lost, flow)
    bears = _borne_before(one, pipe, min(path.shut, pipe.rating))
    if option is not None:
        need, power = max(need - option.gain, option.inlet), power + option.energy * flow
        bears = bears_before(one, option, bears)
    need, bears = max(need, one.least), min(bears, pipe.rating)
    return None if need > one.most or bears < one.least else (need, bears, power)


def shut_behind(one: FluidPressures, pipe: PipeChoice, shut: float) -> float:
    """Potential at the end of a pipe, at rest, at the most: cold in a fall, hot in a rise."""
    return max(rest.after(shut, pipe.known.fall) for rest in one.at_rest)


def _borne_before(one: FluidPressures, pipe: PipeChoice, bears: float) -> float:
    """The highest potential at its start, at rest, of which that at its end is borne."""
    columns = [rest.below(pipe.known.fall) for rest in one.at_rest]
    return min((bears - more) / factor for factor, more in columns)


def bears_before(one: FluidPressures, option: BoosterOption, bears: float) -> float:
    """The highest potential before a booster, shut in, of which that behind it is borne."""
    return (bears - option.rise) / (option.boost**2 if one.gas else 1.0)


def longer(path: PipePath, place: str, pipe: PipeChoice, reached: Reached) -> PipePath:
    potential, shut, power = reached
    option = pipe.booster
    return replace(
        path,
        place=place,
        share=path.share + pipe.share,
        potential=potential,
        shut=shut,
        power=power,
        routes=path.routes | {pipe.route},
        materials=added(path.materials, pipe.materials),
        boosters=(*path.boosters, *([] if option is None else [(option.booster, option.place)])),
        rating=pipe.rating,
        least=pipe.least,
    )


def spread(
    ends: Iterable[PipePath],
    pipes: Mapping[str, tuple[PipeChoice, ...]],
    step: Callable[[PipePath, PipeChoice], Reached | None],
    sign: int,
) -> Iterator[PipePath]:
    """Paths from or to some ends, lightest first; ``sign``: 1 along the flow, -1 against it.

    ``pipes``: by the place that a path has come to.
    """

    def outdone(place: str, reached: Reached) -> bool:
        before = found.get(place, ())
        potential, shut, power = sign * reached[0] * (1 - sign * ROUNDING), reached[1], reached[2]
        for one in before:
            if (
                sign * one.potential >= potential
                and sign * one.shut <= sign * shut
                and one.power <= power
            ):
                return True
        return len(before) >= _KEPT

    found: dict[str, list[PipePath]] = {}
    waiting: list[tuple[float, int, PipePath, PipeChoice | None, Reached]]
    waiting = [
        (0.0, number, end, None, (end.potential, end.shut, 0.0)) for number, end in enumerate(ends)
    ]
    number = len(waiting)
    while waiting:
        _, _, path, pipe, reached = heapq.heappop(waiting)
        if pipe is not None:
            place = pipe.end if sign > 0 else pipe.start
            if outdone(place, reached):
                continue
            path = longer(path, place, pipe, reached)
        found.setdefault(path.place, []).append(path)
        yield path
        for more in pipes.get(path.place, ()):
            after = None if more.route in path.routes else step(path, more)
            if after is not None and not outdone(more.end if sign > 0 else more.start, after):
                number += 1
                heapq.heappush(waiting, (path.share + more.share, number, path, more, after))


def by_place(paths: Iterable[PipePath]) -> Forks:
    found: dict[str, list[PipePath]] = {}
    for path in paths:
        found.setdefault(path.place, []).append(path)
    return {
        place: tuple(sorted(some, key=lambda path: path.share)) for place, some in found.items()
    }


def at_end(end: str, pipes: Iterable[PipeChoice]) -> dict[str, tuple[PipeChoice, ...]]:
    """Pipes by their start or their end."""
    found: dict[str, list[PipeChoice]] = {}
    for pipe in pipes:
        found.setdefault(pipe.start if end == "start" else pipe.end, []).append(pipe)
    return {place: tuple(some) for place, some in found.items()}


def carries(pipe: PipeChoice, flow: float) -> bool:
    return pipe.capacity >= flow * (1 - ROUNDING)


def at_flow(pipes: Iterable[PipeChoice], flow: float) -> list[PipeChoice]:
    """Those that carry a flow, kg/s, with what they lose then."""
    able = [pipe for pipe in pipes if carries(pipe, flow)]
    lost = losses_at([pipe.known for pipe in able], [flow] * len(able))[0]
    squared = flow**2
    return [
        PipeChoice(
            *(p.route, p.start, p.end, p.build, p.share, p.materials, p.capacity, p.known),
            *(p.rating, more, p.known.end * squared),
        )
        for p, more in zip(able, lost, strict=True)
    ]


def lightest(pipes: Iterable[PipeChoice]) -> list[PipeChoice]:
    """Without those along the same route of which a lighter one loses less and bears as much."""
    kept: dict[tuple[str, str], list[PipeChoice]] = {}
    for pipe in sorted(pipes, key=lambda pipe: pipe.share):
        others = kept.setdefault((pipe.route, pipe.start), [])
        if not any(o.lost <= pipe.lost and o.rating >= pipe.rating for o in others):
            others.append(pipe)
    return [pipe for some in kept.values() for pipe in some]


def added(*parts: Mapping[str, float]) -> dict[str, float]:
    """Masses by material, summed."""
    total: dict[str, float] = {}
    for part in parts:
        for name, kg in part.items():
            total[name] = total.get(name, 0.0) + kg
    return total
