"""Flows left out of a relaxation, priced: small cases by hand."""

from __future__ import annotations

from allocator.planning.bounds.origins import Origin
from allocator.planning.bounds.pricing import Priced, Slack, completed
from allocator.planning.choices import Arc


def priced(arcs: tuple[Arc, ...]) -> Priced:
    origin = Origin("well", "gas", "head", [], 2.0, {"works": []})
    ducts = {arc: Slack(arc.route, (1.0,), [0.5]) for arc in arcs}
    return completed(
        [origin],
        {"well": arcs},
        {"well": {"head": 0.0, "works": 3.0}},
        {"well": {}},
        {"well": {}},
        {"gas": ducts},
    )


def test_an_arc_out_of_an_origins_reach_is_passed_over() -> None:
    """It once ended the planning of a site of 300 sources: no path leads to where it begins."""
    reached = Arc("lane", "head", "works", "gas")
    stray = Arc("bypass", "yard", "works", "gas")
    alone, beside = priced((reached,)), priced((reached, stray))
    # 3 a kg/s at the works, 0.5 of slack for 1 kg/s of capacity: 2.5 is lacking
    assert alone.lack == 2.5
    assert beside == alone
