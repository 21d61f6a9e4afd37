"""True temperatures of a plan: mixing, losses along runs, coolers, and every limit checked.

Knows a network and a finished plan. Never knows how the plan was found; the audit has code of its
own for the same.
"""

from allocator.thermal.after import heat_of
from allocator.thermal.profiles import TemperatureProfile, profiles_of

__all__ = ["TemperatureProfile", "heat_of", "profiles_of"]
