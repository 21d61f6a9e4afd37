"""Questions around a plan: sources, mixes, trades, sweeps, what a site can carry, why not more.

Knows every room but the commands, and plans by the engine. No room below knows a study.
"""
