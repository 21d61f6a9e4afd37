"""Exact simulation of a firm plan: promises tested, means found, set-points to run by."""

from allocator.proof.simulation.files import write_simulation
from allocator.proof.simulation.simulate import replay, simulate
from allocator.proof.simulation.trace import Outages, SimulationSettings, Trace

__all__ = [
    "Outages",
    "SimulationSettings",
    "Trace",
    "replay",
    "simulate",
    "write_simulation",
]
