"""Reading and checking large site files, against ``yaml.safe_load`` of the same files.

A file of 10,000 lines: aim under 3 s in all, the import of the libraries included. A file of
100,000 sources, one a line: aim under 10 s. The answers are asserted: every record is there, and
the values sum up to what was written. Run: ``python benchmarks/reading.py``.
"""

from __future__ import annotations

import json
import math
import tempfile
import time
from pathlib import Path

LINES = 10_000
AIM_SECONDS = 3.0
SOURCES = 100_000
AIM_OF_SOURCES = 10.0


def site_text(lines: int) -> str:
    """An invented site file of exactly ``lines`` lines: a chain of wells with a store each."""
    head = [
        "format: allocator.site/2",
        "name: Long site",
        "fluids:",
        "  gas: {heating_value: 18 MJ/kg}",
        "  co2: {emission: counted}",
        "materials: {steel: {stock: 900 t, price: 1.9 /kg}}",
        "pipes:",
        "  dn50: {capacity: 40 g/s, layers: [{material: steel, mass: 5.44 kg/m}], price: 40 /m}",
        "machines:",
        "  engine:",
        "    inputs: {gas: 10 g/s}",
        "    outputs: {power: 60 kW, co2: 20 g/s}",
        "    places: [p0]",
        "demands: {town: {power: 2 MW, profile: [1, 2, 3, 2]}}",
    ]
    sections = ["places:", "sources:", "storage:", "routes:"]
    wells, rest = divmod(lines - len(head) - len(sections), 22)
    places, sources, stores, routes = ([section] for section in sections)
    for i in range(wells):
        places += [f"  p{i}:", f"    at: [{120 * i} m, {i % 7 * 15} m]", "    elevation: 3 m"]
        sources += [
            f"  well_{i}:",
            f"    place: p{i}",
            "    fluid: gas",
            f"    flow: {2 + i % 5}.5 g/s",
            "    cycle:",
            f"      - {{on: {200 + i % 90} s, every: 470 s}}",
            "      - {on: 80 d, every: 150 d}",
            "    temperature: 40 degC",
            "    connection: {materials: {steel: 40 kg}, price: 900}",
        ]
        stores += [
            f"  holder_{i}:",
            "    holds: gas",
            f"    places: [p{i}]",
            "    size: {min: 100 kg, max: 4 t}",
            "    materials: {steel: 0.5 kg/kg}",
            "    loss: 0.1 %/d",
        ]
        routes += [
            f"  lane_{i}:",
            f"    between: [p{max(i - 1, 0)}, p{i or 1}]",
            "    detour_factor: 1.2",
            "    pipes: [dn50]",
        ]
    return "\n".join([*head, *places, *sources, *stores, *routes, *["# end"] * rest]) + "\n"


def wide_text(sources: int) -> str:
    """An invented site file with a source a line."""
    head = [
        "format: allocator.site/2",
        "name: Wide site",
        "fluids: {gas: {heating_value: 18 MJ/kg}}",
    ]
    head += ["places: {works: {}}", "sources:"]
    lines = (
        f"  well_{i}: {{place: works, fluid: gas, flow: {1 + i % 9} g/s, "
        f"cycle: [{{on: {5 + i % 20} min, every: {40 + i % 30} min}}]}}"
        for i in range(sources)
    )
    tail = [
        "machines:",
        "  engine: {places: [works], inputs: {gas: 10 g/s}, outputs: {power: 60 kW}}",
    ]
    return "\n".join([*head, *lines, *tail, "demands: {town: {power: 2 MW}}"]) + "\n"


def wide() -> dict[str, object]:
    """Figures of the file with many sources."""
    from allocator.network.reading import check_site

    text = wide_text(SOURCES)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "wide.yaml"
        path.write_text(text, encoding="utf-8")
        start = time.perf_counter()
        site = check_site(path).site
        taken = time.perf_counter() - start
    assert site is not None
    assert len(site.sources) == SOURCES
    flow = math.fsum(source.flow for source in site.sources.values())
    assert math.isclose(flow, math.fsum((1 + i % 9) / 1000 for i in range(SOURCES)))

    import yaml

    start = time.perf_counter()
    yaml.load(text, Loader=yaml.CSafeLoader)
    plain = time.perf_counter() - start
    return {
        "sources": SOURCES,
        "sources_s": round(taken, 3),
        "sources_over_c_safe_load": round(taken / plain, 3),
        "sources_aim_s": AIM_OF_SOURCES,
        "sources_aim_met": taken < AIM_OF_SOURCES,
    }


def main() -> None:
    text = site_text(LINES)
    assert text.count("\n") == LINES
    wells = text.count("    cycle:")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.yaml"
        path.write_text(text, encoding="utf-8")

        start = time.perf_counter()
        from allocator.network.reading import check_site

        report = check_site(path)
        first = time.perf_counter() - start
        start = time.perf_counter()
        again = check_site(path)
        warm = time.perf_counter() - start

    site = report.site
    assert site is not None
    assert site == again.site
    assert report.warnings == ()
    assert len(site.sources) == len(site.storage) == len(site.routes) == len(site.places) == wells
    flow = math.fsum(source.flow for source in site.sources.values())
    assert math.isclose(flow, math.fsum((2.5 + i % 5) / 1000 for i in range(wells)))
    assert all(store.max_size == 4000.0 for store in site.storage.values())

    import yaml

    start = time.perf_counter()
    loaded = yaml.safe_load(text)
    plain = time.perf_counter() - start
    assert len(loaded["sources"]) == wells
    figures = {
        "lines": LINES,
        "wells": wells,
        "first_s": round(first, 3),
        "warm_s": round(warm, 3),
        "yaml_safe_load_s": round(plain, 3),
        "first_over_safe_load": round(first / plain, 3),
        "warm_over_safe_load": round(warm / plain, 3),
        "aim_s": AIM_SECONDS,
        "aim_met": first < AIM_SECONDS,
        **wide(),
    }
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    main()
