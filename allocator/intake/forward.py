"""A cycle fitted on the first part of a record, promised, and tried on the rest of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from allocator.cycles import curve_of_timing, store_for_draw
from allocator.intake.fitting import CycleFit, fit_cycle
from allocator.intake.logs import Log
from allocator.intake.record_store import kept_share
from allocator.intake.source_block import Naming, block_of, small_site
from allocator.site.clocks import timings_of
from allocator.site.reading import Report, read_file

FITTED = 0.6
"""Share of a record on which a forward test fits."""
PROMISED = 0.9
"""Share of what is sure on the mean that a forward test promises."""


@dataclass(frozen=True, slots=True)
class ForwardTest:
    """A promise of a constant ``draw`` in kg/s out of a ``store`` in kg, by the fit of a part.

    ``kept``: share of it that the rest of the record gave.
    """

    fit: CycleFit
    draw: float
    store: float
    kept: float


def check_block(block: str, starts_at: str = "") -> Report:
    """The block in a small site file, read as any site file is."""
    content = small_site(block, starts_at).encode()
    return read_file("block.yaml", lambda site, values: None, content)


def forward_test(log: Log, seed: int = 0) -> ForwardTest | None:
    """Fit the first six tenths, promise 90 % of what is sure of it, and march the rest.

    What is sure is read from the block as a site file has it. Each turn may come early or late by
    the distance of rows, which is how well the record shows it.

    Returns
    -------
    ForwardTest or None
        None where the first part has no cycle, or the rest is too short.
    """
    cut = int(FITTED * len(log.times))
    fit = fit_cycle(log.part(0, cut), seed)
    if not fit.periodic or len(log.times) - cut < 10:
        return None
    naming = Naming("source", "place", "fluid", f"{fit.flow.value!r} kg/s")
    site = check_block(block_of(fit, log.part(0, cut), naming)).site
    if site is None:
        return None
    timing = timings_of(site)["source"].any_phase
    curve = curve_of_timing(replace(timing, jitter=timing.jitter + fit.row_distance))
    steady = fit.base.value - fit.base.half if fit.base else 0.0
    draw = PROMISED * (curve.duty * fit.flow.low + steady)
    store = store_for_draw([(curve, fit.flow.low)], draw - steady) if draw > steady else 0.0
    rest = log.part(cut, len(log.times))
    if not log.turns:  # turns are half way between rows, as the fit has them
        halves = np.append((rest.flows[:-1] + rest.flows[1:]) / 2, 0.0)
        rest = replace(rest, flows=halves)
    return ForwardTest(fit, draw, store, kept_share(rest, draw, store))
