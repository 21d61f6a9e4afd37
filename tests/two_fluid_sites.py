"""Small sites drawn by a number: two gases under pressure that share but steel and power."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml
from pressed_sites import pressed_text

from allocator.network.reading import read_site
from allocator.site.records import Site

RENAMED = ("sources", "pipes", "routes", "storage", "boosters", "machines")
"""Groups of the file whose names are those of one gas alone."""


def two_fluid_text(number: int, *, boosters: bool = True) -> str:
    """Two drawn sites in one: their places are the same, the gas of the second one is tar."""
    first = yaml.safe_load(pressed_text(number, boosters=boosters, any_pipe=True))
    second = yaml.safe_load(pressed_text(number + 1000, boosters=False, any_pipe=True))
    site: dict[str, Any] = dict(first)
    site["name"] = f"Two gases {number}"
    site["fluids"] = {**first["fluids"], "tar": second["fluids"]["gas"]}
    site["materials"] = {"steel": {"stock": first["materials"]["steel"]["stock"]}}
    site["places"] = {**first["places"], **second["places"]}
    for group in RENAMED:
        if group in first or group in second:
            own = {name: _of(one, "") for name, one in first.get(group, {}).items()}
            other = {f"t_{name}": _of(one, "t_") for name, one in second.get(group, {}).items()}
            site[group] = {**own, **other}
    for name, route in site["routes"].items():
        mine = [pipe for pipe in site["pipes"] if pipe.startswith("t_") == name.startswith("t_")]
        route.setdefault("pipes", mine)
    for name, pipe in site["pipes"].items():
        pipe["fluids"] = ["tar" if name.startswith("t_") else "gas"]
    return yaml.safe_dump(site, sort_keys=False)


def _of(one: dict[str, Any], prefix: str) -> dict[str, Any]:
    """The same of the other gas where there is a prefix."""
    found = dict(one)
    if "cycle" in found:  # a bare word "on" is read as true
        found["cycle"] = [{"on": stage[True], "every": stage["every"]} for stage in one["cycle"]]
    if not prefix:
        return found
    for key in ("fluid", "holds"):
        if found.get(key) == "gas":
            found[key] = "tar"
    if "takes" in found:
        found["takes"] = {"tar": found["takes"]["gas"]}
    if isinstance(found.get("pipes"), list):
        found["pipes"] = [f"{prefix}{name}" for name in found["pipes"]]
    return found


def two_fluid_site(number: int, folder: Path, *, boosters: bool = True) -> Site:
    """The site of :func:`two_fluid_text`."""
    path = folder / f"two_gases_{number}.yaml"
    path.write_text(two_fluid_text(number, boosters=boosters))
    return read_site(path)
