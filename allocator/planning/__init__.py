"""The program: layers, rules, goals, store cuts and the solver behind them."""

from allocator.planning.planner import make_plan
from allocator.planning.settings import Outcome, Progress, Settings

__all__ = ["Outcome", "Progress", "Settings", "make_plan"]
