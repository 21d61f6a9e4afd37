"""A firm plan through time: promises tested, means found, set-points to run by.

Knows the tanks of the audit and marches them exactly. Never knows the model or the search; a bound
on any control is stated here and solved by whoever is passed in.
"""

from allocator.simulation.files import write_simulation
from allocator.simulation.trace import Outages, SimulationSettings, Trace
from allocator.simulation.tracing import replay, simulate
from allocator.verify.tanks.present import SourceState

__all__ = [
    "Outages",
    "SimulationSettings",
    "SourceState",
    "Trace",
    "replay",
    "simulate",
    "write_simulation",
]
