"""Money over time: what a price counts for, as a plain sum or as an annuity.

Without a ``discount_rate`` money is a plain sum: prices of what is new, and running costs over the
horizon. With one it is money a year: the annuity of each price over the life of the thing, and the
running costs of a year.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from allocator.site.records import Site

YEAR = 31_557_600.0
"""s of the Julian year, in which site files count."""

Problem = tuple[str, str, str, str, str]
"""Section, name, key, what is wrong, what to do."""


def annuity(rate: float, seconds: float) -> float:
    """Share of a price to be paid each year of a life at an interest of ``rate`` a year.

    ``i / (1 - (1 + i)^-n)``, and ``1 / n`` without interest: the capital recovery factor of
    engineering economics (such as Blank and Tarquin, *Engineering Economy*, chapter 2).

    Raises
    ------
    ValueError
        A life that is not above 0, or a rate below 0.

    Examples
    --------
    >>> round(annuity(0.10, 10 * YEAR), 5)
    0.16275
    """
    if not seconds > 0 or not rate >= 0:
        raise ValueError(f"no annuity of {rate!r} a year over {seconds!r} s")
    years = seconds / YEAR
    return 1.0 / years if rate == 0 else -rate / math.expm1(-years * math.log1p(rate))


def counted_share(site: Site, life: float | None) -> float:
    """Share of a price that counts as money: all of it, or its annuity a year."""
    if site.discount_rate is None:
        return 1.0
    years = site.life if life is None else life
    return 1.0 if years is None else annuity(site.discount_rate, years)


def running_span(site: Site) -> float:
    """s over which running costs are summed: the horizon, or a year beside annuities."""
    return site.horizon if site.discount_rate is None else YEAR


def unit_of_money(site: Site) -> str:
    """What is shown with money that counts: the currency, or the currency a year."""
    return site.currency if site.discount_rate is None else f"{site.currency}/a"


def lives_without_interest(site: Site) -> tuple[tuple[str, str], ...]:
    """Section and name of what has a life that counts for nothing: money is a plain sum.

    The site's own life, with no name, comes first.
    """
    if site.discount_rate is not None:
        return ()
    found = [("", "")] if site.life is not None else []
    return (*found, *((section, name) for section, name, _, _, life in _costs(site) if life))


PLAIN_SUM = (
    "Prices count in full, as a plain sum: without 'discount_rate' how long things last has no "
    "effect."
)
"""Said beside money where something has a life."""


def faults_of_lives(site: Site) -> Iterator[Problem]:
    """Things that cost something and of which nothing says how long they last."""
    if site.discount_rate is None or site.life is not None:
        return
    priced = {name for name, material in site.materials.items() if material.price > 0}
    for section, name, materials, price, life in _costs(site):
        if life is None and (price > 0 or priced & {*materials}):
            yield (
                section,
                name,
                "",
                "costs money, but nothing says how long it lasts",
                "give it a 'life', or the whole site one",
            )


def _costs(site: Site) -> Iterator[tuple[str, str, Mapping[str, float], float, float | None]]:
    """What may be built: section, name, materials, price and life."""
    for name, source in site.sources.items():
        cost = (source.connection_materials, source.connection_price)
        yield "sources", name, *cost, source.connection_life
    for name, pipe in site.pipes.items():
        yield "pipes", name, {layer.material: 1.0 for layer in pipe.layers}, pipe.price, pipe.life
    for section, based in (("storage", site.storage), ("heat_sinks", site.heat_sinks)):
        for name, thing in based.items():
            materials = {**thing.materials, **thing.base_materials}
            yield section, name, materials, thing.price + thing.base_price, thing.life
    for section, plain in (
        ("power_lines", site.power_lines),
        ("machines", site.machines),
        ("coolers", site.coolers),
        ("boosters", site.boosters),
    ):
        for name, other in plain.items():
            yield section, name, other.materials, other.price, other.life
