"""Symbols of the map, 20 units wide, made to be told apart at 16 pixels.

They follow, from memory, the drawing standards of the trade: flow diagrams of process plants
(ISO 10628), instruments and valves (ISA 5.1) and circuit diagrams (IEC 60617). Where one departs
from its standard, its function says why. ``.ring`` is an outline, ``.share`` and ``.level`` are
fills with the colour and hatching of the fluid, ``.cut`` is a line.
"""

from __future__ import annotations

from markupsafe import Markup

from allocator.report.page.svg import number, tag

_LEFT, _SHOULDER, _TIP, _HALF = -10.0, -3.0, 2.0, 6.5


def source(duty: float, connected: bool, hot: bool) -> Markup:
    """An off-gas outlet: the flag of a stream that enters a drawing, and a valve if connected.

    Departure from ISO 10628: the flag is filled from the left by the share of time that the
    source is on, because this is the first thing to know of it. The two triangles at its tip are
    the valve of ISO 10628 and ISA 5.1; a source that is not connected has none. Two plumes mark
    gas above 60 degC; the standards have no sign for it.
    """
    parts = [tag("path", d="M-10 -6.5H-3L2 0L-3 6.5H-10Z", class_="ring")]
    if duty > 0:
        parts.append(tag("path", d=_filled(duty), class_="share"))
    if connected:
        parts.append(tag("path", d="M2.6 -4L10 4V-4L2.6 4Z", class_="valve"))
    if hot:
        parts.append(tag("path", d="M-8 -9q3 -3 0 -6M-3 -9q3 -3 0 -6", class_="hot"))
    return Markup("").join(parts)


def _filled(duty: float) -> str:
    """The left part of the flag: its share of the length."""
    x = _LEFT + (_TIP - _LEFT) * min(duty, 1.0)
    half = _HALF if x <= _SHOULDER else _HALF * (_TIP - x) / (_TIP - _SHOULDER)
    corner = x if x <= _SHOULDER else _SHOULDER
    top = f"M{number(_LEFT)} {number(-_HALF)}H{number(corner)}L{number(x)} {number(-half)}"
    return f"{top}V{number(half)}L{number(corner)} {number(_HALF)}H{number(_LEFT)}Z"


def store() -> Markup:
    """A store of a fluid: a tank with a flat floor and a domed roof (ISO 10628).

    Departure: holders, vessels and tanks look alike, since the site file names the type and says
    nothing of its shape. The fill stands at the level of the moment that is shown.
    """
    body = tag("path", d="M-7 9V-4A7 5 0 0 1 7 -4V9Z", class_="ring")
    return body + tag("rect", x=-6, y=-3, width=12, height=11, class_="level")


def battery() -> Markup:
    """A battery: two cells, each a long and a short plate between leads (IEC 60617)."""
    thin = tag("path", d="M-10 0H-6M-6 -8V8M1 -8V8M6 0H10", class_="cut")
    return thin + tag("path", d="M-2 -4V4M5 -4V4", class_="cut plate")


def generator(units: int | None, emitting: bool) -> Markup:
    """Generators: a circle with G (IEC 60617), with their number in a badge.

    Departure: one with counted releases has a second ring, so that it is told from a clean one
    without colour.
    """
    parts = [tag("circle", r=9, class_="ring")]
    if emitting:
        parts.append(tag("circle", r=6.6, class_="ring inner"))
    parts.append(tag("text", "G", y=3.6, class_="letter"))
    return Markup("").join(parts) + _units(units)


def converter(units: int | None) -> Markup:
    """A machine that gives no power: the square with a diagonal of a converter (IEC 60617)."""
    box = tag("path", d="M-8 -8H8V8H-8Z", class_="ring") + tag("path", d="M-8 8L8 -8", class_="cut")
    return box + _units(units)


def _units(units: int | None) -> Markup:
    if units is None:
        return Markup("")
    badge = tag("circle", cx=8.5, cy=-7.5, r=5.2, class_="badge-ground")
    return badge + tag("text", units, x=8.5, y=-4.4, class_="many")


def cooler() -> Markup:
    """A cooler: a heat exchanger, a circle with a zigzag through it (ISO 10628)."""
    zigzag = "M-10 0H-5L-2.5 -5L2.5 5L5 0H10"
    return tag("circle", r=8, class_="ring") + tag("path", d=zigzag, class_="cut")


def booster() -> Markup:
    """A blower, compressor or pump: a circle with the triangle of its flow (ISO 10628, pump).

    Departure: blowers and compressors have it too; the card says which of them it is.
    """
    return tag("circle", r=8, class_="ring") + tag(
        "path", d="M-4.5 -6.5L8 0L-4.5 6.5Z", class_="cut"
    )


def heat_sink() -> Markup:
    """A heat sink: a solid block of thermal mass with the pipe that leads through it.

    The standards have no sign for thermal mass: solid black is how drawings of buildings show
    matter that is cut through.
    """
    block = tag("path", d="M-8 -8H8V8H-8Z", class_="mass")
    return block + tag("path", d="M-10 0H-8M8 0H10", class_="cut") + _THROUGH


_THROUGH = tag("path", d="M-8 0H-4L-2 -3L2 3L4 0H8", class_="through")
