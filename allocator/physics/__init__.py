"""Fluids, pipe capacity, heat loss, temperature along a run, exchangers, baths, recovery.

Pure functions on floats and arrays in SI units, which broadcast; nothing here knows a site.
Property data come from CoolProp, imported when the first substance is looked up.
"""
