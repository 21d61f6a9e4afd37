"""How the loops of the path search are compiled: other threads run at the same time."""

from __future__ import annotations

from allocator.base import compiling
from allocator.base.compiling import Function


def compiled(function: Function) -> Function:
    """The function, compiled at its first call; division follows IEEE 754."""
    return compiling.compiled(function, nogil=True, error_model="numpy")


def inlined(function: Function) -> Function:
    """The same for what one compiled function alone calls, or so many: it is part of that."""
    return compiling.compiled(function, nogil=True, error_model="numpy", inline="always")


def compiled_into(function: Function) -> Function:
    """The same for what the path search and the bound's loops both call; not kept by itself."""
    return compiling.compiled(function, kept=False, nogil=True, error_model="numpy")
