"""How the loops of the simulation are compiled: once, and kept where a folder allows it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """The function, compiled at its first call."""
    try:
        made: Function = numba.njit(cache=True)(function)
    except RuntimeError:  # no folder in which compiled code may be kept
        made = numba.njit(function)
    return made


def inlined(function: Function) -> Function:
    """The function, compiled into whatever calls it.

    A call hands over every array of a named tuple one by one, which would cost more than the
    work of a small function.
    """
    made: Function = numba.njit(inline="always")(function)
    return made
