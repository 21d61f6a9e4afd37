"""Why hot gas gets nowhere: told when the site is checked."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.network.reading import check_site

NETWORKS = Path(__file__).resolve().parents[2] / "networks"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        pytest.param(
            [("max_surface_temperature: 55 degC", "max_surface_temperature: 10.01 degC")],
            "route 'track': no build holds for 'hydrogen', not even at 50 degC (bare: surface too "
            "hot; thin: surface too hot; thick: surface too hot); cool it further, insulate more, "
            "or change the limit",
            id="no build holds",
        ),
        pytest.param(
            [
                ("places: [furnaces, works]\n    duty", "places: [works]\n    duty"),
                ("at: [700 m, 0 m]", "at: [3 m, 0 m]"),
                ("max_surface_temperature: 55 degC", "max_surface_temperature: 600 degC"),
                ("set_point: 50 degC", "set_point: 200 degC"),
            ],
            "machine 'fuel_cell': no 'hydrogen' of at most 60 degC reaches 'works'; offer a "
            "cooler, or a run long enough to cool it",
            id="nothing cold enough comes",
        ),
        pytest.param(
            [
                ("max_surface_temperature: 55 degC", "max_surface_temperature: 12 degC"),
                (
                    "demands:\n",
                    "built: {pipes: [{route: track, pipe: bare, fluid: hydrogen}]}\ndemands:\n",
                ),
            ],
            "route 'track': the existing 'bare' bears no stream of 'hydrogen', so it is not used",
            id="a standing pipe of no use",
        ),
        pytest.param(
            [
                (
                    "flow: 2 g/s",
                    "pump: {energy: 9 kJ/kg, max_inlet_temperature: 80 degC}\n    flow: 2 g/s",
                ),
                ("places: [furnaces, works]\n    duty", "places: [works]\n    duty"),
            ],
            "source 'north_furnace': its gas is too hot for its pump (80 degC), and no cooler may "
            "be built there that brings it below that; offer a cooler at its place",
            id="too hot for its pump",
        ),
    ],
)
def test_warning(changes: list[tuple[str, str]], said: str, tmp_path: Path) -> None:
    text = (NETWORKS / "cool_first.yaml").read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    report = check_site(path)
    assert report.faults == ()
    assert any(said in str(warning) for warning in report.warnings), [
        str(warning) for warning in report.warnings
    ]


def test_no_warnings_where_all_is_well() -> None:
    for name in ("cool_first", "near_furnace"):
        assert check_site(NETWORKS / f"{name}.yaml").warnings == ()
