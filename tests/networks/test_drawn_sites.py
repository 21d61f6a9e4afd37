"""Every site that the strategies draw is valid by the reader's rules, and reads back as drawn."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from networks.stored_answers import names, site_of
from strategies import sites, sites_with_heat_sinks

from allocator.network.reading import read_site
from allocator.site.records import Site
from allocator.site.writing import site_text


def _plain(value: Any) -> Any:
    """Records as plain values; floats to twelve digits, for units go through a division."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = [f.name for f in dataclasses.fields(value) if f.compare and f.name != "sha256"]
        return {name: _plain(getattr(value, name)) for name in fields}
    if isinstance(value, dict):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    if isinstance(value, float) and math.isfinite(value):
        return float(f"{value:.12g}")
    return value


def _read_back(site: Site, folder: Path) -> Site:
    path = folder / "drawn.yaml"
    path.write_text(site_text(site), encoding="utf-8")
    return read_site(path)


def test_drawn_sites_read_back(tmp_path_factory: Any) -> None:
    folder = tmp_path_factory.mktemp("drawn")

    @settings(
        max_examples=60,
        derandomize=True,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(site=sites())
    def law(site: Site) -> None:
        assert _plain(_read_back(site, folder)) == _plain(site)

    law()


def test_drawn_baths_read_back(tmp_path_factory: Any) -> None:
    folder = tmp_path_factory.mktemp("drawn")

    @settings(
        max_examples=25,
        derandomize=True,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(site=sites_with_heat_sinks())
    def law(site: Site) -> None:
        assert _plain(_read_back(site, folder)) == _plain(site)

    law()


def test_the_example_networks_read_back(tmp_path: Path) -> None:
    """To the last digit."""
    assert len(names()) >= 10
    for name in names():
        site = site_of(name)
        assert dataclasses.replace(_read_back(site, tmp_path), sha256=site.sha256) == site, name
