"""One run of a circuit, from given phases: arrays in, a record out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from allocator.simulation.columns import (
    ASKED,
    ASKING_SECONDS,
    SHORT_SECONDS,
    UNSERVED,
    Array,
    Sums,
    empty_sums,
    tables_of,
)
from allocator.verify.tanks.circuit import Circuit


@dataclass(frozen=True, eq=False)
class Finished:
    """A finished run: ``sums`` by column, over ``seconds`` s; ``times`` of its samples."""

    circuit: Circuit
    phases: Mapping[str, float]
    seconds: float
    times: Array
    sums: Sums

    @property
    def means(self) -> dict[str, float]:
        """Mean value of every clock over the run."""
        return {
            clock.name: float(integral) / self.seconds
            for clock, integral in zip(self.circuit.clocks, self.sums.clock, strict=True)
        }


def run_circuit(
    circuit: Circuit,
    phases: Mapping[str, float],
    seconds: float,
    samples: int = 1,
    book: int = 0,
    kept: Array | None = None,
) -> Finished:
    """Run a circuit for ``seconds`` s.

    ``phases``: s into its period at which each clock starts (0 where not given). ``samples``:
    levels are recorded that many times, evenly, besides the start. ``book``: how many changes
    of clocks, and how many of tanks, are written down at most. ``kept``: reserves from the start
    and from each sample on, a row each, in place of those of the circuit.

    Raises:
        ValueError: no time to run, or no sample.
    """
    if not seconds > 0 or samples < 1:
        raise ValueError(f"nothing to run: {seconds!r} s, {samples!r} samples")
    import numpy as np

    from allocator.simulation import events
    from allocator.simulation.packed import packed_sums, packed_tables

    tables = tables_of(circuit, phases, kept)
    sums = empty_sums(circuit, samples, book)
    events.run(packed_tables(tables), packed_sums(sums), float(seconds), samples, events.FEW)
    times = np.append(seconds * (np.arange(samples) / samples), seconds)
    return Finished(circuit, dict(phases), float(seconds), times, sums)


def measures_of(run: Finished) -> tuple[float, float, float, float]:
    """s short of the promise, J not served of it, and the same two of all that is demanded."""
    whole = [float(value) for value in run.sums.whole]
    return whole[SHORT_SECONDS], whole[UNSERVED], whole[ASKING_SECONDS], whole[ASKED]
