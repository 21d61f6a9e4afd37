"""The solvers: HiGHS driven directly, others and the files of models through PuLP.

Knows how to solve what it is handed, and when a bound is safe. Never knows a strategy or a plan.
"""
