"""``allocator fit``: a logger's file as a duty cycle."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from allocator.cli.arguments import seed
from allocator.cli.terminal import show, tell

if TYPE_CHECKING:
    from allocator.intake.fitting import CycleFit, Estimate
    from allocator.intake.logs import Log

HELP = "fit a duty cycle to a log of flow, or of marks on and off"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    command.add_argument(
        "log", metavar="LOG", help="CSV with the columns time [s] and flow [g/s], or time and on"
    )
    command.add_argument(
        "--seed", type=seed, default=0, metavar="N", help="seed of the bootstrap (0)"
    )


def run(given: argparse.Namespace) -> int:
    """Read, fit, test forward, print what was found and a block for the site file."""
    from allocator.intake.fitting import fit_cycle
    from allocator.intake.logs import read_log
    from allocator.intake.record_store import forward_test

    log = read_log(Path(given.log))
    for repair in log.repairs:
        tell(f"note: {given.log}: {repair}")
    if gaps := int(log.gaps.sum()):
        tell(f"note: {given.log}: {gaps:,} gaps, of which nothing is assumed")
    fit = fit_cycle(log, given.seed)
    lines = _cycle(fit)
    if fit.doubt:
        return show("\n".join([*lines, *_record(log)]) + "\n")
    if fit.stages:
        _, kept = forward_test(log, given.seed)
        if kept is not None:
            lines.append(
                "Forward test: fitted on the first 60 %, with 90 % of the mean as firm flow: the "
                f"rest kept {100 * kept:.2f} %"
            )
    return show("\n".join([*lines, "", *_block(fit, Path(given.log).stem, log)]) + "\n")


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
        return ["Always on"]
    lines = []
    for number, stage in enumerate(fit.stages, 1):
        lines += [
            f"Stage {number}: on {_said(stage.on)}",
            f"  every {_said(stage.every)}; {stage.periods:.0f} periods seen",
            f"  jitter of starts {text(stage.jitter, 'duration')}; drift "
            f"{text(stage.drift, 'duration')} a period",
        ]
    lines.append(f"Duty {100 * fit.duty:.1f} %; next start of the outermost stage "
                 f"{text(fit.phase, 'duration')} after the end of the record")  # fmt: skip
    return lines


def _record(log: Log) -> list[str]:
    from allocator.base.rendering import text_of
    from allocator.intake.record_store import draws_of_record, store_table

    if log.marks:
        return ["Marks alone have no flow: give a column of flow for storage against firm flow"]
    return text_of(store_table(log, draws_of_record(log))).splitlines()


def _block(fit: CycleFit, name: str, log: Log) -> list[str]:
    from allocator.base.dimensions import format_quantity as text
    from allocator.site.writing import value_text

    lines = ["sources:", f"  {value_text(name)}:", "    place: PLACE  # fill in"]
    lines.append("    fluid: FLUID  # fill in")
    if log.marks:
        lines.append("    flow: FLOW  # fill in: marks have none")
    else:
        low, high = (text(value, "mass_rate") for value in fit.spread)
        flow = f"{1000 * fit.flow.value:.5g} g/s"
        lines.append(f"    flow: {flow}  # 95 % of readings from {low} to {high}")
    if fit.stages:
        lines.append("    cycle:")
        for stage in fit.stages:
            on, every = f"{stage.on.value:.6g} s", f"{stage.every.value:.6g} s"
            lines.append(f"      - {{on: {on}, every: {every}}}")
        lines.append(f"    next_start: {fit.phase:.6g} s  # from the end of the record")
    return lines
