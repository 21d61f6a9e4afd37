"""Small loops of the simulation that are compiled into whatever calls them."""

from __future__ import annotations

import numba

from allocator.base.compiling import Function


def inlined(function: Function) -> Function:
    """The function, compiled into whatever calls it.

    A call hands over every array of a named tuple one by one, which would cost more than the
    work of a small function.
    """
    made: Function = numba.njit(inline="always")(function)
    return made
