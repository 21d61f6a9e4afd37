"""Storage sizes by the window curves against published tables of the sequent peak method."""

from __future__ import annotations

import numpy as np
import pytest

from allocator.cycles import (
    Timeline,
    draw_for_store,
    draw_for_store_known,
    series_curve_of,
    store_for_draw,
    store_for_draw_known,
)
from allocator.site.records import Profile

# S1: Loucks & van Beek, Water Resources Systems Planning and Management, UNESCO 2005,
# Table 11.2: inflow of nine steps, cyclic; a release of 3.5 needs 7.5.
NINE = [1, 3, 3, 5, 8, 6, 7, 2, 1]

# S1b: derived from S1 by linear program.
NINE_STORES = {1.0: 0.0, 1.5: 1.0, 2.0: 2.0, 2.5: 3.5, 3.0: 5.0, 3.5: 7.5, 4.0: 10.0}

# S2, S3: Shammas & Wang, Fair, Geyer, and Okun's Water and Wastewater Engineering, 3rd ed.,
# Wiley 2011. S2: Example 2.1, Table 2.2, p. 36, varying draft over two cycles. S3: Fig. 2.7,
# p. 35, the same inflow with a constant draft of 23.
MONTHS = [94, 122, 45, 5, 5, 2, 0, 2, 16, 7, 72, 92]
DRAFT = [27, 27, 30, 30, 33, 30, 27, 27, 30, 36, 33, 30]

# S4: a power-generation textbook exercise on pondage (title not known), monthly.
PONDAGE = [1500, 1000, 500, 500, 500, 1200, 2900, 2900, 1000, 400, 600, 1600]


def curve_of_steps(inflow: list[int]):  # type: ignore[no-untyped-def]
    steps = [float(step) for step in range(len(inflow))]
    return series_curve_of(float(len(inflow)), steps, [float(amount) for amount in inflow])


def timeline_of_steps(inflow: list[int]) -> Timeline:
    edges = np.arange(len(inflow) + 1, dtype=np.float64)
    return Timeline(edges, np.array(inflow, dtype=np.float64), True)


@pytest.mark.parametrize(("release", "store"), NINE_STORES.items())
def test_store_for_each_release(release: float, store: float) -> None:
    inflow = [(curve_of_steps(NINE), 1.0)]
    timeline = timeline_of_steps(NINE)
    assert store_for_draw(inflow, release) == pytest.approx(store, rel=1e-12)
    assert store_for_draw_known(timeline, release) == pytest.approx(store, rel=1e-12)
    assert draw_for_store(inflow, store) == pytest.approx(release, rel=1e-12)
    assert draw_for_store_known(timeline, store) == pytest.approx(release, rel=1e-12)


def test_varying_draft_over_two_years() -> None:
    # By the known timeline: the draft is a profile of mean 30 that starts with the inflow.
    mean = sum(DRAFT) / 12.0
    steps = tuple(float(month) for month in range(12))
    shape = Profile(12.0, steps, tuple(draft / mean for draft in DRAFT))
    store = store_for_draw_known(timeline_of_steps(MONTHS), mean, shape)
    assert store == pytest.approx(176, rel=1e-12)
    assert draw_for_store_known(timeline_of_steps(MONTHS), 176, shape) == pytest.approx(mean)


@pytest.mark.parametrize(("inflow", "draft", "store"), [(MONTHS, 23, 124), (PONDAGE, 1000, 1500)])
def test_constant_draft(inflow: list[int], draft: int, store: int) -> None:
    assert store_for_draw([(curve_of_steps(inflow), 1.0)], draft) == pytest.approx(store)
    assert store_for_draw_known(timeline_of_steps(inflow), draft) == pytest.approx(store)
