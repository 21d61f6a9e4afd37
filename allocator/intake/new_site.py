"""A first site file from lists of sources and places, or from a few answers."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from allocator.base.errors import AllocatorError
from allocator.base.quantities import parse_quantity, shown
from allocator.intake.lists import ListedPlace, ListedSource, closest
from allocator.site.catalogue import FLUIDS, PIPES
from allocator.site.formats import FORMAT
from allocator.site.writing import tree_text

HEATING_VALUE = "20 MJ/kg"
"""Placeholder of a fluid whose heating value nobody gave: listed as to be filled in."""
EFFICIENCY = 0.33
SPEED, DENSITY = 10.0, 1.2
"""Gas in pipe, m/s and kg/m^3, for placeholders of capacities."""
MOST_UNITS = 12
NEAREST = 2
"""Routes from a place to the nearest others, besides those that connect all."""

SIZES = {
    "dn25": "NPS 1 SCH 40",
    "dn50": "NPS 2 SCH 40",
    "dn80": "NPS 3 SCH 40",
    "dn100": "NPS 4 SCH 40",
    "dn150": "NPS 6 SCH 40",
    "dn200": "NPS 8 SCH 40",
    "dn300": "NPS 12 SCH 40",
}
"""Pipe types and their names in the catalogue."""
STEEL = 7850.0
"""Density, kg/m^3."""


@dataclass(frozen=True, slots=True)
class NewSite:
    """A site file's text, and what its user should fill in next."""

    text: str
    fill_in: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Answers:
    """What is known of a new site; text of quantities with units, as written.

    ``heating_values``: by fluid. ``demand`` and ``demand_place``: empty where not known.
    """

    name: str
    sources: tuple[ListedSource, ...]
    places: tuple[ListedPlace, ...] = ()
    heating_values: Mapping[str, str] | None = None
    demand: str = ""
    demand_place: str = ""


def new_site(answers: Answers) -> NewSite:
    """The text of a site file that can be checked and planned as it is.

    Placeholders stand for what is not known (machines, stores, pipe, prices); ``fill_in`` lists
    each. Routes join all places by the shortest tree, and each place to the nearest two.

    Raises
    ------
    AllocatorError
        A source stands at a place that is not listed, or the demand does.
    """
    fill_in: list[str] = []
    places, works = _places(answers, fill_in)
    fluids = dict.fromkeys(source.fluid for source in answers.sources)
    given = answers.heating_values or {}
    if unknown := [fluid for fluid in given if fluid not in fluids]:
        problem = f"a heating value is given for {shown(unknown[0])}, which no source gives"
        raise AllocatorError(f"{problem}; the fluids are {', '.join(fluids)}")
    known = {fluid: fluid.lower() for fluid in fluids if fluid.lower() in FLUIDS}
    heating = {fluid: given.get(fluid) or _usual(known.get(fluid)) for fluid in fluids}
    for fluid in fluids:
        if fluid in known:
            continue
        close = closest(fluid, FLUIDS, 0.8)
        meant = f"; did you mean {shown(close)} of the catalogue?" if close else ""
        heat = "" if fluid in given else f"heating_value ({HEATING_VALUE} is a placeholder), "
        fill_in.append(f"fluids.{fluid}: {heat}constants (those of air){meant}")
    means = {fluid: _mean_flow(answers.sources, fluid) for fluid in fluids}
    burning = {fluid: text for fluid, text in heating.items() if text}
    if not burning:
        named = ", ".join(fluids)
        raise AllocatorError(f"no source gives a fluid that burns, but {named}; add one that does")
    power = sum(
        EFFICIENCY * means[fluid] * parse_quantity(text, "energy_per_mass")
        for fluid, text in burning.items()
    )
    demand = answers.demand or _kw(_below(power))
    if not answers.demand:
        fill_in.append(f"demands.works_load: power ({demand} is what the mean flows would give)")
    stores = _stores(answers.sources, burning, works)
    machines = _machines(burning, means, works)
    if stores:
        fill_in.append(f"storage ({', '.join(stores)}): size.max, materials and price")
    fill_in.append(
        f"machines ({', '.join(machines)}): inputs, outputs, price and releases; engines of 33 % "
        "efficiency are placeholders, and no release is counted"
    )
    fill_in += ("materials.steel: stock, if it is limited", "pipes: capacity, price, limits")
    if answers.places:
        fill_in.append("routes: delete what cannot be built; straight lines are assumed")
    largest = max(parse_quantity(source.flow, "mass_rate") for source in answers.sources)
    sections: list[tuple[str, dict[str, Any]]] = [
        ("", {"format": FORMAT, "name": answers.name}),
        ("Heating values are net (lower).", {"fluids": _fluids(heating, known, given)}),
        ("Price of material as built; add 'stock' where it is limited.", _steel()),
        ("", {"places": places}),
        ("'flow' is the flow while it is on.", {"sources": _sources(answers.sources)}),
    ]
    if stores:
        sections.append(("Placeholders: twice what the longest outage needs.", {"storage": stores}))
    pipes = _pipes(largest, sum(means.values()))
    sections += [
        (
            "Schedule 40, ASME B36.10M. Capacities are placeholders: 10 m/s of 1.2 kg/m^3.",
            {"pipes": pipes},
        ),
        (
            "Straight lines: delete what cannot be built, add 'length' or 'detour_factor'.",
            {"routes": _routes(places)},
        ),
        ("Placeholders: engines of 33 % efficiency.", {"machines": machines}),
        ("", {"demands": {"works_load": {"power": demand, "place": works}}}),
    ]
    return NewSite(_text(sections, fill_in), tuple(fill_in))


