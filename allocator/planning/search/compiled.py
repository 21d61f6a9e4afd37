"""Compiling of the path search, kept on disk where that is allowed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """The function, compiled when it is first called; other threads run beside it."""
    import numba

    try:
        made: Function = numba.njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:  # no folder where the compiled code could be kept
        made = numba.njit(nogil=True, error_model="numpy")(function)
    return made
