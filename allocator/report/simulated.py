"""A simulation on a terminal: promise, what was simulated, and what no control could pass."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from allocator.base.dimensions import absolute_apart, format_absolute
from allocator.base.labels import head
from allocator.base.text import paragraph, section, table, width
from allocator.plans.records import Plan
from allocator.report.words import at, count, grams_a_kwh, percent, quantity, rule_words
from allocator.simulation.adequacy_records import CAUSES

if TYPE_CHECKING:
    from allocator.simulation.adequacy_records import YearlyEstimate
    from allocator.simulation.trace import Bounds, Draw, SetPoint, TankTrace, Trace

Row = tuple[str, ...]
MOST_BROKEN = 5
MOST_ENDS = 8
ALWAYS = "at all times: in the plan"
NOTHING = 1e-4
"""A share that is not worth telling."""
ROUNDED = 1e-9
"""What a store lacks below this share of what it gives is the rounding of a long sum."""
TRACE = 1e-7
"""kg/s that are shown as none."""
UNITS = {"kg": "mass", "J": "energy"}


def simulation_text(plan: Plan, trace: Trace) -> str:
    """A trace for a person to act on: plain text, at most 100 columns."""
    verdict = "KEPT" if trace.kept else "NOT KEPT"
    title = f"{trace.site_name}: a plan simulated"
    lines = [f"{title}{verdict:>{max(1, width() - len(title))}}", "-" * width()]
    lines += paragraph(verdict_words(trace), indent=0)
    lines += section("Power", power_rows(plan, trace))
    lines += section("Draws", _draws(trace))
    lines += section("Mean of the random draws", _means(plan, trace))
    lines += section("Adequacy: short a year, where machines fail", _adequacy(trace))
    lines += section("Stores, lowest and highest in all draws", _tanks(trace))
    lines += section("Set-points: surplus use permitted only above", _set_points(trace))
    lines += section("What the firm output needs in each store, by its sources", _rules(trace))
    lines += section("Units run on and off, by what the batteries hold for them", _cycles(trace))
    lines += section("Chambers at sources, down to the pressure to hold", _chambers(trace))
    lines += section("Pressures along lines, in the worst state met", _pressures(trace))
    lines += section("From empty stores, sources as surveyed", _start(trace))
    lines += section("Draws in which the firm output was not kept", _broken(trace))
    return "\n".join(lines) + "\n"


def verdict_words(trace: Trace) -> str:
    """In a sentence or two: whether the firm output was kept, and what better control could add."""
    number = len(trace.promises)
    promised = quantity(trace.promised_firm_w, "power")
    from_phases = f"{number} draw{'' if number == 1 else 's'} of phases"
    if trace.kept:
        said = f"Firm power of {promised} was kept in {from_phases}."
    elif not trace.broken:
        said = f"Firm power of {promised} was NOT kept: {_short_of_pressure(trace)}."
    else:
        worst = quantity(trace.worst_firm_w, "power")
        said = (
            f"Firm power of {promised} was NOT KEPT in {len(trace.broken)} of {from_phases}: "
            f"{head('worst_power')} {worst}."
        )
        if trace.settings.failing is not None:
            run = sum(draw.seconds for draw in trace.promises)
            there = 1.0 - sum(draw.short_s for draw in trace.promises) / run
            beyond = "which firm output does not cover"
            if any(draw.turns for draw in trace.draws):
                beyond = "at times more of them than firm output covers"
            said += (
                f" Machines failed in it, {beyond}: it was kept for {percent(there)} of the time."
            )
        if trace.short_of_pressure:
            said += f" And {_short_of_pressure(trace)}."
    if trace.foresight is not None and trace.foresight.refuted:
        said += (
            " A limit under any control was computed below the firm power that was kept: it is "
            "wrong, and left out. Please report it."
        )
    added = better_control(trace)
    if added is not None and added < NOTHING:
        said += " No control of this plan could give more firm power."
    elif added is not None:
        power = "clean power" if trace.promised_clean_w > 0 else "power"
        said += f" Better control could add at most {percent(added)} to the firm {power}."
    return said


def _short_of_pressure(trace: Trace) -> str:
    """The end that lacks most pressure, in words."""
    short = trace.short_of_pressure
    worst = min(short, key=lambda end: end.margin)
    needs, lowest = absolute_apart(worst.needs, worst.lowest)
    said = f"{worst.kind} {at(worst.name)} needs {needs} of {worst.fluid} and has {lowest}"
    others = len(short) - 1
    if others:
        said += (
            f", and {count(others)} other end{'' if others == 1 else 's'} of lines lack pressure"
        )
    return said


def better_control(trace: Trace) -> float | None:
    """By which share better control could raise the firm power, at most."""
    bounds, promised = trace.foresight, trace.promised_clean_w
    if bounds is None:
        return None
    least = [bounds.firm_clean, trace.ceiling_clean_w]
    if promised <= 0:
        promised, least = trace.promised_firm_w, [bounds.firm_total, trace.ceiling_w]
    known = [value for value in least if value is not None]
    return max(0.0, min(known) / promised - 1.0) if known and promised > 0 else None


def power_row(demand: float, name: str, clean: float | None, total: float | None) -> Row:
    """A row of a table of powers: clean and all, W, and what share of a demand (W) is served."""
    shown = ["-" if value is None else quantity(value, "power") for value in (clean, total)]
    return (name, *shown, "-" if total is None else percent(total / demand))


def power_rows(plan: Plan, trace: Trace) -> list[str]:
    """Promise <= worst simulated <= what any control could promise <= ceiling; then the means."""
    demand = plan.power.demand_mean
    if demand <= 0:
        return []

    row = partial(power_row, demand)
    bounds = trace.foresight
    rows = [
        row(ALWAYS, trace.promised_clean_w, trace.promised_firm_w),
        row("  simulated, lowest at any time", None, trace.worst_firm_w),
    ]
    if bounds is not None:
        rows.append(row("  these assets, any control", *_at_most(trace, bounds)))
    if trace.ceiling_w is not None or trace.ceiling_clean_w is not None:
        rows.append(row("  limit under any control", trace.ceiling_clean_w, trace.ceiling_w))
    rows.append(row("on average: in the plan", plan.power.mean_clean, plan.power.mean_total))
    rows.append(row("  simulated", trace.mean("mean_clean_w"), trace.mean("mean_total_w")))
    if bounds is not None and bounds.seconds > 0:
        span = quantity(bounds.seconds, "duration")
        rows.append(row(f"  first {span}, simulated", bounds.beside_clean, bounds.beside_total))
        rows.append(row(f"  first {span}, any control", bounds.mean_clean, bounds.mean_total))
    shown = table(("power", "clean", "all power", "of demand"), rows, right=(1, 2, 3))
    if trace.no_safe_start:
        names = ", ".join(at(name) for name in trace.no_safe_start)
        shown += paragraph(
            f"Idle units of {names} burn none of what would spill: no store holds enough above its "
            "reserve for a whole run."
        )
    return shown


def _at_most(trace: Trace, bounds: Bounds) -> tuple[float | None, float | None]:
    found = []
    for bound, ceiling in (
        (bounds.firm_clean, trace.ceiling_clean_w),
        (bounds.firm_total, trace.ceiling_w),
    ):
        known = [value for value in (bound, ceiling) if value is not None]
        found.append(min(known) if bound is not None else None)
    return found[0], found[1]


def _draws(trace: Trace) -> list[str]:
    random = [draw for draw in trace.draws if draw.name.startswith("random")]
    rows = []
    if random:
        rows.append(_draw_row("random", random))
    rows += [
        _draw_row(_hardest(draw.name), [draw])
        for draw in trace.draws
        if not draw.name.startswith("random")
    ]
    heads = ("phases", "each run", head("promise_kept"), "longest shortfall")
    return table(heads, rows, right=(1, 2, 3))


def _hardest(name: str) -> str:
    """A draw that is set against a store, in words."""
    store = name.removeprefix("against ")
    return f"hardest for {at(store)}" if store != name else name


def _draw_row(name: str, draws: list[Draw]) -> Row:
    kept = f"{sum(draw.kept for draw in draws)} of {len(draws)}"
    return (
        name,
        quantity(max(draw.seconds for draw in draws), "duration"),
        kept if draws[0].name != "from now" else "not firm yet",
        hours(max(draw.short_s for draw in draws)),
    )


def hours(seconds: float) -> str:
    """Seconds as ``12.5 h``; a nought without its dot."""
    return "0 h" if seconds == 0 else f"{seconds / 3600:.3g} h"


def _means(plan: Plan, trace: Trace) -> list[str]:
    shown = [d for d in trace.draws if d.name.startswith("random")] or list(trace.draws)
    seconds = sum(draw.seconds for draw in shown) / len(shown)
    emitted, served = trace.mean("emissions_kg") / seconds, trace.mean("mean_total_w")
    rows = [(head("counted"), quantity(emitted, "emission_rate"))]
    if plan.emissions.vented:
        stated = quantity(plan.emissions.counted, "emission_rate")
        rows.append(("emissions stated by the plan", stated))
    if emitted > 0 and served > 0:
        rows.append(("counted emission a kWh served", grams_a_kwh(emitted / served)))
    rows.append(("clean share of power", percent(trace.mean("clean_share"))))
    rows.append(
        ("short of the firm output", f"{percent(trace.mean('short_s') / seconds)} of the time")
    )
    if plan.power.demand_mean > 0:
        rows.append(("demand not served", percent(unserved_share(plan, trace))))
    kinds = (("vented", "vented_kg"), ("not used", "spilt_kg"), ("bought", "bought_kg"))
    for name, key in kinds:
        for fluid in getattr(shown[0], key):
            mean = sum(getattr(draw, key)[fluid] for draw in shown) / len(shown) / seconds
            if mean > TRACE:
                rows.append((f"{fluid} {name}", quantity(mean, "mass_rate")))
    if trace.mean("spilt_j") / seconds >= 1.0:
        rows.append(("power not used", quantity(trace.mean("spilt_j") / seconds, "power")))
    for machine, starts in shown[0].starts.items():
        if starts is not None:
            a_day = starts / shown[0].seconds * 86400
            rows.append((f"starts of {at(machine)}", f"{a_day:.3g} a day"))
    return table(("", ""), rows, right=(1,))[1:]


def _adequacy(trace: Trace) -> list[str]:
    found = trace.adequacy
    if found is None:
        return []

    def row(name: str, estimate: YearlyEstimate, unit: str, one: float) -> Row:
        parts = [_figure(estimate.by_cause[cause] / one) for cause in CAUSES]
        mean, half = estimate.mean / one, estimate.half_width / one
        half = half if half > NOTHING * mean else 0.0
        return (name, f"{_figure(mean)} {unit}", f"+-{_figure(half)}", *parts)

    rows = [
        row("firm output: hours short", found.promise_short_s, "h", 3600.0),
        row("firm output: not served", found.promise_unserved_j, "kWh", 3.6e6),
        row("demand: hours short", found.demand_short_s, "h", 3600.0),
        row("demand: not served", found.demand_unserved_j, "kWh", 3.6e6),
    ]
    heads = ("", "a year", "95 %", *(f"by {cause}" for cause in CAUSES))
    told = f"Mean of {count(found.years)} years; the interval is that of the mean."
    return [*table(heads, rows, right=(1, 2, 3, 4, 5)), *paragraph(told)]


def _figure(value: float) -> str:
    """Three figures, without an exponent."""
    if value >= 1000.0:
        return count(round(value))
    return f"{value:.3g}" if value >= 1e-3 else "0"


def unserved_share(plan: Plan, trace: Trace) -> float:
    """Share of the energy demanded that was not served, promised or not, mean of random draws."""
    short = max(0.0, 1.0 - trace.mean("mean_total_w") / plan.power.demand_mean)
    return short if short > NOTHING else 0.0


def _tanks(trace: Trace) -> list[str]:
    rows = []
    for k, first in enumerate(trace.draws[0].tanks):
        every = [draw.tanks[k] for draw in trace.promises]
        rows.append(
            (
                at(first.name),
                quantity(first.size, UNITS[first.unit]),
                _share(min(tank.lowest for tank in every), first),
                _share(max(tank.highest for tank in every), first),
            )
        )
    return (
        table(("store", "size", "lowest level", "highest level"), rows, right=(1, 2, 3))
        if rows
        else []
    )


def _share(level: float, tank: TankTrace | SetPoint) -> str:
    share = max(0.0, level) / tank.size if tank.size > 0 else 0.0
    return percent(share if share > NOTHING else 0.0)


def _set_points(trace: Trace) -> list[str]:
    rows = []
    for point in trace.set_points:
        note = "TOO LOW: firm output would not be kept" if point.tank in trace.unsafe else ""
        kept = quantity(point.reserve, UNITS[point.unit])
        rows.append((at(point.tank), kept, _share(point.reserve, point), note))
    heads = ("store", "level", "of its size", "note" if trace.unsafe else "")
    return table(heads, rows, right=(1, 2)) if rows else []


def _rules(trace: Trace) -> list[str]:
    rows = [
        (
            at(rule.store),
            quantity(rule.keep, UNITS[rule.unit]),
            quantity(rule.burn_above, UNITS[rule.unit]),
            rule_words(rule),
        )
        for rule in trace.rules
    ]
    if not rows or trace.full_total_w is None:
        return []
    more = trace.mean("mean_total_w") - trace.full_total_w
    said = (
        f"Kept by these rules, the random draws served {quantity(more, 'power')} more on average "
        f"than with full stores ({quantity(trace.full_total_w, 'power')})."
    )
    heads = ("", "needs", "surplus only above", "when")
    return [*paragraph(said), *table(heads, rows, right=(1, 2))]


def _cycles(trace: Trace) -> list[str]:
    rows = []
    for point in trace.cycle_points:
        starts = "-" if point.starts_a_day is None else f"{point.starts_a_day:.3g} a day"
        rows.append(
            (
                at(point.group),
                quantity(point.start, "energy"),
                quantity(point.stop, "energy"),
                starts,
            )
        )
    return table(("units", "start at", "stop at", "starts"), rows, right=(1, 2, 3)) if rows else []


def _chambers(trace: Trace) -> list[str]:
    rows = [
        (
            chamber.source,
            format_absolute(chamber.hold),
            quantity(chamber.held, "mass"),
            quantity(chamber.lasts, "duration"),
            percent(chamber.on),
            percent(chamber.drawn),
        )
        for chamber in trace.chambers
    ]
    heads = ("source", "hold", "gives", "lasts", "source on", "drawn on")
    return table(heads, rows, right=(1, 2, 3, 4, 5)) if rows else []


def _pressures(trace: Trace) -> list[str]:
    """The ends with the least margins, and how many states were checked."""
    found = trace.pressures
    if found is None:
        return []
    ends = sorted(found.ends, key=lambda end: end.margin)
    rows = [
        (
            f"{end.kind} {at(end.name)}",
            end.fluid,
            quantity(end.needs, "pressure"),
            quantity(end.lowest, "pressure"),
            quantity(end.margin, "pressure"),
            str(len(end.on)),
            "TOO LOW" if end in found.short else "",
        )
        for end in ends[:MOST_ENDS]
    ]
    heads = ("", "fluid", "needed", "lowest", "margin", "sources on", "")
    shown = table(heads, rows, right=(2, 3, 4, 5))
    states = f"{count(found.checked)} of {count(found.states)} different states"
    return shown + paragraph(
        f"Absolute pressures, from {states}: those with the greatest flows were checked."
    )


def _start(trace: Trace) -> list[str]:
    start = trace.start
    if start is None:
        return []
    reached = (
        "not within the run"
        if start.firm_from_s is None
        else f"after {quantity(start.firm_from_s, 'duration')}"
    )
    units = {tank.name: tank.unit for tank in trace.draws[0].tanks}
    rows = [
        ("firm supply for good", reached),
        ("short until then", quantity(start.unserved_j, "energy")),
    ]
    rows += [
        (f"bridged by {at(tank)} holding at first", quantity(held, UNITS[units[tank]]))
        for tank, held in start.bridge.items()
    ]
    rows += [
        (f"or by {fluid} bought besides", quantity(mass, "mass"))
        for fluid, mass in start.fuel_kg.items()
    ]
    return table(("", ""), rows, right=(1,))[1:]


def _ran_dry(tank: TankTrace) -> bool:
    return tank.short > ROUNDED * max(tank.drawn, tank.size)


def _broken(trace: Trace) -> list[str]:
    rows = [
        (
            draw.name,
            hours(draw.short_s),
            quantity(draw.unserved_j, "energy"),
            ", ".join(at(tank.name) for tank in draw.tanks if _ran_dry(tank)) or "machines out",
        )
        for draw in trace.broken[:MOST_BROKEN]
    ]
    if not rows:
        return []
    found = table(("draw", "short", "not served", "run dry"), rows, right=(1, 2))
    more = len(trace.broken) - MOST_BROKEN
    return [*found, f"  and {count(more)} more"] if more > 0 else found
