"""``allocator fit``: a logger's file as a duty cycle."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from allocator.cli.arguments import mass_rate, rows_option, seed
from allocator.cli.terminal import BAD_INPUT, fail, show, tell

if TYPE_CHECKING:
    from allocator.intake.fitting import CycleFit
    from allocator.intake.logs import Log
    from allocator.intake.source_block import Naming
    from allocator.intake.stage_fit import Estimate

HELP = "fit a duty cycle to a log of flow, marks on and off, or a list of events"


EXPECTED = 0.99
"""A forward test that keeps less is pointed out."""
FEW_ROWS = 2.5
"""Steps of rows; shorter bursts are pointed out."""
VARIES = 0.9
"""Share of the mean of a steady flow; lower readings are pointed out."""


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    command.add_argument(
        "log",
        metavar="LOG",
        help="CSV with heads: 'time [s],flow [g/s]', 'time,on', or 'start,duration [min]' with "
        "'wait [min]' beside or in place of start; times may be dates (ISO 8601)",
    )
    command.add_argument(
        "--seed", type=seed, default=0, metavar="N", help="seed of the bootstrap (0)"
    )
    command.add_argument(
        "--wait",
        choices=("end", "start"),
        default="",
        help="a listed wait lasts from the end of an event to the next start, or from its start",
    )
    rows_option(command)
    command.add_argument("--picture", metavar="FILE", help="picture to write, .svg or .png")
    command.add_argument("--record", metavar="FILE", help="CSV to write: the record as it is used")
    command.add_argument("--name", default="", help="of the source (the name of the file)")
    command.add_argument("--place", default="PLACE", help="of the source")
    command.add_argument("--fluid", default="FLUID", help="of the source")
    command.add_argument(
        "--flow",
        type=mass_rate,
        metavar="RATE",
        help="flow when on, for marks and lists without one",
    )
    command.add_argument(
        "--starts-at",
        metavar="TIME",
        default="",
        help="the site's starts_at, a date or a time as in the log: the clock becomes surveyed",
    )


def run(given: argparse.Namespace) -> int:
    """Read, fit, test forward, print what was found and a block for the site file."""
    from allocator.base.folders import check_file, write_file
    from allocator.intake.fitting import fit_cycle
    from allocator.intake.forward import check_block, forward_test
    from allocator.intake.logs import HELD, gap_notes, read_log
    from allocator.intake.record_store import record_text
    from allocator.intake.source_block import block_of

    for file, endings in ((given.picture, (".svg", ".png")), (given.record, (".csv",))):
        if file and Path(file).suffix.lower() not in endings:
            wanted = " or ".join(endings)
            return fail(f"allocator: {file}: name a file that ends in {wanted}", BAD_INPUT)
        if file:
            check_file(Path(file))
    log = read_log(Path(given.log), given.wait, given.rows)
    naming = _naming(given, log)
    fit = fit_cycle(log, given.seed)
    gaps = gap_notes(log, "nothing is assumed of the time within")
    for note in (*log.repairs, *fit.repairs, *gaps, *log.cautions):
        tell(f"note: {given.log}: {note}")
    lines = [*([HELD] if log.held else []), *_cycle(fit), *_rows_of_bursts(fit, log)]
    if fit.doubt:
        lines += _record(log)
    elif test := forward_test(log, given.seed) if fit.stages else None:
        lines.append(
            "Forward test: of a firm flow of 90 % of the least mean, fitted on the first 60 %, "
            f"the rest kept {100 * test.kept:.2f} %"
        )
        if test.kept < EXPECTED:
            lines.append(
                "  less than it should: later rows brought less than the first 60 % let expect; "
                "count on a lower flow, or delete older rows and fit again"
            )
    block = block_of(fit, log, naming)
    if fit.periodic:
        date = given.starts_at if log.began else ""
        flow = f"{fit.flow.value!r} kg/s"
        for fault in check_block(block.replace("flow: FLOW", f"flow: {flow}"), date).faults:
            tell(f"note: the block below is refused: {fault.problem}; {fault.remedy}")
    if given.record:
        write_file(Path(given.record), record_text(log).encode())
        tell(f"Record: {given.record}")
    if given.picture:
        _draw(given, fit, log, lines)
    return show("\n".join([*lines, "", block]))


def _naming(given: argparse.Namespace, log: Log) -> Naming:
    from allocator.base.dimensions import format_quantity
    from allocator.intake.source_block import Naming

    flow = "FLOW" if given.flow is None else format_quantity(given.flow, "mass_rate")
    record = given.record if given.record or not log.plain else given.log
    return Naming(
        given.name or Path(given.log).stem,
        given.place,
        given.fluid,
        flow,
        Path(record).name if record else "RECORD.csv",
        log.seconds_at(given.starts_at) if given.starts_at else None,
        given.starts_at,
    )


def _said(estimate: Estimate) -> str:
    from allocator.base.dimensions import format_quantity

    half = (estimate.high - estimate.low) / 2
    return (
        f"{format_quantity(estimate.value, 'duration')} "
        f"(95 % interval ± {format_quantity(half, 'duration')})"
    )


def _cycle(fit: CycleFit) -> list[str]:
    from allocator.base.dimensions import format_quantity as text

    if fit.doubt == "not periodic":
        return ["Not periodic: no duty cycle describes this record"]
    if fit.doubt:
        return [f"Too short: {fit.doubt}; watch {text(fit.watch, 'duration')} more"]
    if fit.steady:
        return ["Always on", *_flow(fit)]
    lines = []
    for number, stage in enumerate(fit.stages, 1):
        lines.append(f"Stage {number}: on {_said(stage.on)}")
        if stage.on_range:
            low, high = (text(value, "duration") for value in stage.on_range)
            lines.append(f"  differs from time to time, from {low} to {high}")
        lines.append(f"  every {_said(stage.every)}; {stage.periods:.0f} periods seen")
        if stage.every_range:
            low, high = (text(value, "duration") for value in stage.every_range)
            lines.append(f"  differs from time to time, from {low} to {high}")
        elif stage.jitter:
            lines.append(f"  starts up to {text(stage.jitter, 'duration')} early or late (jitter)")
        else:
            lines.append("  starts are regular, as far as the distance of rows shows")
        if stage.drift:
            lines.append(f"  drift: the period left its mean by {100 * stage.drift:.3g} %")
    outer = fit.stages[-1]
    if outer.periods < 10:
        lines.append(f"Few periods: {outer.periods:.0f} of the outermost stage; ten are advised")
    lines.append(f"Duty {100 * fit.duty:.1f} %; next start of the outermost stage "
                 f"{text(fit.phase.value, 'duration')} after the end of the record")  # fmt: skip
    return [*lines, *_flow(fit)]


def _rows_of_bursts(fit: CycleFit, log: Log) -> list[str]:
    """Where bursts are hardly longer than the rows are apart."""
    from allocator.base.dimensions import format_quantity

    if log.turns or not fit.stages or not fit.stages[0].on.value < FEW_ROWS * log.step:
        return []
    step = format_quantity(log.step, "duration")
    return [
        f"Bursts last one or two rows of {step}: shorter ones are not seen, so periods may be "
        "wrong too; log faster"
    ]


def _flow(fit: CycleFit) -> list[str]:
    """What a flow other than one level when on means for the block."""
    from allocator.base.dimensions import format_quantity

    def text(value: float) -> str:
        return format_quantity(value, "mass_rate")

    lines = []
    if fit.base:
        lines.append(
            f"Between bursts {text(fit.base.value)} go on: the block has a steady source of it "
            "besides, and the bursts above it"
        )
    if fit.missed:
        lines.append(
            f"Left out: flow between bursts, {text(fit.missed)} of the record's mean of "
            f"{text(fit.missed + fit.mean)}; to count on it, give the record as a series "
            "(--record writes it)"
        )
    if fit.falls:
        first, last = map(text, fit.falls)
        lines.append(
            f"The flow falls: {first} in the first third of the record, {last} in the last; the "
            "block has that of the last third. If it keeps falling, give a lower flow; to fit "
            "the last part alone, delete older rows"
        )
    low, high = fit.spread
    if fit.steady and low < VARIES * fit.flow.value:
        lines.append(
            f"The flow varies, from {text(low)} to {text(high)}: a steady source counts on its "
            f"mean at all times. Count on {text(low)}, or give the record as a series"
        )
    return lines


def _record(log: Log) -> list[str]:
    from allocator.base.rendering import text_of
    from allocator.intake.record_store import draws_of_record, store_table, with_end

    if log.marks:
        return ["Marks alone have no flow: give a column of flow for storage against firm flow"]
    log = with_end(log)
    return text_of(store_table(log, draws_of_record(log))).splitlines()


def _draw(given: argparse.Namespace, fit: CycleFit, log: Log, lines: list[str]) -> None:
    from allocator.base.folders import write_file
    from allocator.intake.found_cycle import views_of
    from allocator.report.page.drawing import site_png
    from allocator.report.page.record import RecordView, record_svg

    gaps = [(float(log.times[n]), float(log.times[n + 1])) for n in log.gaps.nonzero()[0]]
    views = [
        RecordView(one.title, one.begin, one.end, log.times, log.flows, gaps, one.on, one.cycle,
                   log.marks, log.turns)
        for one in views_of(fit, log)
    ]  # fmt: skip
    notes = [line for line in lines if not line.startswith(" ")][:5] if not fit.doubt else lines[:1]
    svg = record_svg(f"Record {Path(given.log).name}", notes, views)
    png = given.picture.lower().endswith(".png")
    write_file(Path(given.picture), site_png(svg) if png else svg.encode())
    tell(f"Picture: {given.picture}")
