"""Names of substances: those that need no question, against the property library itself."""

from __future__ import annotations

from pathlib import Path

import pytest
from CoolProp.CoolProp import PropsSI

from allocator.network.reading import check_site
from allocator.physics.faults import PhysicsError
from allocator.physics.library_names import RELIABLE, check_name


def test_the_library_knows_every_name_that_is_sure() -> None:
    assert len(RELIABLE) > 100
    for name in RELIABLE:
        assert PropsSI("M", name) > 0.0, name


@pytest.mark.parametrize("name", ["Methane", "methane", "R744", "Methane[0.6]&CarbonDioxide[0.4]"])
def test_names_and_aliases_and_mixtures_pass(name: str) -> None:
    check_name(name)


@pytest.mark.parametrize("name", ["Metane", "methane 0.6", "Methane[0.6]&CarbonDioxide[0.3]"])
def test_what_it_cannot_read_is_refused(name: str) -> None:
    with pytest.raises(PhysicsError):
        check_name(name)


def test_a_fluid_whose_properties_nobody_asks_for_is_refused_as_well(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(
        "format: allocator.site/2\nname: cove\nfluids:\n  gas: {substance: Metane}\n"
        "places: {cove: {at: [0 m, 0 m]}}\n",
        encoding="utf-8",
    )
    said = [str(fault) for fault in check_site(path).faults]
    assert any(
        ":4:20: fluid 'gas': the property library does not know 'Metane'; check the spelling, or "
        "give 'constants'" in line
        for line in said
    ), said
