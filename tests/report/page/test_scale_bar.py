"""The scale bar of the map: a round length that is neither nothing nor wider than the map."""

import math
import re

import pytest

from allocator.report.page.map import _bar
from allocator.report.page.placing import WIDTH, Ground
from allocator.report.page.svg import round_at_most


@pytest.mark.parametrize("metres", [round(10 ** (n / 60), 3) for n in range(60, 301)])
def test_maps_of_any_width_have_one(metres: float) -> None:
    """Maps of 10 m to 100 km. Those of some 2.2 km once had a bar of 0 m."""
    drawn = str(_bar(Ground({}, 500.0, WIDTH / metres)))
    (long,) = re.findall(r"h([0-9.]+)m0", drawn)
    assert WIDTH / 12.6 <= float(long) <= WIDTH / 5 * 1.01
    assert ">0 m<" not in drawn


@pytest.mark.parametrize(
    ("most", "found"),
    [(1.0, 1.0), (1.99, 1.0), (2.0, 2.0), (4.99, 2.0), (5.0, 5.0), (9.9, 5.0), (450.0, 200.0)],
)
def test_round_lengths(most: float, found: float) -> None:
    assert math.isclose(round_at_most(most), found)
