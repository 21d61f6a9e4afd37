"""Supply mixes on the page: a bar each, of the demand, and a table of all figures."""

from __future__ import annotations

from dataclasses import dataclass

from allocator.base.labels import head
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.page.listing import Cell
from allocator.report.page.study_files import Mixes, MixShown
from allocator.report.words import STATUS_WORDS, gap, money, percent, quantity
from allocator.site.money import unit_of_money
from allocator.site.records import POWER

THIS_PLAN = "this plan"
_NONE = Cell("", "", False)


@dataclass(frozen=True, slots=True)
class MixBar:
    """A mix as a bar: shares in percent of the bar's length, and its figures in words."""

    name: str
    about: str
    clean: float
    emitting: float
    asked: float | None
    said: str
    own: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class MixesView:
    """``bars``; ``heads`` and ``rows`` of the table; ``things``: a row a thing, a column a mix."""

    bars: tuple[MixBar, ...]
    heads: tuple[tuple[str, bool], ...]
    rows: tuple[tuple[Cell, ...], ...]
    names: tuple[str, ...]
    things: tuple[tuple[str, tuple[Cell, ...]], ...]
    said: str


def mixes_view(site: Network, found: Mixes, plan: Plan | None = None) -> MixesView:
    """Mixes for the page; ``plan``: shown beside them as the plan of the page."""
    mixes = [*([_own(plan)] if plan is not None else []), *found.rows]
    made = [mix for mix in mixes if mix.planned]
    most = max((max(m.amounts["demand_mean"], m.amounts["firm_total"]) for m in made), default=0.0)
    materials = dict.fromkeys(name for mix in made for name in mix.materials)
    short = any(mix.hours_short is not None for mix in made)
    heads = [(head("mix"), False)]
    heads += [(head(key), True) for key in ("firm_clean", "firm_emitting", "served_share")]
    heads += [(head(key), True) for key in ("mean_clean", "mean_power", "counted", "money")]
    heads += [(name, True) for name in materials]
    heads += [(head("hours_short_per_year"), True)] if short else []
    heads += [(head("gap"), True), (head("status"), False), (head("audited"), False)]
    return MixesView(
        tuple(_bar(mix, most, plan is not None and mix is mixes[0]) for mix in mixes),
        tuple(heads),
        tuple(_row(site, mix, list(materials), short) for mix in made),
        tuple(mix.name for mix in made),
        _things(site, made),
        found.said,
    )


def _own(plan: Plan) -> MixShown:
    power = plan.power
    machines: dict[str, float] = {}
    for use in plan.machines:
        machines[use.type] = machines.get(use.type, 0.0) + use.count
    return MixShown(
        THIS_PLAN,
        "",
        "",
        plan.status,
        plan.verified,
        plan.goals[0].gap if plan.goals else None,
        None,
        {
            "firm_clean": power.firm_clean,
            "firm_total": power.firm_total,
            "mean_clean": power.mean_clean,
            "mean_total": power.mean_total,
            "demand_mean": power.demand_mean,
            "counted": plan.emissions.counted,
            "money": plan.money,
        },
        machines,
        {
            **{store.name: store.size for store in plan.stores},
            **{battery.name: battery.size for battery in plan.batteries},
        },
        {use.name: use.used for use in plan.materials},
    )


def _bar(mix: MixShown, most: float, own: bool) -> MixBar:
    if not mix.planned:
        return MixBar(mix.name, mix.about, 0.0, 0.0, None, "no plan", own, mix.reason)
    clean, whole = mix.amounts["firm_clean"], mix.amounts["firm_total"]
    asked = mix.amounts["demand_mean"]
    said = quantity(clean, "power") + " clean"
    if whole > clean:
        said += f" + {quantity(whole - clean, 'power')} emitting"
    if asked > 0:
        said += f": {percent(whole / asked)} of the demand"
    share = 100.0 / most if most > 0 else 0.0
    mark = asked * share if asked > 0 else None
    emitting = max(0.0, whole - clean) * share
    return MixBar(mix.name, mix.about, clean * share, emitting, mark, said, own)


def _row(site: Network, mix: MixShown, materials: list[str], short: bool) -> tuple[Cell, ...]:
    a = mix.amounts
    served = a["firm_total"] / a["demand_mean"] if a["demand_mean"] > 0 else 0.0
    cells = [
        Cell(mix.name, mix.name, False),
        _amount(a["firm_clean"], "power"),
        _amount(a["firm_total"] - a["firm_clean"], "power"),
        Cell(percent(served), repr(served), True),
        _amount(a["mean_clean"], "power"),
        _amount(a["mean_total"], "power"),
        _amount(a["counted"], "emission_rate"),
        Cell(money(a["money"], unit_of_money(site)), repr(a["money"]), True),
    ]
    for name in materials:
        kg, material = mix.materials.get(name), site.materials.get(name)
        stock = None if material is None else material.stock
        share = f" ({percent(kg / stock)})" if stock and kg else ""
        cells.append(_NONE if kg is None else Cell(quantity(kg, "mass") + share, repr(kg), True))
    if short:
        hours = mix.hours_short
        cells.append(_NONE if hours is None else Cell(f"{hours:.3g} h", repr(hours), True))
    cells.append(_NONE if mix.gap is None else Cell(gap(mix.gap), repr(mix.gap), True))
    cells.append(Cell(STATUS_WORDS.get(mix.status, mix.status), mix.status, False))
    audit = "accepted" if mix.verified else "REJECTED"
    return (*cells, Cell(audit, audit, False))


def _amount(value: float, dimension: str) -> Cell:
    return Cell(quantity(value, dimension), repr(value), True)


def _things(site: Network, made: list[MixShown]) -> tuple[tuple[str, tuple[Cell, ...]], ...]:
    """Machines, stores and fuel bought, by name: a cell a mix."""
    found: dict[str, list[Cell]] = {}

    def note(words: str, number: int, cell: Cell) -> None:
        found.setdefault(words, [_NONE] * len(made))[number] = cell

    for k, mix in enumerate(made):
        for name, units in mix.machines.items():
            note(f"{name}, units", k, Cell(f"{units:.0f}", repr(units), True))
        for name, size in mix.stores.items():
            kind = site.storage.get(name.rpartition("@")[0])
            power = kind is not None and kind.holds == POWER
            note(name.replace("@", " at "), k, _amount(size, "energy" if power else "mass"))
        for name, rate in mix.bought.items():
            note(f"fuel bought from {name}", k, _amount(rate, "emission_rate"))
    return tuple((words, tuple(cells)) for words, cells in found.items())
