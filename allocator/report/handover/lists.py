"""The hand-over lists as tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from allocator.base.table import Column, Table
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.handover.build_order import DAY, build_order
from allocator.report.handover.cut_list import SPARES, cut_list
from allocator.report.handover.set_points import set_points
from allocator.report.tables import table_of

_CUTS = (
    Column("kind", "kind"),
    Column("build", "build"),
    Column("run", "run"),
    Column("start", "from"),
    Column("end", "to"),
    Column("fluid", "fluid"),
    Column("layer", "layer", "count", "From the inside out."),
    Column("material", "material"),
    Column("bore_mm", "bore, mm", "number"),
    Column("thickness_mm", "thickness, mm", "number"),
    Column("length", "length", "length"),
    Column("mass", "mass", "mass"),
    Column("spares_percent", "spares, %", "number"),
    Column("cut_length", "length with spares", "length"),
    Column("cut_mass", "mass with spares", "mass"),
    Column("stock_left", "stock left", "mass"),
    Column("note", "note"),
)
_STEPS = (
    Column("step", "step", "count"),
    Column("action", "action"),
    Column("what", "what"),
    Column("where", "where"),
    Column("materials", "materials"),
    Column("mass", "mass", "mass"),
    Column("mass_so_far", "mass so far", "mass"),
    Column("needs_steps", "after steps"),
    Column("unlocks", "unlocks"),
    Column("promised_so_far", "firm power so far", "power"),
    Column("done_after_d", "done after, d", "number"),
    Column("next_spell_in_d", "source next on in, d", "number"),
    Column("note", "note"),
)
_SETTINGS = (
    Column("thing", "thing"),
    Column("place", "place"),
    Column("setting", "setting"),
    Column("value", "value", "number"),
    Column("unit", "unit"),
    Column("at_peak", "at peak", "number"),
    Column("note", "note"),
)


def cut_list_table(site: Network, plan: Plan, spares: float = SPARES) -> Table:
    """A row a layer of a new run, then a total a material; see :func:`cut_list`."""
    rows = [
        {
            "kind": line.kind,
            "build": line.build,
            "run": line.run,
            "start": line.start,
            "end": line.end,
            "fluid": line.fluid,
            "layer": line.layer or None,
            "material": line.material,
            "bore_mm": _thousandfold(line.bore),
            "thickness_mm": _thousandfold(line.thickness),
            "length_m": line.length,
            "mass_kg": line.mass,
            "spares_percent": 100.0 * spares,
            "cut_length_m": line.cut_length,
            "cut_mass_kg": line.cut_mass,
            "stock_left_kg": line.stock_left,
            "note": line.note,
        }
        for line in cut_list(site, plan, spares)
    ]
    return table_of("cut_list", "Cut list", _CUTS, rows)


def _thousandfold(value: float | None) -> float | None:
    return None if value is None else 1000.0 * value


def build_order_table(site: Network, plan: Plan, crew: float | None = None) -> Table:
    """A row a step; see :func:`build_order`. ``crew``: kg/s of material that the crew builds."""
    rows = [
        {
            "step": step.number,
            "action": step.action,
            "what": step.what,
            "where": step.where,
            "materials": step.materials,
            "mass_kg": step.mass,
            "mass_so_far_kg": step.mass_so_far,
            "needs_steps": spans(step.after),
            "unlocks": step.unlocks,
            "promised_so_far_w": step.firm_power,
            "done_after_d": None if step.done is None else step.done / DAY,
            "next_spell_in_d": None if step.due is None else step.due / DAY,
            "note": step.note,
        }
        for step in build_order(site, plan, crew)
    ]
    return table_of("build_order", "Build order", _STEPS, rows)


def spans(numbers: Iterable[int]) -> str:
    """Rising whole numbers in short: ``3, 5 to 9``."""
    return ", ".join(
        str(first) if first == last else f"{first} to {last}" for first, last in _joined(numbers)
    )


def _joined(numbers: Iterable[int]) -> Iterator[tuple[int, int]]:
    span: tuple[int, int] | None = None
    for number in numbers:
        if span is not None and number == span[1] + 1:
            span = (span[0], number)
        else:
            if span is not None:
                yield span
            span = (number, number)
    if span is not None:
        yield span


def set_points_table(
    site: Network, plan: Plan, reserves: Mapping[str, tuple[float, str]] | None = None
) -> Table:
    """A row a setting; see :func:`set_points`."""
    rows = [
        {
            "thing": setting.thing,
            "place": setting.place,
            "setting": setting.setting,
            "value": setting.value,
            "unit": setting.unit,
            "at_peak": setting.highest,
            "note": setting.note,
        }
        for setting in set_points(site, plan, reserves)
    ]
    return table_of("set_points", "Set-points", _SETTINGS, rows)
