"""What lies at each node, as flat arrays for the path search."""

from __future__ import annotations

import numpy as np


def neighbours_of(
    nodes: int, tail: list[int], head: list[int], one_way: list[bool]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(Where the entries of each node begin, the pipes by which it may be left, their ends)."""
    around: list[list[tuple[int, int]]] = [[] for _ in range(nodes)]
    for e, (a, b, single) in enumerate(zip(tail, head, one_way, strict=True)):
        around[a].append((e, b))
        if not single:
            around[b].append((e, a))
    first = np.zeros(nodes + 1, dtype=np.int64)
    first[1:] = np.cumsum([len(listed) for listed in around])
    flat = [entry for listed in around for entry in listed]
    edge = np.array([e for e, _ in flat], dtype=np.int64)
    return first, edge, np.array([n for _, n in flat], dtype=np.int64)


def listed_at(places: int, at: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """(The first thing at each place or -1, the next one at the same place or -1)."""
    first = np.full(places, -1, dtype=np.int64)
    following = np.full(len(at), -1, dtype=np.int64)
    for number in reversed(range(len(at))):
        following[number] = first[at[number]]
        first[at[number]] = number
    return first, following
