"""Pictures of a site or a plan for other documents: what is built, and what could be."""

from __future__ import annotations

from markupsafe import Markup

from allocator.base.errors import AllocatorError
from allocator.base.status import Status
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.plans.records import (
    BatteryUse,
    Ceiling,
    Emissions,
    MachineUse,
    Plan,
    Power,
    Run,
    SourceUse,
    StoreUse,
)
from allocator.report.page.clear_labels import ClearLabel, clear_labels, segments_of
from allocator.report.page.colours import CLEAN, DASHES, EMITTING, LIGHT
from allocator.report.page.figures import figures_of
from allocator.report.page.map import Map, map_of
from allocator.report.page.placing import WIDTH
from allocator.report.page.svg import number, tag
from allocator.site.records import POWER, Site

_INK, _PAPER, _FAINT = "#15201c", "#fff", "#7d8883"
_STYLE = (
    "text{font:11px sans-serif;fill:INK}.title{font-size:17px;font-weight:bold}"
    ".faint{fill:none;stroke:FAINT;stroke-width:1.6;stroke-dasharray:2 4}"
    ".pipe{fill:none;stroke-width:4}.casing{fill:none;stroke:INK;stroke-width:9;opacity:.28}"
    ".grip,.arrow{display:none}.power{fill:none;stroke:INK;stroke-width:2.5;stroke-dasharray:2 3}"
    ".halo{fill:PAPER;opacity:.86}.ring,.valve{fill:PAPER;stroke:INK;stroke-width:1.8}"
    ".valve{stroke-width:1.5}.untapped .ring{stroke-width:1.2;stroke-dasharray:2.4 1.8}"
    ".untapped .share{opacity:.55}.hot,.cut{fill:none;stroke:INK;stroke-width:1.5}"
    ".plate{stroke-width:2.8}.letter,.many{font-weight:bold;text-anchor:middle}"
    ".letter{font-size:10.5px}.emitting .letter{font-size:9px}.inner{stroke-width:1.4}"
    ".mass{fill:INK}.through{fill:none;stroke:PAPER;stroke-width:2}"
    ".many{font-size:8.5px;fill:PAPER}.badge-ground{fill:INK}"
    ".spot circle{fill:#52605a}.minor{display:none}"
    f".clean .ring{{stroke:{CLEAN[0]}}}.clean .letter{{fill:{CLEAN[0]}}}"
    f".emitting .ring{{stroke:{EMITTING[0]}}}.emitting .letter{{fill:{EMITTING[0]}}}"
    ".unused .ring,.unused .cut{stroke:FAINT;stroke-width:1.2;stroke-dasharray:2.4 1.8}"
    ".unused .level{display:none}.unused .letter{fill:FAINT}"
    ".labels{display:none}.leader{stroke:#52605a;stroke-width:.8}"
    ".scale path{fill:none;stroke:INK;stroke-width:1.5}"
)
_STYLE = _STYLE.replace("INK", _INK).replace("PAPER", _PAPER).replace("FAINT", _FAINT)


class DrawingError(AllocatorError):
    """A drawing that cannot be made: why, and what to do."""


