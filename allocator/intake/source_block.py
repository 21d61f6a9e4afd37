"""What a log shows, as the ``sources:`` block of a site file: all that the promise uses."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from allocator.base.dimensions import format_quantity
from allocator.intake.fitting import CycleFit
from allocator.intake.flow_levels import Level
from allocator.intake.logs import Log
from allocator.intake.stage_fit import Estimate, FittedStage, Range
from allocator.site.writing import value_text

UNITS = {"a": 31557600.0, "d": 86400.0, "h": 3600.0, "min": 60.0, "s": 1.0}
FINE = 20.0
"""A value is written to this part of its interval, or finer."""


@dataclass(frozen=True, slots=True)
class Naming:
    """What only the user knows. ``starts_at``: time of the site, s from the first row of the log,

    and as it was given. ``record``: the file of the record from the folder of the site file.
    """

    name: str
    place: str = "PLACE"
    fluid: str = "FLUID"
    flow: str = "FLOW"
    record: str = "RECORD.csv"
    starts_at: float | None = None
    given: str = ""


def block_of(fit: CycleFit, log: Log, naming: Naming) -> str:
    """The lines of a source; a record that is not periodic is pointed to as its ``series``.

    Placeholders in capitals stand for what the user must fill in.
    """
    lines = ["sources:", f"  {value_text(naming.name)}:"]
    lines += _where(naming)
    if fit.doubt:
        return "\n".join([*lines, *_series(log, naming)]) + "\n"
    lines.append(_flow(fit, log, naming))
    if fit.stages:
        lines += [*_cycle(fit), *_clock(fit, log, naming)]
    if fit.base:
        lines += _steady(fit.base, naming)
    return "\n".join(lines) + "\n"


def _flow(fit: CycleFit, log: Log, naming: Naming) -> str:
    if log.marks:
        why = "the record has none"
        return f"    flow: {naming.flow}  # {'fill in: ' * (naming.flow == 'FLOW')}{why}"
    low, high = (format_quantity(value, "mass_rate") for value in fit.spread)
    digits = _digits(1000 * fit.flow.value, 1000 * (fit.flow.high - fit.flow.low) / 2)
    when = ", in the last third of the record" if fit.falls else ""
    above = f", above the steady flow of {naming.name}_steady" if fit.base else ""
    told = f"mean flow when on{when}{above}; 95 % of readings from {low} to {high}"
    return f"    flow: {digits} g/s  # {told}"


def _where(naming: Naming) -> list[str]:
    pairs = (("place", naming.place), ("fluid", naming.fluid))
    return [f"    {key}: {text}{'  # fill in' if text.isupper() else ''}" for key, text in pairs]


def _steady(base: Level, naming: Naming) -> list[str]:
    """A source of the flow that goes on between bursts."""
    low, high = (format_quantity(value, "mass_rate") for value in base.spread)
    when = ", in the last third of the record, for it falls" if base.falls else ""
    told = f"flow between bursts{when}; 95 % of readings from {low} to {high}"
    head = f"  {value_text(f'{naming.name}_steady')}:  # leave it out if it is the meter's zero"
    digits = _digits(1000 * base.value, 1000 * base.half)
    return [head, *_where(naming), f"    flow: {digits} g/s  # {told}"]


def _series(log: Log, naming: Naming) -> list[str]:
    if log.marks:
        return ["    series: {csv: FLOWS.csv}  # fill in: this record has no flow"]
    told = "from the folder of the site file"
    if naming.record == "RECORD.csv":
        told = "fill in: --record writes it, repaired, as a site file takes it"
    return [f"    series: {{csv: {value_text(naming.record)}}}  # {told}"]


def _cycle(fit: CycleFit) -> list[str]:
    lines = ["    cycle:"]
    inner = 0.0
    for number, stage in enumerate(fit.stages, 1):
        on = _duration(stage.on, stage.on_range, inner, _least_every(stage))
        every = _duration(stage.every, stage.every_range, stage.on.value, math.inf)
        told = f"on ± {_half(stage.on)}, every ± {_half(stage.every)} (95 %)"
        lines.append(f"      # stage {number}: {told}; {stage.periods:.0f} periods seen")
        lines += (
            [f"      - on: {on}", f"        every: {every}"]
            if "{" in on + every
            else [f"      - {{on: {on}, every: {every}}}"]
        )
        inner = stage.every.value
    jitter = sum(stage.jitter for stage in fit.stages)
    if jitter > 0:
        told = "most that a burst was early or late"
        if sum(stage.jitter > 0 for stage in fit.stages) > 1:
            told += ", of all stages together"
        lines.append(f"    jitter: {_ceiling(jitter)}  # {told}")
    drift = max(stage.drift for stage in fit.stages)
    if drift > 0:
        share = math.ceil(drift * 1e5) / 1e3
        lines.append(
            f"    drift: {share:g} %  # of the period, within the record; more if it goes on"
        )
    return lines


def _least_every(stage: FittedStage) -> float:
    return stage.every_range[0] if stage.every_range else stage.every.value


def _duration(estimate: Estimate, span: Range | None, least: float, most: float) -> str:
    value = min(estimate.value, most)
    if span is None:
        half = (estimate.high - estimate.low) / 2
        text = _time(value, half)
        return text if least <= _seconds(text) <= most else _time(value, 0.0)
    low, high = span
    middle = min(max(value, low), high)
    unit, size = _unit(value)
    # outwards, so that the range holds all that was seen
    step = 10.0 ** math.floor(math.log10(max(high - low, 1e-6 * high) / size / FINE))
    below = math.floor(low / size / step + 1e-9) * step
    above = math.ceil(high / size / step - 1e-9) * step
    digits = max(0, -round(math.log10(step)))
    texts = (f"{one:.{digits}f} {unit}" for one in (below, middle / size, above))
    return "{{varies: true, low: {}, likely: {}, high: {}}}".format(*texts)


def _clock(fit: CycleFit, log: Log, naming: Naming) -> list[str]:
    """The phase; it is relied upon only where the user says when the site starts."""
    end = float(log.times[-1])
    outer = fit.stages[-1]
    if any(stage.every_range or stage.on_range for stage in fit.stages) or outer.drift > 0:
        why = "the clock counts as free: " + (
            "it drifts" if outer.drift > 0 else "durations differ from time to time"
        )
        return [f"    clock: free  # {why}"]
    period = outer.every
    half = max((fit.phase.high - fit.phase.low) / 2, 0.0)
    if naming.starts_at is None:
        when = f"{format_quantity(fit.phase.value, 'duration')} after the end of the record"
        lines = [f"    clock: free  # next start {when}"]
        if log.began:
            lines.append(f"    # which is {_date(log.began, end)}")
        return [*lines, "    # --starts-at, the time of the site, makes it surveyed"]
    turns = math.ceil((naming.starts_at - end - fit.phase.value) / period.value - 1e-9)
    next_start = end + fit.phase.value + turns * period.value - naming.starts_at
    half += abs(turns) * (period.high - period.low) / 2
    if 2 * half >= period.value:
        return ["    clock: free  # too long after the record for its phase to be known"]
    half = max(half, fit.row_distance / 2)
    told = f"counts from starts_at: {naming.given}" if naming.given else "counts from starts_at"
    return [
        f"    next_start: {_time(next_start, half)}  # {told}",
        "    clock: surveyed",
        f"    error: {_ceiling(half)}  # 95 % interval, or half the distance of rows",
    ]


def _date(began: str, seconds: float) -> str:
    return (datetime.fromisoformat(began) + timedelta(seconds=seconds)).isoformat(
        timespec="seconds"
    )


def _half(estimate: Estimate) -> str:
    return format_quantity((estimate.high - estimate.low) / 2, "duration")


def _unit(value: float) -> tuple[str, float]:
    """Seconds up to two hours, then what suits a person."""
    if value < 7200.0:
        return "s", 1.0
    return ("h", 3600.0) if value < 4 * 86400.0 else ("d", 86400.0)


def _time(value: float, half: float) -> str:
    """A duration, rounded to a twentieth of its interval, or finer."""
    unit, size = _unit(value)
    return f"{_digits(value / size, half / size)} {unit}"


def _seconds(text: str) -> float:
    number, unit = text.split()
    return float(number) * UNITS[unit]


def _digits(value: float, half: float) -> str:
    """Digits to a twentieth of an interval, nine at most."""
    if not value:
        return "0"
    least = 10.0 ** (math.floor(math.log10(abs(value))) - 8)
    step = 10.0 ** math.floor(math.log10(max(half / FINE, least)))
    return _plain(round(value / step) * step, step)


def _ceiling(value: float) -> str:
    """A duration rounded up to three figures."""
    unit, size = _unit(value)
    value = max(value / size, 1e-6)
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    return f"{_plain(math.ceil(value / step - 1e-9) * step, step)} {unit}"


def _plain(value: float, step: float) -> str:
    """With the decimals of a step, without zeros at the end."""
    text = f"{value:.{max(0, -round(math.log10(step)))}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def small_site(block: str, starts_at: str = "") -> str:
    """A site around a block, with a place and a fluid of the names that it has."""
    found: Mapping[str, str] = dict(
        line.strip().split("  #")[0].split(": ", 1)
        for line in block.splitlines()
        if line.strip().startswith(("place: ", "fluid: "))
    )
    head = ["format: allocator.site/2", "name: record"]
    head += [f"starts_at: {starts_at}"] if starts_at else []
    head.append(f"fluids: {{{found['fluid']}: {{heating_value: 50 MJ/kg}}}}")
    head.append(f"places: {{{found['place']}: {{}}}}")
    return "\n".join([*head, block, _USE.format(**found)])


_USE = """machines:
  engine: {{inputs: {{{fluid}: 1 g/s}}, outputs: {{power: 1 kW}}, places: [{place}]}}
demands: {{town: {{power: 1 W}}}}
"""
