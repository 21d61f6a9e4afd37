"""What is drawn out of chambers: the audit holds it against the source, whoever worked it out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from tampered_chambers import ALWAYS, COVE_DEEP, COVE_THROUGH

from allocator.network import records
from allocator.network.deriving import network_of
from allocator.network.records import Outflow
from allocator.site.records import Site
from allocator.verify import audit


def anew(site: Site, **changes: object) -> Site:
    """The site with a network of its own, and its northern source changed."""
    north = replace(site.sources["north"], **changes)  # type: ignore[arg-type]
    return replace(site, sources={**site.sources, "north": north})


def test_an_exact_cycle_is_drawn_on_through_pauses() -> None:
    assert audit(anew(COVE_DEEP), COVE_THROUGH).accepted


@pytest.mark.parametrize("inexact", [{"drift": 0.01}, {"jitter": 60.0}])
def test_an_inexact_cycle_is_not_drawn_on(
    inexact: dict[str, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(records, "exact_cycle", lambda source, spreads: True)
    site = anew(COVE_DEEP, **inexact)
    assert ALWAYS in network_of(site).sources
    assert "chamber_draw" in audit(site, COVE_THROUGH).rules


CHANGES: tuple[Callable[[Outflow], Outflow], ...] = (
    lambda part: replace(part, flow=2.0 * part.flow),
    lambda part: replace(part, pump=replace(part.pump, energy=0.0)),  # type: ignore[type-var]
    lambda part: replace(part, next_start=60.0),
    lambda part: replace(part, drift=0.01),
    lambda part: replace(part, pressure=3e5),
)


@pytest.mark.parametrize("change", CHANGES)
def test_a_part_is_like_its_source(
    change: Callable[[Outflow], Outflow], monkeypatch: pytest.MonkeyPatch
) -> None:
    right = Outflow.through_chamber

    def wrong(source: Outflow) -> dict[str, Outflow]:
        return {name: change(part) for name, part in right(source).items()}

    monkeypatch.setattr(Outflow, "through_chamber", wrong)
    assert "chamber_draw" in audit(anew(COVE_DEEP), COVE_THROUGH).rules
