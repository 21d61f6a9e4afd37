"""Sites that benchmarks measure on for ever: they stay byte for byte as they are, and readable."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import pytest

from allocator.network.reading import read_site

SITES = Path(__file__).parents[2] / "benchmarks" / "sites"

FROZEN = {
    "harbour_2026_11.yaml": "314afc366245917d934a5c41a4c1c091579e9a8ef13518ee569f7e335ebe213b",
}


@pytest.mark.parametrize("name", FROZEN)
def test_frozen_site(name: str) -> None:
    content = (SITES / name).read_bytes()
    assert sha256(content).hexdigest() == FROZEN[name], "a frozen site was changed: restore it"
    # Versions to come must go on reading it: it measures them.
    assert len(read_site(SITES / name).sources) == 31
