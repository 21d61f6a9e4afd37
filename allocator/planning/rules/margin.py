"""The margin that keeps a plan on the safe side of the solver's tolerances."""

from __future__ import annotations

MARGIN = 1e-7
"""Right sides with continuous variables are tightened by this share, so that the audit can hold
limits, capacities and cuts with no tolerance at all."""

TIGHT = 1.0 - MARGIN
