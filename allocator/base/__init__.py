"""What every room may use: units at the edge, faults, files written whole, text, processes, time.

Knows nothing of sites, plans or models.
"""
