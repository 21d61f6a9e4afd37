"""The next of many events: a heap of items by key, and a look through all where they are few."""

from __future__ import annotations

from allocator.base.compiling import compiled
from allocator.simulation.columns import Array, Whole


@compiled
def _before(key: Array, a: int, b: int) -> bool:
    return bool(key[a] < key[b] or (key[a] == key[b] and a < b))


@compiled
def move(heap: Whole, place: Whole, key: Array, item: int) -> None:
    """Put an item whose key has changed where it belongs."""
    count = len(heap)
    i = place[item]
    while i > 0:
        above = (i - 1) >> 1
        if not _before(key, item, heap[above]):
            break
        heap[i] = heap[above]
        place[heap[i]] = i
        i = above
    while True:
        below = 2 * i + 1
        if below >= count:
            break
        if below + 1 < count and _before(key, heap[below + 1], heap[below]):
            below += 1
        if not _before(key, heap[below], item):
            break
        heap[i] = heap[below]
        place[heap[i]] = i
        i = below
    heap[i] = item
    place[item] = i


@compiled
def first(key: Array) -> int:
    """The item of the least key; of equal ones the first."""
    found = 0
    for item in range(1, len(key)):
        if key[item] < key[found]:
            found = item
    return found
