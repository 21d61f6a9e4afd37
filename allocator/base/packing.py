"""Arrays of a named tuple behind one pointer, for compiled loops to hand on.

A named tuple is handed over array by array, and every function that takes one is compiled with all
of them as its arguments: that was most of the time of compiling, and a good part of each call.
Behind a pointer the arrays stay those of the named tuple: what changes in one changes in the other.

Import this module only where compiled loops are: it loads the compiler.
"""

from __future__ import annotations

import os
from typing import Any, NamedTuple

from allocator.base.compiling import UNCOMPILED

_Anything: Any = object

if UNCOMPILED in os.environ:

    class PointerType:
        """Of no use without a compiler."""

    class Pointer(_Anything):  # type: ignore[misc]
        """The arrays by name."""

        fields: tuple[str, ...] = ()

        def __init__(self, *arrays: Any) -> None:
            for name, array in zip(self.fields, arrays, strict=True):
                setattr(self, name, array)

    def define(pointer: type[Pointer], kind: type[PointerType], record: type[NamedTuple]) -> None:
        """Let a pointer have the fields of a record."""
        del kind
        pointer.fields = record._fields

else:
    from numba.core import types
    from numba.experimental import structref

    class PointerType(types.StructRef):  # type: ignore[name-defined, misc, no-redef]
        """The compiler's type of a pointer to arrays that have names."""

        def preprocess_fields(self, fields: Any) -> Any:
            """The fields without values that are known when compiling."""
            return tuple((n, types.unliteral(kind)) for n, kind in fields)  # type: ignore[attr-defined]

    class Pointer(structref.StructRefProxy):  # type: ignore[misc, no-redef]
        """What Python sees of a pointer."""

    def define(pointer: type[Pointer], kind: type[PointerType], record: type[NamedTuple]) -> None:
        """Let compiled loops make a pointer out of the fields of a record, in their order."""
        structref.register(kind)
        structref.define_boxing(kind, pointer)
        structref.define_constructor(pointer, kind, list(record._fields))
