"""A colour and a dash pattern for each fluid: either alone tells them apart."""

from __future__ import annotations

from allocator.network.records import Network
from allocator.plans.records import Plan

COLOURS = 8
"""Colours ``--f0`` to ``--f7`` of the style sheet; later fluids begin anew."""

DASHES = ("", "11 4", "5 4", "14 4 3 4", "2 4", "18 5", "9 3 2 3 2 3", "6 2")

LIGHT = (
    "#0b5fa5",
    "#b14a00",
    "#007a5a",
    "#a3246b",
    "#5b4bb5",
    "#6b6400",
    "#00768f",
    "#555555",
)
"""On white, each 4.5 to 1 or more."""

DARK = (
    "#6fb5f5",
    "#f2a254",
    "#4fcaa3",
    "#f088bd",
    "#b5a8ff",
    "#d3cc52",
    "#5fd1ea",
    "#bdbdbd",
)


def fluids_shown(site: Network, plan: Plan) -> dict[str, int]:
    """Fluids of sources, stores and runs, each with its number, in file order."""
    named = {source.fluid for source in site.sources.values()}
    named |= {store.holds for store in site.storage.values()}
    named |= {run.fluid for run in plan.runs}
    used = [name for name in site.fluids if name in named]
    return {name: number % COLOURS for number, name in enumerate(used)}
