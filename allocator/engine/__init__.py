"""The rooms put together: read a site, plan it, audit and simulate the plan, write its files.

Knows the rooms below it by their one function each. Never knows how a plan is found or checked.
"""

from allocator.engine.plan_folder import (
    plan_digest,
    plan_files,
    plan_folder_files,
    write_plan_files,
)
from allocator.engine.planning import NoPlanError, plan, plan_site
from allocator.engine.result import PlanResult
from allocator.engine.simulating import prove_plan, simulate_plan

__all__ = [
    "NoPlanError",
    "PlanResult",
    "plan",
    "plan_digest",
    "plan_files",
    "plan_folder_files",
    "plan_site",
    "prove_plan",
    "simulate_plan",
    "write_plan_files",
]
