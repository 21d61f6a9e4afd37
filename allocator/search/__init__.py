"""The strategy: candidates, bounds, neighbourhoods, goals in order; from a site to a plan.

Knows the model and the solvers, and alone decides what is tried next and for how long. Never knows
a report or a command.
"""

from allocator.search.outcome import Outcome, Progress
from allocator.search.planner import make_plan
from allocator.solver.settings import Settings

__all__ = ["Outcome", "Progress", "Settings", "make_plan"]
