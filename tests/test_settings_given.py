"""Settings of a wrong type are refused at once, by name, and NumPy's whole numbers are taken."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import allocator as al

FIRST = Path(__file__).parents[1] / "networks" / "first.yaml"


@pytest.fixture(autouse=True)
def never(monkeypatch: pytest.MonkeyPatch) -> None:
    """No search is begun."""

    def worked(*_: object, **__: object) -> None:
        raise AssertionError("worked in vain")

    monkeypatch.setattr("allocator.engine.planning.plan_site", worked)
    monkeypatch.setattr("allocator.engine.planning.compiled_first", worked)


@pytest.mark.parametrize(
    "given",
    [
        *({"seed": value} for value in (1.5, -1, "1", True, None, 2**31)),
        *({"workers": value} for value in (1.5, 0, "2")),
        *({"lose": value} for value in (1.5, -1)),
        *({"lose_machines": 1.5}, {"alternatives": 1.5}, {"threads": 1.5}, {"node_limit": 1.5}),
        *({"time_limit": value} for value in ("5", float("nan"), -1)),
        *({"solver": None}, {"gap": "0.1"}, {"within": "0.1"}, {"prove": 1.5}),
    ],
)
def test_settings_of_plan(given: dict[str, Any]) -> None:
    (name,) = given
    with pytest.raises(ValueError, match=f"^{'loss' if name == 'within' else name} must be|^time"):
        al.plan(FIRST, **given)


def test_more_sources_than_there_are_cannot_be_lost() -> None:
    with pytest.raises(ValueError, match="5 sources cannot be lost on a site of 1"):
        al.plan(FIRST, lose=5)


@pytest.mark.parametrize(
    ("given", "name"),
    [
        ({"phases": 1.5}, "phases"),
        ({"seed": 1.5}, "seed"),
        ({"samples": 1.5}, "samples"),
        ({"days": "5"}, "days"),
        ({"days": 1e9}, "days"),
    ],
)
def test_settings_of_simulate(given: dict[str, Any], name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name}"):
        al.SimulationSettings(**given)


def test_workers() -> None:
    with pytest.raises(ValueError, match=r"^workers must be a whole number"):
        al.Workers(count=1.5)  # type: ignore[arg-type]


def test_numbers_of_numpy() -> None:
    al.Settings(seed=np.int64(3), workers=np.int32(2), time_limit=np.float64(5), gap=np.float32(0))
    al.SimulationSettings(phases=np.int64(3), days=np.float64(5))
