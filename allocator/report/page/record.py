"""A picture of a record of flow and the duty cycle found in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from allocator.base.grouped import grouped
from allocator.report.page.svg import number, points, tag, ticks

Floats = npt.NDArray[np.float64]

_WIDTH, _LEFT, _RIGHT = 1000.0, 70.0, 20.0
_PLOT = _WIDTH - _LEFT - _RIGHT
_TALL, _STRIP = 170.0, 12.0
_PANEL = _TALL + 92.0
_TIMES = (("s", 1.0), ("min", 60.0), ("h", 3600.0), ("d", 86400.0))
_FLOWS = (("mg/s", 1e-6), ("g/s", 1e-3), ("kg/s", 1.0))
_STYLE = (
    "text{font:12px sans-serif;fill:#15201c}.title{font-size:17px;font-weight:bold}"
    ".flow{fill:none;stroke:#1664de;stroke-width:1.2}.grid{stroke:#d5dad7;stroke-width:1}"
    ".found{fill:#b14e7a}.gap{fill:#e7eae8}.axis{fill:none;stroke:#15201c;stroke-width:1.2}"
    ".tick{font-size:11px}.right{text-anchor:end}.middle{text-anchor:middle}"
)


@dataclass(frozen=True, slots=True, eq=False)
class RecordView:
    """A part of a record from ``begin`` to ``end``, s: rows, gaps, and times on of the cycle.

    ``cycle``: what the strip below the axis shows; empty text for no strip. ``marks``: on and off.
    """

    title: str
    begin: float
    end: float
    times: Floats
    flows: Floats
    gaps: Sequence[tuple[float, float]]
    on: Sequence[tuple[float, float]]
    cycle: str
    marks: bool = False
    listed: bool = False


def record_svg(title: str, notes: Sequence[str], views: Sequence[RecordView]) -> str:
    """The views below each other as an SVG picture; ``notes`` stand under the title."""
    top = 44.0 + 17.0 * len(notes)
    height = top + _PANEL * len(views)
    body = tag(
        "svg",
        tag("style", Markup(_STYLE)),
        tag("rect", width=_WIDTH, height=height, fill="#fff"),
        tag("text", title, x=16, y=26, class_="title"),
        *(tag("text", note, x=16, y=46 + 17 * n) for n, note in enumerate(notes)),
        *(_panel(view, top + _PANEL * n) for n, view in enumerate(views)),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(_WIDTH)} {number(height)}",
        width=_WIDTH,
        height=height,
    )
    return f"{body}\n"


def _panel(view: RecordView, top: float) -> Markup:
    y0 = top + 26.0 + _TALL
    span = view.end - view.begin
    unit, size = next(one for one in reversed(_TIMES) if span >= 3 * one[1] or one[1] == 1.0)
    within = (view.times >= view.begin) & (view.times <= view.end)
    most = float(view.flows[within].max(initial=0.0)) or 1.0
    label, scale = ("on", 1.0) if view.marks else next(
        one for one in reversed(_FLOWS) if most >= one[1] or one[1] == 1e-6
    )  # fmt: skip

    def x(time: float) -> float:
        return _LEFT + _PLOT * (min(max(time, view.begin), view.end) - view.begin) / span

    parts = [tag("text", view.title, x=_LEFT, y=top + 14)]
    for begin, end in view.gaps:
        if end > view.begin and begin < view.end:
            wide = max(x(end) - x(begin), 0.5)
            parts.append(tag("rect", x=x(begin), y=y0 - _TALL, width=wide, height=_TALL,
                             class_="gap"))  # fmt: skip
    for value in [0.0, 1.0] if view.marks else ticks(most / scale):
        y = y0 - _TALL * value * scale / (1.05 * most)
        parts.append(tag("line", x1=_LEFT, x2=_LEFT + _PLOT, y1=y, y2=y, class_="grid"))
        parts.append(tag("text", grouped(f"{value:g}"), x=_LEFT - 6, y=y + 4, class_="tick right"))
    parts.append(tag("text", label, x=16, y=y0 - _TALL + 4))
    parts.append(tag("path", d=_line(view, y0, 1.05 * most), class_="flow"))
    parts.append(tag("path", d=f"M{number(_LEFT)} {number(y0)}h{number(_PLOT)}", class_="axis"))
    if view.cycle:
        for begin, end in view.on:
            wide = max(x(end) - x(begin), 0.5)
            parts.append(tag("rect", x=x(begin), y=y0 + 6, width=wide, height=_STRIP,
                             class_="found"))  # fmt: skip
        parts.append(tag("text", view.cycle, x=_LEFT, y=y0 + 52, class_="tick"))
    for value in ticks(span / size, 8):
        at = x(view.begin + value * size)
        parts.append(tag("text", grouped(f"{value:g}"), x=at, y=y0 + 34, class_="tick middle"))
    since = f"{unit} from the first row" if not view.begin else f"{unit} from the left edge"
    parts.append(tag("text", since, x=_LEFT + _PLOT, y=y0 + 52, class_="tick right"))
    return tag("g", *parts)


def _line(view: RecordView, y0: float, most: float) -> str:
    """The readings as a path: joined, broken in gaps; of many in one column the range."""
    keep = (view.times >= view.begin) & (view.times <= view.end)
    times, flows = view.times[keep], view.flows[keep]
    if not len(times):
        return ""
    x = _LEFT + _PLOT * (times - view.begin) / (view.end - view.begin)
    y = y0 - _TALL * flows / most
    if len(times) <= 2 * _PLOT:
        if view.listed:  # each flow lasts until the next row
            x, y = np.repeat(x, 2)[1:], np.repeat(y, 2)[:-1]
            return "M" + points(zip(x.tolist(), y.tolist(), strict=True))
        breaks = np.searchsorted(times, [end for _, end in view.gaps])
        pieces = np.split(np.column_stack([x, y]), np.unique(breaks[(breaks > 0)]))
        return "".join("M" + points(map(tuple, one.tolist())) for one in pieces if len(one))
    column = np.floor(x).astype(np.int64)
    first = np.flatnonzero(np.append(True, np.diff(column) != 0))
    low, high = np.maximum.reduceat(y, first), np.minimum.reduceat(y, first)
    rows = zip(column[first].tolist(), low.tolist(), high.tolist(), strict=True)
    return "".join(f"M{c} {number(a)}V{number(min(b, a - 0.8))}" for c, a, b in rows)