def _text(sections: Sequence[tuple[str, Mapping[str, Any]]], fill_in: Sequence[str]) -> str:
    lines = ["# A first site file. To fill in next:", *(f"#   {one}" for one in fill_in)]
    lines += ["# Every key: networks/README.md; faults: allocator check FILE.", ""]
    for comment, tree in sections:
        lines += [f"# {comment}"] * bool(comment) + [tree_text(tree)] * bool(tree)
    return "\n".join(lines).rstrip("\n") + "\n"


def _steel() -> dict[str, Any]:
    return {"materials": {"steel": {"price": "2 /kg"}}}


def _usual(name: str | None) -> str:
    """The heating value of the catalogue, 0 where its fluid does not burn; else the placeholder."""
    if name is None:
        return HEATING_VALUE
    return next((v.text for v in FLUIDS[name].values if v.key == "heating_value"), "")


def _fluids(
    heating: Mapping[str, str], known: Mapping[str, str], given: Mapping[str, str]
) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for fluid, value in heating.items():
        if fluid in known:
            own = {"heating_value": value} if fluid in given else {}
            found[fluid] = {"catalogue": known[fluid], **own}
        else:
            found[fluid] = {
                "phase": "gas",
                "heating_value": value,
                "constants": {"density": "1.2 kg/m^3", "specific_heat": "1100 J/(kg*K)"},
            }
    return found


def _places(answers: Answers, fill_in: list[str]) -> tuple[dict[str, Any], str]:
    """The places as the file has them, and the one of the demand."""
    places: dict[str, Any] = {}
    for one in answers.places:
        height = {"elevation": one.elevation} if one.elevation else {}
        places[one.name] = {"at": [one.x, one.y], **height}
    named = dict.fromkeys(source.place for source in answers.sources)
    missing = [name for name in named if name not in places]
    if places and missing:
        raise AllocatorError(
            f"source place {shown(missing[0])} is not in the list of places; add a row for it"
        )
    called = next((name for name in places if name.casefold() == "works"), "")
    works = answers.demand_place or called or ("" if places else "works")
    if not places:
        for number, name in enumerate(n for n in named if n != works):
            turn = 2 * math.pi * number / len(named)
            places[name] = {
                "at": [f"{round(200 * math.cos(turn))} m", f"{round(200 * math.sin(turn))} m"]
            }
        places[works] = {"at": ["0 m", "0 m"]}
        fill_in.append("places: coordinates (200 m from the works are placeholders)")
    if works and works not in places:
        raise AllocatorError(
            f"demand place {shown(works)} is not in the list of places; add a row for it"
        )
    if not works:
        without = [name for name in places if name not in named]
        works = (without or list(places))[0]
        fill_in.append(f"demands.works_load: place ({works} is assumed)")
    return places, works


