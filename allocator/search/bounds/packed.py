"""The arrays of the bound behind pointers (:mod:`allocator.base.packing`)."""

from __future__ import annotations

from allocator.base.compiling import compiled
from allocator.base.packing import Pointer, PointerType, define
from allocator.search.bounds.arrays import EndArrays, NetworkArrays


class _EndArraysType(PointerType):
    """Of :class:`EndArrays`."""


class PackedEndArrays(Pointer):
    """What compiled loops see of :class:`EndArrays`."""


define(PackedEndArrays, _EndArraysType, EndArrays)


class _NetworkArraysType(PointerType):
    """Of :class:`NetworkArrays`."""


class PackedNetworkArrays(Pointer):
    """What compiled loops see of :class:`NetworkArrays`."""


define(PackedNetworkArrays, _NetworkArraysType, NetworkArrays)


@compiled
def packed_ends(ends: EndArrays) -> EndArrays:
    """The same arrays behind a pointer."""
    return PackedEndArrays(
        ends.first,
        ends.node,
        ends.gain,
    )


@compiled
def packed_net(net: NetworkArrays) -> NetworkArrays:
    """The same arrays behind a pointer."""
    return PackedNetworkArrays(
        net.first,
        net.end,
        net.link,
        net.home,
        net.most,
        net.sends,
        net.scale,
        net.pipe,
        net.build,
        net.capacity,
    )
