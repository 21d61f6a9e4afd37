"""How little a store that exists may be made larger: nobody orders a gram more of it."""

from __future__ import annotations

from allocator.model.index_sets import StoreSite

GROWTH = 1e-3
"""Share of its size by which a store that exists is made larger, if at all."""


def least_growth(store: StoreSite) -> float:
    """Least new size of a store that exists, kg or J; 0: there is no least."""
    return GROWTH * store.existing if store.type.unit is None else 0.0
