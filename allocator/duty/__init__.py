"""Duty cycles, exactly: intervals, guaranteed and most on-time, firm draw and store size."""
