"""True temperatures of a plan: mixing, losses along runs, coolers, and every limit checked."""

from allocator.heat.after import heat_of

__all__ = ["heat_of"]