def _sources(sources: Sequence[ListedSource]) -> dict[str, Any]:
    found = {}
    for one in sources:
        record: dict[str, Any] = {"place": one.place, "fluid": one.fluid, "flow": one.flow}
        if one.stages:
            record["cycle"] = [{"on": on, "every": every} for on, every in one.stages]
        for key, text in (
            ("next_start", one.next_spell if one.stages else ""),
            ("temperature", one.temperature),
            ("pressure", one.pressure),
        ):
            if text:
                record[key] = text
        if "next_start" in record:
            record["clock"] = "free"  # what a list says of the phase has no error
        found[one.name] = record
    return found


def _duty(source: ListedSource) -> float:
    return math.prod(
        parse_quantity(on, "duration") / parse_quantity(every, "duration")
        for on, every in source.stages
    )


def _mean_flow(sources: Sequence[ListedSource], fluid: str) -> float:
    return sum(parse_quantity(s.flow, "mass_rate") * _duty(s) for s in sources if s.fluid == fluid)


def _longest_outage(source: ListedSource) -> float:
    gaps = [
        parse_quantity(every, "duration") - parse_quantity(on, "duration")
        for on, every in source.stages
    ]
    return sum(gaps)  # an upper value: outages of nested stages may follow each other


def _stores(sources: Sequence[ListedSource], fluids: Iterable[str], works: str) -> dict[str, Any]:
    stores = {}
    for fluid in fluids:
        need = sum(
            parse_quantity(s.flow, "mass_rate") * _duty(s) * _longest_outage(s)
            for s in sources
            if s.fluid == fluid
        )
        if need > 0:
            stores[f"{fluid} holder"] = {
                "holds": fluid,
                "places": [works],
                "size": {"max": f"{_three(2 * need)} kg"},
                "materials": {"steel": "2 kg/kg"},
                "price": "5 /kg",
            }
    return stores


def _machines(heating: Mapping[str, str], means: Mapping[str, float], works: str) -> dict[str, Any]:
    machines = {}
    for fluid, text in heating.items():
        value = parse_quantity(text, "energy_per_mass")
        unit = 10e3
        while EFFICIENCY * means[fluid] * value > MOST_UNITS * unit:
            unit *= 2
        count = math.ceil(EFFICIENCY * means[fluid] * value / unit) + 1
        machines[f"{fluid} engine"] = {
            "inputs": {fluid: f"{_three(1000 * unit / EFFICIENCY / value)} g/s"},
            "outputs": {"power": _kw(unit)},
            "materials": {"steel": f"{_three(15 * unit / 1000)} kg"},
            "price": float(_three(900 * unit / 1000)),
            "places": {works: count},
        }
    return machines


def _pipes(largest: float, together: float) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, size in SIZES.items():
        pipe = PIPES[size]
        capacity = SPEED * DENSITY * math.pi / 4 * pipe.bore**2
        mass = math.pi * STEEL * pipe.wall * (pipe.bore + pipe.wall)
        found[name] = {
            "capacity": f"{_three(1000 * capacity)} g/s",
            "layers": [{"material": "steel", "mass": f"{_three(mass)} kg/m"}],
            "price": f"{_three(5 * mass)} /m",
        }
        if capacity >= max(largest, together) and len(found) > 1:
            break
    return dict(list(found.items())[-3:])


def _routes(places: Mapping[str, Any]) -> dict[str, Any]:
    names = list(places)
    points = [tuple(parse_quantity(one, "length") for one in places[n]["at"]) for n in names]
    pairs: dict[tuple[int, int], None] = {}
    joined, rest = {0}, set(range(1, len(names)))
    while rest:  # the shortest tree; of equal lengths the first in file order
        _, near, far = min((math.dist(points[i], points[j]), i, j) for i in joined for j in rest)
        pairs[min(near, far), max(near, far)] = None
        joined.add(far)
        rest.remove(far)
    for i, point in enumerate(points):
        others = sorted((math.dist(point, other), j) for j, other in enumerate(points) if j != i)
        for _, j in others[:NEAREST]:
            pairs[min(i, j), max(i, j)] = None
    return {
        f"{names[i]} to {names[j]}": {"between": [names[i], names[j]]}
        for i, j in sorted(pairs)
        if points[i] != points[j]
    }


def _three(value: float) -> str:
    return repr(float(f"{value:.3g}")).removesuffix(".0")


def _below(value: float) -> float:
    """The value rounded down to three figures."""
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    return math.floor(value / step) * step


def _kw(power: float) -> str:
    return f"{_three(power / 1000)} kW"
