"""Arrays of a named tuple behind one pointer, for compiled loops to hand on.

A named tuple is handed over array by array, and every function that takes one is compiled with all
of them as its arguments: that was most of the time of compiling, and a good part of each call.
Behind a pointer the arrays stay those of the named tuple: what changes in one changes in the other.
Where loops are not compiled, a pointer is a plain object with the arrays by name.

Import this module only where compiled loops are: it loads the compiler.
"""

from __future__ import annotations

import os
from typing import Any, NamedTuple

from allocator.base.compiling import UNCOMPILED

_Type: Any = object
_Proxy: Any = object
if UNCOMPILED not in os.environ:
    from numba.core import types
    from numba.experimental import structref

    _Type, _Proxy = types.StructRef, structref.StructRefProxy  # type: ignore[attr-defined]


class PointerType(_Type):  # type: ignore[misc]
    """The compiler's type of a pointer to arrays that have names."""

    def preprocess_fields(self, fields: Any) -> Any:
        """The fields without values that are known when compiling."""
        return tuple((n, types.unliteral(kind)) for n, kind in fields)  # type: ignore[attr-defined]


class Pointer(_Proxy):  # type: ignore[misc]
    """What Python sees of a pointer."""


def define(pointer: type[Pointer], kind: type[PointerType], record: type[NamedTuple]) -> None:
    """Let compiled loops make a pointer out of the fields of a record, in their order."""
    if UNCOMPILED in os.environ:
        names = record._fields

        def begin(self: Pointer, *arrays: Any) -> None:
            self.__dict__.update(zip(names, arrays, strict=True))

        setattr(pointer, "__init__", begin)  # noqa: B010
        return
    structref.register(kind)
    structref.define_boxing(kind, pointer)
    structref.define_constructor(pointer, kind, list(record._fields))
