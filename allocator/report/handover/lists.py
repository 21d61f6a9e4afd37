"""The hand-over lists as tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from allocator.base.dimensions import format_gauge, next_shown
from allocator.base.labels import labelled
from allocator.base.table import Column, Table
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.handover.build_order import DAY, build_order
from allocator.report.handover.cut_list import SPARES, CutLine, cut_list
from allocator.report.handover.cutting import MILLIMETRES, cuts_of, pipe_cuttings
from allocator.report.handover.set_points import PRESSURE, Setting, set_points
from allocator.report.tables import table_of
from allocator.report.tags import SCHEME

_WHOLE = "Spares of pipe that comes in lengths are whole lengths, on its order."
_CUTS = (
    labelled("kind"),
    labelled("build"),
    Column("run", "run"),
    labelled("start"),
    labelled("end"),
    labelled("fluid"),
    Column("layer", "layer", "count", "From the inside out."),
    labelled("material"),
    Column("bore_mm", "bore, mm", "number"),
    Column("thickness_mm", "thickness, mm", "number", towards=1),
    replace(labelled("length", "length"), towards=1),
    replace(labelled("mass", "mass"), towards=1),
    Column("spares_percent", "spares, %", "number"),
    Column("cut_length", "length with spares", "length", _WHOLE, towards=1),
    Column("cut_mass", "mass with spares", "mass", _WHOLE, towards=1),
    Column(
        "stock_left",
        "stock left",
        "mass",
        "By the whole plan, with spares and off-cuts.",
        towards=-1,
    ),
    Column("note", "note"),
    Column("valves", "valves", "text", "Tags, at the ends of the run."),
    Column("stock_length", "delivered length", "length", "One piece of pipe as delivered."),
    Column("full_lengths", "full lengths", "count", "Laid without a cut."),
    Column("rest", "cut piece", "length", "See the cutting plan."),
    Column("joints", "joints", "count", "Between the pieces of a run."),
    Column("lengths_needed", "lengths needed", "count", "Whole and cut up."),
    Column("spare_lengths", "spare lengths", "count"),
    Column("lengths_to_order", "lengths to order", "count"),
    Column("waste", "waste", "length", "Off-cuts and saw cuts."),
    Column("waste_percent", "waste, %", "number", "Of the lengths needed."),
)
_CUTTING = (
    Column("pipe", "pipe"),
    Column("lengths", "lengths", "count", "Delivered lengths that are cut in this way."),
    Column("stock_length", "delivered length", "length"),
    Column("cuts_m", "cut pieces, m", "text", "In the order of cutting."),
    Column("for_runs", "for runs", "text", "Each cut piece with the run that takes it."),
    Column("off_cut", "off-cut", "length", "What is left of each length."),
)
_STEPS = (
    Column("step", "step", "count"),
    Column("action", "action"),
    Column("what", "what"),
    labelled("where"),
    Column("materials", "materials"),
    replace(labelled("mass", "mass"), towards=1),
    Column("mass_so_far", "mass so far", "mass"),
    Column("needs_steps", "after steps"),
    Column("unlocks", "unlocks"),
    Column("promised_so_far", "firm power so far", "power"),
    Column("done_after_d", "done after, d", "number"),
    Column("next_spell_in_d", "source next on in, d", "number"),
    Column("note", "note"),
    Column("valves", "valves", "text", "Tags of the thing, or at the ends of a run."),
    Column("firm_power_so_far_kw", "firm power so far, kW", "number", files_only=True),
)
_SETTINGS = (
    Column("thing", "thing"),
    labelled("place"),
    Column("setting", "setting"),
    Column("value", "value in SI", "number", files_only=True),
    Column("unit", "SI unit", "text", files_only=True),
    Column("at_peak", "at peak, SI", "number", files_only=True),
    Column("note", "note"),
    Column("tag", "tag", "text", SCHEME),
    Column(
        "set_to",
        "set to",
        "number",
        "Four figures, pressures to 0.1 mbar; exact in SI.",
    ),
    labelled("unit", name="set_unit"),
    Column("set_at_peak", "at peak", "number"),
    Column("set_absolute_mbar", "absolute, mbar", "number", "Of a gauge pressure."),
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
            "valves": "; ".join(line.valves),
            "stock_length_m": line.stock_length,
            "full_lengths": line.full_lengths,
            "rest_m": line.rest,
            "joints": line.joints,
            "waste_m": line.waste,
            **_ordered(line),
        }
        for line in cut_list(site, plan, spares)
    ]
    return table_of("cut_list", "Cut list", _CUTS, rows)


def _ordered(line: CutLine) -> dict[str, object]:
    """Columns of the lengths to order; none where pipe does not come in lengths."""
    if line.lengths is None or line.spare is None:
        return {}
    assert line.stock_length is not None
    assert line.waste is not None
    return {
        "lengths_needed": line.lengths,
        "spare_lengths": line.spare,
        "lengths_to_order": line.lengths + line.spare,
        "waste_percent": 100.0 * line.waste / (line.lengths * line.stock_length),
    }


def cutting_table(site: Network, plan: Plan) -> Table:
    """A row a way of cutting a delivered length; none where no pipe has a ``stock_length``."""
    rows = []
    for cutting in pipe_cuttings(site, plan):
        for cuts in cuts_of(site, cutting):
            taken = sum(size for size, _ in cuts.pieces)
            rows.append(
                {
                    "pipe": cutting.build,
                    "lengths": cuts.count,
                    "stock_length_m": cutting.length / MILLIMETRES,
                    "cuts_m": " + ".join(f"{size / MILLIMETRES:.3f}" for size, _ in cuts.pieces),
                    "for_runs": "; ".join(
                        f"{size / MILLIMETRES:.3f} for {', '.join(names)}"
                        for size, names in cuts.pieces
                    ),
                    "off_cut_m": (cutting.length - taken - cuts.sawn) / MILLIMETRES,
                }
            )
    return table_of("cutting_plan", "Cutting plan", _CUTTING, rows)


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
            "valves": "; ".join(step.valves),
            "firm_power_so_far_kw": step.firm_power / 1e3,
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
            "tag": setting.tag,
            **_for_people(setting, site.ambient.pressure),
        }
        for setting in set_points(site, plan, reserves)
    ]
    return table_of("set_points", "Set-points", _SETTINGS, rows)


_FOR_PEOPLE = {
    "kg/s": ("g/s", 1e-3),
    "kg": ("kg", 1.0),
    "W": ("kW", 1e3),
    "J": ("kWh", 3.6e6),
}
"""SI unit -> the one unit in which all settings of its kind are given, and its size."""


def _for_people(setting: Setting, ambient: float) -> dict[str, object]:
    """Columns with a setting in units of people; pressures as gauges on site show them."""
    if setting.unit == PRESSURE:
        shown, unit = format_gauge(setting.value, ambient).split()
        absolute = round(setting.value / 10.0) / 10.0
        return {"set_to": float(shown), "set_unit": unit, "set_absolute_mbar": absolute}
    unit, size = _FOR_PEOPLE.get(setting.unit, (setting.unit, 1.0))
    peak = setting.highest
    return {
        "set_to": _four(setting.value / size, up=setting.setting in _AT_LEAST),
        "set_unit": unit,
        "set_at_peak": None if peak is None else _four(peak / size),
    }


_AT_LEAST = ("keep at least", "keep, by sources", "buffer vessel holds", "drain a day, up to")
"""Settings of which less would be too little: rounded up, as what is built."""


def _four(value: float, *, up: bool = False) -> float:
    return float(f"{next_shown(value, 1, 4) if up else value:.4g}")
