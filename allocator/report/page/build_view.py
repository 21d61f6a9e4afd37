"""The build order on the page: bars by material or time, beside the sources' active spells."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from allocator.network.records import Network
from allocator.report.handover.build_order import BuildStep
from allocator.report.loads import corridor_of
from allocator.report.page.map import Map
from allocator.report.words import plain, quantity


@dataclass(frozen=True, slots=True)
class Start:
    """What to do first: steps up to the first power, in words. Empty where nothing is built."""

    steps: tuple[str, ...]
    more: int
    gives: str


def build_data(site: Network, steps: Sequence[BuildStep], site_map: Map) -> dict[str, object]:
    """Steps for the page's script, and the numbers of things that are built before all steps.

    A step: words, kg of it, kg with all before it, W of firm power after it, the thing on the map
    (-1: none), and for a connection its source's next spell with the length and the repeat of it.
    """
    rows = []
    later: set[int] = set()
    numbers = {name: k for k, name in enumerate(site_map.details.names)}
    for step in steps:
        k = numbers.get(address_of(site, step.key), -1)
        later.add(k)
        spell: list[float] = []
        if step.due is not None and step.key.startswith("tap:"):
            outer = site.sources[step.key.partition(":")[2]].stages[-1]
            spell = [round(x, 1) for x in (step.due, outer.on, outer.every)]
        words = _step_words(step, _doing(step))
        figures = [round(step.mass, 2), round(step.mass_so_far, 2), round(step.firm_power, 1)]
        rows.append([words, *figures, k, spell])
    return {"steps": rows, "later": sorted(later - {-1})}


def address_of(site: Network, key: str) -> str:
    """The address on the map of what a step of the build order is about; empty for none."""
    kind, _, rest = key.partition(":")
    kind = kind.removeprefix("test ")
    if kind == "run":
        route = site.routes[rest.rpartition(":")[0]]
        laid = "pipe" if route.stream is None or route.stream.kind == "pipe" else "cooler"
        return f"{laid}:{corridor_of(route)}"
    if kind == "machine":
        return f"machine:{plain(rest.rpartition('#')[0])}"
    if kind in ("store", "line"):
        return f"{kind}:{plain(rest)}"
    return f"source:{plain(rest)}" if kind == "tap" else ""


def first_steps(steps: Sequence[BuildStep], shown: int = 3) -> Start:
    """The steps that lead to the first power: some in words, how many more, and what they give."""
    power = next((k for k, step in enumerate(steps) if step.firm_power > 0), len(steps) - 1)
    chain = list(steps[: power + 1])
    if not chain:
        return Start((), 0, "")
    groups = [list(alike) for _, alike in itertools.groupby(chain, key=_alike)]
    words = tuple(_group_words(group) for group in groups[:shown])
    done = sum(map(len, groups[:shown]))
    last = chain[-1]
    gives = f"{quantity(last.firm_power, 'power')} firm" if last.firm_power > 0 else ""
    if gives and last.mass_so_far > 0:
        gives += f" with {quantity(last.mass_so_far, 'mass')} of material"
    return Start(words, len(chain) - done, gives)


def _alike(step: BuildStep) -> tuple[str, str, str]:
    """What units of one type that are installed at one place after each other have in common."""
    kind, _, rest = step.key.partition(":")
    return step.action, step.where, rest.rpartition("#")[0] if kind == "machine" else step.key


def _group_words(steps: Sequence[BuildStep]) -> str:
    """One step, or several units of one type at one place."""
    step = steps[0]
    if len(steps) == 1:
        return _step_words(step, _doing(step))
    return _step_words(step, f"{step.action} {len(steps)} {step.what.partition(', ')[0]}")


def _step_words(step: BuildStep, doing: str) -> str:
    """What is done and where: at a place, or the route."""
    route = step.key.partition(":")[0].endswith("run")
    return f"{doing}{', ' if route else ' at '}{step.where}" if step.where else doing


def _doing(step: BuildStep) -> str:
    """Action and object; of a connection the source alone."""
    kind, _, source = step.key.partition(":")
    return f"{step.action} {source if kind == 'tap' else step.what}"
