"""Fluids, pipe capacity, heat loss, temperature along a run, exchangers, heat sinks, recovery.

Pure functions on floats and arrays in SI units, which broadcast. Knows no site. Property data come
from CoolProp, imported when the first substance is looked up.
"""
