"""The optimisation model: index sets, variables, constraints, goals, cuts that are added late.

Knows what a plan may be and states it for any solver. Never solves anything, and knows no
strategy.
"""
