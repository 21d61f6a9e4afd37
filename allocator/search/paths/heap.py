"""A binary heap of names by key in two arrays, for compiled searches of cheapest paths."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from allocator.search.paths.compiled import compiled_into

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@compiled_into
def push(keys: Floats, names: Ints, size: int, key: float, name: int) -> int:
    """Put a name on a heap of so many; how many there are then."""
    i = size
    while i > 0:
        above = (i - 1) // 2
        if keys[above] <= key:
            break
        keys[i] = keys[above]
        names[i] = names[above]
        i = above
    keys[i] = key
    names[i] = name
    return size + 1


@compiled_into
def drop_first(keys: Floats, names: Ints, size: int) -> int:
    """Take the name with the least key, the first one, off a heap; how many are left."""
    size -= 1
    key, name = keys[size], names[size]
    i = 0
    while True:
        below = 2 * i + 1
        if below >= size:
            break
        if below + 1 < size and keys[below + 1] < keys[below]:
            below += 1
        if keys[below] >= key:
            break
        keys[i] = keys[below]
        names[i] = names[below]
        i = below
    keys[i] = key
    names[i] = name
    return size
