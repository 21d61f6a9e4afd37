"""Sites of the benchmark family for tests."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

from allocator.network.reading import read_site
from allocator.site.records import Site

ROOT = Path(__file__).parents[1]


def family() -> ModuleType:
    """The benchmark's script that writes the family."""
    spec = importlib.util.spec_from_file_location("family", ROOT / "benchmarks" / "family.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["family"] = module
    spec.loader.exec_module(module)
    return module


def site_of(folder: Path, sources: int, junctions: int, places: int, seed: int = 1) -> Site:
    """A tight site of the family, written and read."""
    made = family()
    return read_site(made.write_site(folder, made.Size(sources, junctions, places, "tight", seed)))
