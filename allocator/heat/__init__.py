"""True temperatures of a plan: mixing, losses along runs, coolers, and every limit checked."""

from allocator.heat.after import heat_of
from allocator.heat.profiles import Profile, profiles_of

__all__ = ["Profile", "heat_of", "profiles_of"]
