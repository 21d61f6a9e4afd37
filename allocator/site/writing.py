"""A :class:`~allocator.site.records.Site` -> the text of a site file: the way back from reading.

It follows the keys that the records declare. What a record holds in another shape than its file
has a function below, named for it.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from allocator.base.file_names import file_name
from allocator.base.quantities import exact_text
from allocator.site.checks_demands import shape_of
from allocator.site.formats import FORMAT
from allocator.site.groups import ListOf, MapOf
from allocator.site.keys import table_of
from allocator.site.kinds import ByTemperature, Kind, Quantity, TwoWords
from allocator.site.records import (
    POWER,
    Built,
    Demand,
    HeatSink,
    MachineType,
    PipeType,
    Profile,
    RecordedFlow,
    Site,
    Source,
)
from allocator.site.records.site import SITE
from allocator.site.records.supply import DELIVERY
from allocator.site.shapes import ByShape, Named, OneOrList, Variants
from allocator.site.spreads import Ranged
from allocator.site.table import Key, KeyTable

LONGEST = 96
"""Characters of a line that may hold several values."""
_PLAIN = re.compile(r"\w(?:[\w ./%^*()+-]*[\w%)])?|/\w+")


def site_text(site: Site) -> str:
    """The text of a site file that is read back as an equal site, but for its ``sha256``.

    Quantities have the unit that takes the fewest digits, none of which is lost. Keys that say
    what holds without them are left out. Profiles with unequal steps are in :func:`series_texts`.

    Raises
    ------
    ValueError
        A machine or cooler may stand at some places without limit and at others with one, which
        no site file can say.
    """
    return tree_text(_Writer(site).record(site, SITE, ""))


def tree_text(tree: Mapping[str, Any]) -> str:
    """YAML of mappings, lists and scalars: short values on one line, text quoted where it must."""
    return "\n".join(_lines(tree, "")) + "\n"


def value_text(value: Any) -> str:
    """YAML of one value on one line."""
    return _flow(value)


def series_texts(site: Site) -> dict[str, str]:
    """The CSV files that the text of a site names, by name: records, profiles in uneven steps."""
    records = {
        _record_name(source): _record_text(source.series)
        for source in site.sources.values()
        if source.series is not None
    }
    return records | {
        _series_name(demand): _series_text(demand, demand.profile)
        for demand in site.demands.values()
        if demand.profile is not None and _steps(demand.profile) is None
    }


def _lines(node: Mapping[str, Any] | Sequence[Any], indent: str) -> Iterator[str]:
    """The lines of a mapping or a list. What is short stands on one line, sections never do."""
    named = isinstance(node, Mapping)
    for name, value in node.items() if isinstance(node, Mapping) else enumerate(node):
        head = f"{indent}{_scalar(name)}:" if named else f"{indent}-"
        flow = f"{head} {_flow(value)}"
        parts = list(value.values()) if isinstance(value, Mapping) else []
        section = not indent and any(isinstance(part, Mapping) for part in parts)
        if value and isinstance(value, Mapping | list) and (section or len(flow) > LONGEST):
            yield head
            yield from _lines(value, indent + "  ")
        else:
            yield flow


def _flow(value: Any) -> str:
    if isinstance(value, Mapping):
        pairs = (f"{_scalar(name)}: {_flow(part)}" for name, part in value.items())
        return f"{{{', '.join(pairs)}}}"
    return f"[{', '.join(map(_flow, value))}]" if isinstance(value, list) else _scalar(value)


def _scalar(value: object) -> str:
    if value is None:
        return "null"
    if not isinstance(value, str):
        return str(value).lower().removesuffix(".0")
    if _PLAIN.fullmatch(value) and value.lower() != "null":
        return value
    import yaml

    quoted: str = yaml.dump(value, default_style='"', allow_unicode=True, width=math.inf)
    return quoted.rstrip("\n")


@dataclass(frozen=True, slots=True)
class _Writer:
    """Turns records of a site into what a YAML writer takes.

    ``address``: of a record or a value in the file, by which the site knows its range.
    """

    site: Site

    def record(self, record: Any, table: KeyTable, address: str) -> dict[str, Any]:
        """The keys of a record and their values."""
        other = _OTHER_SHAPES.get(type(record))
        written = other(self, record, address) if other else {}
        for key in table.keys:
            if key.name not in written:
                written[key.name] = self.key(record, table, key, address)
        order = [key.name for key in table.keys if written[key.name] is not None]
        return {name: written[name] for name in order}

    def key(self, record: Any, table: KeyTable, key: Key, address: str) -> Any:
        """The value of a key; None where it may be left out."""
        below = f"{address}.{key.name}" if address else key.name
        if table.record is None:
            return self.value(record[key.name], key.kind, below) if key.name in record else None
        fields = [one for one in table.fields if one.path[0] == key.name]
        if not fields:
            return None
        if isinstance(fields[0].path[-1], int) and isinstance(key.kind, ListOf):
            return [self.value(getattr(record, f.field), key.kind.kind, below) for f in fields]
        if isinstance(key.kind, KeyTable) and len(fields[0].path) > 1:
            parts = {}
            for one in fields:
                part = key.kind.by_name[str(one.path[1])]
                parts[part.name] = self.field(record, one.field, part, f"{below}.{part.name}")
            return {name: part for name, part in parts.items() if part is not None} or None
        return self.field(record, fields[0].field, key, below)

    def field(self, record: Any, field: str, key: Key, address: str) -> Any:
        """The value of a field; None where a file without the key has the same."""
        value = getattr(record, field)
        without = _default(type(record), field) if key.default is None else key.default
        return None if value == without else self.value(value, key.kind, address)

    def value(self, value: Any, kind: Kind, address: str) -> Any:
        """A value as its kind reads it."""
        if isinstance(kind, Quantity):
            return self.quantity(value, kind, address)
        if isinstance(kind, KeyTable):
            return self.record(value, kind, address)
        if isinstance(kind, Named):
            return self.section(value, kind, address)
        if isinstance(kind, ListOf):
            return [self.value(v, kind.kind, f"{address}[{i}]") for i, v in enumerate(value, 1)]
        if isinstance(kind, OneOrList):
            listed = self.value(value, kind.listed, address)
            return listed[0] if len(listed) == 1 else listed
        if isinstance(kind, ByShape):
            return self.counts(value)
        if isinstance(kind, MapOf):
            kinds = kind.special
            return {
                name: self.value(part, kinds.get(name, kind.kind), f"{address}.{name}")
                for name, part in value.items()
            }
        if isinstance(kind, ByTemperature):
            texts = [
                [exact_text(k, "temperature"), exact_text(v, kind.dimension)] for k, v in value
            ]
            return texts[0][1] if len(value) == 1 and value[0][0] == 0.0 else texts
        return kind.options[value] if isinstance(kind, TwoWords) else value

    def section(self, records: Mapping[str, Any], kind: Named, address: str) -> dict[str, Any]:
        """A section of named records."""
        table, written = kind.table, {}
        for name, record in records.items():
            if isinstance(table, Variants):
                chosen = table.matching if getattr(record, table.key) == table.word else table.other
            else:
                chosen = table
            written[name] = self.record(record, chosen, f"{address}.{name}")
        return written

    def quantity(self, value: float, kind: Quantity, address: str) -> str | float | dict[str, Any]:
        """A quantity, or the range in which it is."""
        spread = self.site.spreads.get(address) if isinstance(kind, Ranged) else None
        if spread is None or spread.middle != value:
            text = exact_text(value, kind.dimension)
            return text if " " in text else float(text)
        ends = {"low": spread.low, "likely": spread.middle, "high": spread.high}
        if spread.sd is not None:
            ends = {"mean": spread.middle, "sd": spread.sd}
        elif not spread.peaked:
            del ends["likely"]
        range_of: dict[str, Any] = {n: exact_text(end, kind.dimension) for n, end in ends.items()}
        return {**range_of, "varies": True} if spread.varies else range_of

    def counts(self, places: Mapping[str, int | None]) -> list[str] | dict[str, int | None]:
        """Most units at each place, or the places without limit."""
        limited = [place for place, most in places.items() if most is not None]
        if limited and len(limited) < len(places):
            raise ValueError(f"no site file can limit the units at {limited} alone")
        return dict(places) if limited else list(places)


def _default(record: type[Any], field: str) -> Any:
    """The default of a field; the marker of dataclasses where it has none."""
    (found,) = (one for one in dataclasses.fields(record) if one.name == field)
    if found.default_factory is not dataclasses.MISSING:
        return found.default_factory()
    return found.default


def _site(_: _Writer, __: Site, ___: str) -> dict[str, Any]:
    return {"format": FORMAT}


def _source(writer: _Writer, source: Source, address: str) -> dict[str, Any]:
    """A delivered source has a batch and an interval in place of a cycle, a record its file."""
    if source.series is not None:
        series = {
            "csv": _record_name(source),
            "window": exact_text(source.series.window, "duration"),
            "max_flow": exact_text(source.flow, "mass_rate"),
        }
        return {"flow": None, "cycle": None, "series": series}
    if not source.delivered:
        return {}
    stage = source.stages[0]
    batch = _batch(stage.on, source.flow)
    spread = writer.site.spreads.get(f"{address}.delivery.batch")
    if spread is not None and spread.middle / source.flow == stage.on:
        batch = spread.middle
    kinds = DELIVERY.by_name
    delivery = {
        "every": writer.value(stage.every, kinds["every"].kind, f"{address}.delivery.every"),
        "batch": writer.value(batch, kinds["batch"].kind, f"{address}.delivery.batch"),
    }
    return {"cycle": None, "delivery": delivery}


def _batch(on: float, flow: float) -> float:
    """kg of which a flow makes exactly this on-time, where rounding leaves one."""
    near = on * flow
    short = [float(f"{near:.{digits}g}") for digits in (6, 12)]
    beside = [math.nextafter(near, end) for end in (0.0, math.inf)]
    return next((kg for kg in (*short, near, *beside) if kg / flow == on), near)


def _pipe(_: _Writer, pipe: PipeType, __: str) -> dict[str, Any]:
    """A capacity by the bore is not written."""
    return {"capacity": None} if pipe.by_bore else {}


def _machine(writer: _Writer, machine: MachineType, address: str) -> dict[str, Any]:
    """Power and heat stand among what is taken and given; runs on bursts follow ``min_up_time``."""
    table = table_of(MachineType)
    written: dict[str, Any] = {}
    for side in ("inputs", "outputs"):
        amounts = dict(getattr(machine, side))
        for one in table.fields:
            if one.path[0] == side and len(one.path) > 1 and getattr(machine, one.field):
                amounts[str(one.path[1])] = getattr(machine, one.field)
        written[side] = writer.value(amounts, table.by_name[side].kind, f"{address}.{side}")
    if machine.min_burst_time:
        written["min_up_time"] = exact_text(machine.min_up_time, "duration")
    return written


def _heat_sink(_: _Writer, sink: HeatSink, __: str) -> dict[str, Any]:
    """One mass, or those of which a plan chooses."""
    masses = [exact_text(mass, "mass") for mass in sink.offered]
    return {"mass": masses if sink.masses else masses[0]}


def _demand(writer: _Writer, demand: Demand, address: str) -> dict[str, Any]:
    """Power or a fluid, with a profile in equal steps or a series in a file of its own."""
    amount = "power" if demand.wants == POWER else "flow"
    kind = Ranged("power" if demand.wants == POWER else "mass_rate")
    written: dict[str, Any] = dict.fromkeys(("power", "fluid", "flow", "profile", "period"))
    written[amount] = writer.value(demand.mean, kind, f"{address}.{amount}")
    if demand.wants != POWER:
        written["fluid"] = demand.wants
    if demand.profile is not None:
        steps = _steps(demand.profile)
        if steps is None:
            written[amount] = {"csv": _series_name(demand)}
        else:
            written["profile"] = steps
            written["period"] = exact_text(demand.profile.period, "duration")
    return written


def _built(writer: _Writer, built: Built, _: str) -> dict[str, Any]:
    """Sizes and counts by kind and place are nested in a file."""
    storage: dict[str, dict[str, str]] = {}
    for (kind, place), size in built.storage.items():
        dimension = "energy" if writer.site.storage[kind].holds == POWER else "mass"
        storage.setdefault(kind, {})[place] = exact_text(size, dimension)
    machines: dict[str, dict[str, int]] = {}
    for (kind, place), count in built.machines.items():
        machines.setdefault(kind, {})[place] = count
    return {"storage": storage or None, "machines": machines or None}


_OTHER_SHAPES: Mapping[type[Any], Callable[[_Writer, Any, str], dict[str, Any]]] = {
    Site: _site,
    Source: _source,
    PipeType: _pipe,
    MachineType: _machine,
    HeatSink: _heat_sink,
    Demand: _demand,
    Built: _built,
}
"""Keys that do not hold the value of one field; None for those that are not written."""


def _steps(profile: Profile) -> list[float] | None:
    """Levels of equal steps that are read back as the profile; None where steps are unequal."""
    count = len(profile.starts)
    if profile.starts != tuple(profile.period * step / count for step in range(count)):
        return None

    def reads_back(levels: Sequence[float]) -> bool:
        return shape_of(profile.starts, levels, profile.period)[1] == profile

    return list(next(filter(reads_back, _scales(profile.levels, 1.0)), profile.levels))


def _scales(levels: Sequence[float], mean: float) -> Iterator[list[float]]:
    """Levels at scales at which they may have few digits, so that none is lost."""
    for scale in (mean, mean / levels[0], mean / min(level for level in levels if level)):
        for digits in (6, 12, 17):
            yield [float(f"{scale * level:.{digits}g}") for level in levels]


def _series_name(demand: Demand) -> str:
    return f"{file_name(demand.name) or 'demand'}.csv"


def _record_name(source: Source) -> str:
    return f"{file_name(source.name) or 'source'}_flow.csv"


def _record_text(record: RecordedFlow) -> str:
    """A CSV file; the last level is cut in two where it lasts longer than the one before it."""
    starts, levels = list(record.starts), list(record.levels)
    if starts[-1] + (starts[-1] - starts[-2]) != record.length:
        starts.append(starts[-1] + (record.length - starts[-1]) / 2)
        levels.append(levels[-1])
    rows = [f"{start!r},{level!r}" for start, level in zip(starts, levels, strict=True)]
    return "\n".join(["time_s,flow_kg_per_s", *rows]) + "\n"


def _series_text(demand: Demand, profile: Profile) -> str:
    """A CSV file; the last level is cut in two where it lasts longer than the one before."""
    unit = "power_w" if demand.wants == POWER else "flow_kg_per_s"
    starts, levels = list(profile.starts), list(profile.levels)
    last = profile.period - starts[-1]
    if starts[-1] + (starts[-1] - starts[-2]) != profile.period:
        starts, levels = [*starts, starts[-1] + last / 2], [*levels, levels[-1]]
    own = (demand.mean, profile)
    found = next(
        (n for n in _scales(levels, demand.mean) if shape_of(starts, n, profile.period) == own),
        [level * demand.mean for level in levels],
    )
    rows = [f"{start!r},{level!r}" for start, level in zip(starts, found, strict=True)]
    return "\n".join([f"time_s,{unit}", *rows]) + "\n"
