"""Levels and events of a run, for files and drawings."""

from __future__ import annotations

from allocator.simulation.running import Finished
from allocator.simulation.trace import Event, Recording


def recording_of(run: Finished, name: str) -> Recording:
    """What a run wrote down."""
    sums, tanks, clocks = run.sums, run.circuit.tanks, run.circuit.clocks
    room = len(sums.event_time) // 2
    rows: list[tuple[int, Event]] = []
    for half in range(2):
        for i in range(half * room, half * room + min(room, int(sums.event_count[half]))):
            index, kind, value = (
                int(sums.event_index[i]),
                int(sums.event_kind[i]),
                float(sums.event_value[i]),
            )
            if half:
                said = ("", "full", "not_full", "empty", "not_empty", "starts", "stops")[kind]
                owner = tanks[index].name if kind < 5 else run.circuit.burners[index].name
                event = Event(float(sums.event_time[i]), said, owner, value)
            else:
                said = "level"
                if clocks[index].kind == "source":
                    said = "on" if value > 0 else "off"
                elif clocks[index].kind == "outage":
                    said = "fails" if value > 0 else "repaired"
                event = Event(float(sums.event_time[i]), said, clocks[index].name, value)
            rows.append((int(sums.event_number[i]), event))
    rows.sort(key=lambda row: row[0])
    return Recording(
        draw=name,
        times=run.times,
        tanks=tuple(tank.name for tank in tanks),
        units=tuple(tank.unit for tank in tanks),
        levels=sums.sample_level,
        low=sums.sample_low,
        high=sums.sample_high,
        spill=sums.sample_spill,
        events=tuple(event for _, event in rows),
        left_out=int(sums.event_count.sum()) - len(rows),
    )
