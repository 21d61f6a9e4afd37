"""A store held at its reserve may be a hair below it: what comes next is decided all the same."""

from __future__ import annotations

import numpy as np
import pytest
from tiny_sites import tiny_site

import allocator as al
from allocator.simulation.running import run_circuit
from allocator.simulation.tracing import assemble
from allocator.verify.tanks.phases import admitted_phases

HELD = np.array(
    [[6899999.99309998], [6855550.8272395935], [4785548.759309602], [3661967.3187284996]]
)
"""Levels, J, that were held in a run; with the last one the surplus went on being burnt, to 0."""


@pytest.mark.parametrize("offset", [0.0, *np.linspace(-3e-9, 3e-9, 13).tolist()])
def test_looks_in_between_change_nothing(offset: float) -> None:
    site = tiny_site(11, battery=True, stores=True)
    assembly = assemble(site, al.plan(site, node_limit=200).plan)
    phases = admitted_phases(assembly.case, assembly.circuit, 7, 15)
    ends = []
    for looks in (1, 2, 3, 6, 12):
        held = np.repeat(HELD, looks, axis=0)
        held[3 * looks :] += offset
        run = run_circuit(assembly.circuit, phases, 43200.0, 4 * looks, 0, held)
        ends.append(float(run.sums.sample_level[-1, 0]))
    assert ends == pytest.approx([ends[-1]] * len(ends), rel=1e-9)
    assert min(ends) > 3e6
