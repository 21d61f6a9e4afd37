"""A colour, a dash pattern and a hatching for each fluid: any one of them tells fluids apart.

Colours were chosen by computation: every pair, and every fluid against the two colours of clean
and emitting power, differs by more than 10 in CIE 1976 L*a*b* as seen by people with normal
sight, protanopia, deuteranopia and tritanopia, and each stands 4.5 to 1 or more against its
ground. The tests hold them to that.
"""

from __future__ import annotations

from markupsafe import Markup

from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.page.svg import tag

COLOURS = 8
"""Colours ``--f0`` to ``--f7`` of the style sheet; later fluids begin again."""

DASHES = ("", "11 4", "5 4", "14 4 3 4", "2 4", "18 5", "9 3 2 3 2 3", "6 2")
"""Strokes of pipes, by the number of the fluid."""

LIGHT = (
    "#1664de",
    "#b14e7a",
    "#7a6f37",
    "#4e2c90",
    "#16434e",
    "#0b162c",
    "#6f437a",
    "#2c2c00",
)
"""Fluids on a white ground."""

DARK = (
    "#90a6f4",
    "#e94e9b",
    "#ffe964",
    "#907af4",
    "#219ba6",
    "#dee9ff",
    "#dea6de",
    "#859016",
)
"""Fluids on a dark ground."""

CLEAN = ("#00664a", "#4fd6a4")
EMITTING = ("#a3361b", "#ff9a76")
"""Power without and with counted releases, on white and on a dark ground; never a fluid."""

_HATCHES = (
    "",
    "M0 0H4M0 4H4",
    "M0 4L4 0",
    "M0 0V4M4 0V4",
    "M0 0L4 4",
    "M0 2H4M2 0V4",
    "M0 4L4 0M0 0L4 4",
    "M1 1h2v2h-2z",
)


def hatchings() -> Markup:
    """Definitions ``hatch-0`` to ``hatch-7``: fills of symbols, by the number of the fluid."""
    found = []
    for number, path in enumerate(_HATCHES):
        ground = tag("rect", width=4, height=4, class_="solid" if number == 0 else "pale")
        lines = tag("path", d=path) if path else ""
        found.append(
            tag(
                "pattern",
                ground,
                lines,
                id=f"hatch-{number}",
                class_=f"c{number}",
                width=4,
                height=4,
                patternUnits="userSpaceOnUse",
            )
        )
    hatch = (
        tag("rect", width=6, height=6, class_="pale"),
        tag("path", d="M0 6L6 0M-1 1L1 -1M5 7L7 5"),
    )
    power = {"width": 6, "height": 6, "patternUnits": "userSpaceOnUse"}
    return tag("defs", *found, tag("pattern", *hatch, id="hatch-emitting", **power))


def fluids_shown(site: Network, plan: Plan) -> dict[str, int]:
    """Fluids of sources, stores and runs, each with its number, in file order."""
    named = {source.fluid for source in site.sources.values()}
    named |= {store.holds for store in site.storage.values()}
    named |= {run.fluid for run in plan.runs}
    used = [name for name in site.fluids if name in named]
    return {name: number % COLOURS for number, name in enumerate(used)}