def existing_plan(site: Network) -> Plan:
    """Existing assets, as a plan that builds and promises nothing."""
    built = site.built
    stores = []
    batteries = []
    for (kind, place), size in built.storage.items():
        name, holds = f"{kind}@{place}", site.storage[kind].holds
        if holds == POWER:
            batteries.append(BatteryUse(name, kind, place, size, 0.0, None))
        else:
            stores.append(StoreUse(name, kind, place, holds, size, 0.0, None))
    return Plan(
        site_name=site.name,
        site_sha256=site.sha256,
        basis="firm",
        status=Status.NOT_SOUGHT,
        goals=(),
        ceiling=Ceiling(None, None),
        power=Power(0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
        sources=tuple(SourceUse(name, name in built.sources, False) for name in site.own_sources),
        stores=tuple(stores),
        batteries=tuple(batteries),
        runs=tuple(Run(run.route, run.pipe, run.fluid, False) for run in built.pipes),
        lines=(),
        machines=tuple(
            MachineUse(f"{kind}@{place}", kind, place, count, 0)
            for (kind, place), count in built.machines.items()
        ),
        demands=(),
        materials=(),
        emissions=Emissions(0.0, 0.0),
        money=0.0,
    )


def site_svg(site: Site) -> str:
    """The site as an SVG picture with a key: routes dashed, what exists drawn full."""
    site = network_of(site)
    return plan_svg(site, existing_plan(site))


def plan_svg(site: Site, plan: Plan) -> str:
    """A plan as an SVG picture with a key: what is built drawn full, what is not dashed."""
    site = network_of(site)
    drawn = map_of(figures_of(site, plan))
    top = 34.0
    key, tall = _key(drawn.legend, top + drawn.height)
    height = top + drawn.height + tall
    names = tag("g", *map(_name, _names(drawn)), class_="names")
    ground = tag("g", drawn.drawing, names, transform=f"translate(0 {number(top)})")
    body = tag(
        "svg",
        tag("style", Markup(_STYLE + _colours())),
        tag("rect", width=WIDTH, height=height, fill="#fff"),
        tag("text", site.name, x=16, y=25, class_="title"),
        ground,
        key,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(WIDTH)} {number(height)}",
        width=WIDTH,
        height=height,
    )
    return f"{body}\n"


def site_png(svg: str) -> bytes:
    """The picture as PNG, two pixels a unit.

    Raises:
        DrawingError: the library that draws it is not there.
    """
    try:
        import cairosvg
    except (ImportError, OSError):
        raise DrawingError(
            "PNG needs an extra: pip install 'allocator[png]'; or name a file that ends in .svg"
        ) from None
    picture: bytes = cairosvg.svg2png(bytestring=svg.encode("utf-8"), scale=2.0)
    return picture


def _names(drawn: Map) -> list[ClearLabel]:
    """Names of the places, clear of all lines and symbols."""
    ground = drawn.stood
    halves = {(x, y): (half, hot) for x, y, half, _, hot, *_ in drawn.labels}
    symbols, texts = {}, {}
    for name, (x, y) in ground.points.items():
        half, hot = halves[round(x, 1), round(y, 1)]
        symbols[name] = (x - half, y - (20.0 if hot else 10.0), x + half, y + 10.0)
        texts[name] = name if len(name) <= 26 else f"{name[:25]}…"
    scale = (10.0, ground.height - 38.0, 16.0 + WIDTH / 4, ground.height - 6.0)
    kept = () if ground.scale is None else (scale,)
    return clear_labels(ground, texts, symbols, segments_of(str(drawn.drawing)), kept)


def _name(label: ClearLabel) -> Markup:
    left, _, _, bottom = label.box
    text = tag("text", label.text, x=number(left + 1), y=number(bottom - 3))
    if label.leader is None:
        return text
    x1, y1, x2, y2 = map(number, label.leader)
    return tag("g", tag("line", x1=x1, y1=y1, x2=x2, y2=y2, class_="leader"), text)


def _colours() -> str:
    rules = ""
    for n, colour in enumerate(LIGHT):
        rules += f".c{n} .ring,.c{n} .pipe,.c{n} .valve,.k{n}{{stroke:{colour}}}"
        rules += f".c{n} .share,.c{n} .level{{fill:{colour}}}"
    return rules


def _key(legend: dict[str, int], top: float) -> tuple[Markup, float]:
    parts, x, y = [], 16.0, top + 18.0
    for name, colour in legend.items():
        long = 58.0 + 6.6 * len(name)
        if x + long > WIDTH - 10 and x > 16.0:
            x, y = 16.0, y + 20.0
        path, dashes = f"M{number(x)} {number(y)}h34", DASHES[colour] or None
        line = tag("path", d=path, class_=f"pipe k{colour}", stroke_dasharray=dashes)
        parts += [line, tag("text", name, x=x + 40, y=y + 4)]
        x += long
    words = (
        "flag: source, filled by its share of time on, with plumes where hot and a valve where "
        "connected; tank: store; plates: battery; G: generators, two rings if emitting; "
        "dashed: not built"
    )
    parts.append(tag("text", words, x=16, y=y + 24))
    return tag("g", *parts), y + 36.0 - top
