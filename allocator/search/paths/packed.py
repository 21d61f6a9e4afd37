"""The arrays of the path search behind pointers (:mod:`allocator.base.packing`)."""

from __future__ import annotations

from allocator.base.compiling import compiled
from allocator.base.packing import Pointer, PointerType, define
from allocator.search.paths.records import Arrays, PathState, Room


class _ArraysType(PointerType):
    """Of :class:`Arrays`."""


class PackedArrays(Pointer):
    """What compiled loops see of :class:`Arrays`."""


define(PackedArrays, _ArraysType, Arrays)


class _PathStateType(PointerType):
    """Of :class:`PathState`."""


class PackedPathState(Pointer):
    """What compiled loops see of :class:`PathState`."""


define(PackedPathState, _PathStateType, PathState)


class _RoomType(PointerType):
    """Of :class:`Room`."""


class PackedRoom(Pointer):
    """What compiled loops see of :class:`Room`."""


define(PackedRoom, _RoomType, Room)


@compiled
def packed(arrays: Arrays) -> Arrays:
    """The same arrays behind a pointer."""
    return PackedArrays(
        arrays.tail,
        arrays.head,
        arrays.one_way,
        arrays.builds,
        arrays.capacity,
        arrays.mass,
        arrays.steps,
        arrays.first,
        arrays.edge,
        arrays.other,
        arrays.source_node,
        arrays.most,
        arrays.tap,
        arrays.mode_first,
        arrays.mode_store,
        arrays.mode_share,
        arrays.store_node,
        arrays.store_mass,
        arrays.store_base,
        arrays.store_most,
        arrays.store_existing,
        arrays.fill,
        arrays.release,
        arrays.windows,
        arrays.on_time,
        arrays.sink_node,
        arrays.unit,
        arrays.unit_mass,
        arrays.sink_existing,
        arrays.sink_most,
        arrays.value,
        arrays.load_mass,
        arrays.peak,
        arrays.wanted,
        arrays.weight,
        arrays.near,
        arrays.sink_first,
        arrays.sink_next,
        arrays.store_first,
        arrays.store_next,
        arrays.into_first,
        arrays.into_edge,
        arrays.into_other,
        arrays.longest,
        arrays.pressed,
        arrays.potential,
        arrays.friction,
        arrays.spur,
        arrays.mouth,
        arrays.filled,
        arrays.released,
        arrays.inlet,
        arrays.booster_first,
        arrays.booster_next,
        arrays.booster_at,
        arrays.booster_gain,
        arrays.booster_inlet,
        arrays.booster_most,
        arrays.booster_mass,
        arrays.booster_group,
        arrays.group_most,
    )


@compiled
def packed_state(state: PathState) -> PathState:
    """The same arrays behind a pointer."""
    return PackedPathState(
        state.active,
        state.kept,
        state.rates,
        state.ways,
        state.load,
        state.stores,
        state.park,
        state.taken,
        state.used,
        state.flow,
        state.floor,
        state.boost,
    )


@compiled
def packed_room(room: Room) -> Room:
    """The same arrays behind a pointer."""
    return PackedRoom(
        room.far,
        room.back,
        room.via,
        room.keys,
        room.names,
        room.reached,
        room.ahead,
        room.log,
        room.stale,
        room.behind,
        room.counts,
        room.mark,
        room.touched,
        room.need,
        room.cause,
        room.queue,
        room.queued,
        room.into,
        room.link_from,
        room.link_to,
        room.link_pipe,
        room.link_next,
        room.link_loss,
        room.link_gain,
        room.link_flow,
        room.known_flow,
        room.known_level,
        room.known_loss,
        room.held_floor,
        room.held_boost,
        room.held_used,
    )
