"""Addresses: how every command, study and report names a thing or a number of a site.

An address is the way to a key through the site file: ``sources.north.flow``,
``machines.engine.places.mill``, ``limits.money``; without a key it is the thing: ``sources.north``.
Two are shorter than that: ``stock.steel`` is ``materials.steel.stock``, and ``fluids.biogas.flow``
is the flow of all sources of a fluid.
"""

from __future__ import annotations

import difflib
import warnings
from collections.abc import Iterable

from allocator.base.errors import AllocatorError, OldSpelling
from allocator.base.quantities import shown

Path = tuple[str, ...]
"""Section, name and keys, such as ``("storage", "holder", "size", "max")``."""

GIVEN: dict[str, Path] = {
    "money": ("limits", "money"),
    "emissions": ("limits", "emission"),
    "booster_power": ("boosters", "power"),
}
"""What a frontier may give beside the stocks, by its name in files."""
NEAR = 0.5
LISTED = 8
_RENAMED = {
    ("size", "max"): "size",
    ("max_units",): "most",
    ("heat_limit",): "heat",
    ("power",): "demand",
    ("flow",): "demand",
}
"""Keys that had another word in short spellings of older versions."""


class AddressError(AllocatorError):
    """An address that the site does not have, or that may be one of several: what to write."""


def address_of(path: Path) -> str:
    """A path as people write it: ``stock.steel``, ``sources.north.flow``."""
    if path[0] == "materials" and path[2:] == ("stock",):
        return f"stock.{path[1]}"
    return ".".join(path)


def given_address(given: str) -> str:
    """The address of what a frontier gives: a material, or a key of :data:`GIVEN`."""
    return address_of(GIVEN.get(given, ("materials", given, "stock")))


def path_of_limit(kind: str, name: str, dimension: str) -> Path:
    """The path of a limit of a model or of a price, by its kind."""
    if kind in ("emission", "money"):
        return ("limits", kind)
    if kind in ("places", "booster_places"):
        thing, _, place = name.partition("@")
        section = "machines" if kind == "places" else "boosters"
        return (section, thing, "places", place.partition(": ")[0])
    section, *keys = {
        "stock": ("materials", "stock"),
        "size": ("storage", "size", "max"),
        "fill_rate": ("storage", "fill_rate"),
        "release_rate": ("storage", "release_rate"),
        "capacity": ("pipes", "capacity"),
        "most": ("machines", "max_units"),
        "heat": ("places", "heat_limit"),
        "heat_demand": ("places", "heat_demand", "power"),
        "flow": ("fluids", "flow"),
        "pressure": ("sources", "pressure"),
        "release_pressure": ("storage", "pressure"),
        "filling_pressure": ("storage", "pressure"),
        "min_pressure": ("storage", "min_pressure"),
        "max_pressure": ("storage", "max_pressure"),
        "inlet_pressure": ("machines", "min_inlet_pressure"),
        "outlet_pressure": ("machines", "outlet_pressure"),
        "demand_inlet_pressure": ("demands", "min_inlet_pressure"),
        "pipe_rating": ("pipes", "pressure_rating"),
        "velocity": ("pipes", "max_velocity"),
        "mach": ("pipes", "max_mach"),
        "storage_rating": ("storage", "pressure_rating"),
        "machine_rating": ("machines", "pressure_rating"),
        "booster_inlet_pressure": ("boosters", "min_inlet_pressure"),
        "booster_ratio": ("boosters", "ratio"),
        "booster_head": ("boosters", "head"),
        "booster_flow": ("boosters", "max_flow"),
        "booster_units": ("boosters", "max_units"),
        "demand": ("demands", "power" if dimension == "power" else "flow"),
        "min_share": ("demands", "min_share"),
    }[kind]
    return (section, name, *keys)


def resolved(text: str, known: Iterable[Path], what: str = "number") -> Path:
    """The path that a text means.

    Parameters
    ----------
    text
        An address, or a spelling of older versions, of which :class:`OldSpelling` warns.
    known
        The paths that may be meant.
    what
        What they are, for the message.

    Raises
    ------
    AddressError
        No path has that address, with near ones; or an old spelling means several.
    """
    by_address = {address_of(path): path for path in known}
    if text in by_address:
        return by_address[text]
    spelt: dict[str, list[str]] = {}
    for address, path in by_address.items():
        for old in _old_spellings(path):
            spelt.setdefault(old, []).append(address)
    meant = spelt.get(text, [])
    if len(meant) == 1:
        warnings.warn(f"{shown(text)} is now written '{meant[0]}'", OldSpelling, stacklevel=2)
        return by_address[meant[0]]
    if meant:
        raise AddressError(f"{shown(text)} may be {' or '.join(meant)}; write one of them")
    near = difflib.get_close_matches(text, [*by_address, *spelt], n=3, cutoff=NEAR)
    close = dict.fromkeys(a for one in near for a in spelt.get(one, [one]))
    if close:
        remedy = f"did you mean {' or '.join(list(close)[:3])}?"
    else:
        some = list(by_address)[:LISTED]
        remedy = f"there are {', '.join(some)}" + (", ..." if len(by_address) > LISTED else "")
    raise AddressError(f"the site has no {what} {shown(text)}; {remedy}")


def _old_spellings(path: Path) -> set[str]:
    """How older versions wrote an address."""
    if len(path) < 2:
        return set()
    section, name, *rest = path
    keys = tuple(rest)
    found = {".".join(path)}
    if section == "limits":
        return found | {name, f"{name}s", f"{name}.limits"}
    if not keys:
        return found | {f"{section}:{name}", f"{section.removesuffix('s')}_{name}"}
    found |= {f"{'.'.join(keys)}.{name}", f"{keys[-1]}.{name}"}
    if section == "demands" or keys not in (("power",), ("flow",)):
        found.add(f"{_RENAMED.get(keys, keys[-1])}.{name}")
    if keys == ("stock",):
        found.add(name)
    elif keys == ("min_share",):
        found.add(f"served:{name}")
    elif keys[0] == "places":
        found |= {f"places.{name}@{keys[-1]}", f"machines:{name}@{keys[-1]}"}
    return found
