"""Symbols at 16 pixels, drawn by a browser in black and white: none is taken for another."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest

from allocator.report.page import symbols

MARKS = {
    "connected source": symbols.source(0.6, True, False),
    "source not connected": symbols.source(0.6, False, False),
    "store": symbols.store(),
    "battery": symbols.battery(),
    "clean generators": symbols.generator(None, False),
    "emitting generators": symbols.generator(None, True),
    "converter": symbols.converter(None),
    "cooler": symbols.cooler(),
    "booster": symbols.booster(),
    "heat sink": symbols.heat_sink(),
}
STYLE = (
    ".ring,.valve{fill:#fff;stroke:#000;stroke-width:1.8px}.share,.level{fill:#777}"
    ".cut,.hot{fill:none;stroke:#000;stroke-width:1.5px}.plate{stroke-width:2.8px}"
    ".letter{font:800 10.5px sans-serif;text-anchor:middle}.inner{stroke-width:1.4px}"
    ".through{fill:none;stroke:#fff;stroke-width:2px}"
)
DRAWN = """
async texts => Promise.all(texts.map(async text => {
  const image = new Image();
  image.src = 'data:image/svg+xml,' + encodeURIComponent(text);
  await image.decode();
  const canvas = document.createElement('canvas');
  canvas.width = canvas.height = 16;
  const brush = canvas.getContext('2d');
  brush.fillStyle = '#fff'; brush.fillRect(0, 0, 16, 16); brush.drawImage(image, 0, 0, 16, 16);
  return [...brush.getImageData(0, 0, 16, 16).data].filter((_, i) => i % 4 === 0).map(v => 255 - v);
}))
"""


@pytest.fixture(scope="module")
def ink(browser: Any) -> dict[str, Any]:
    """Darkness of 16 by 16 pixels of each symbol."""
    head = '<svg xmlns="http://www.w3.org/2000/svg" width="16" height="16" viewBox="-11 -13 22 26">'
    texts = [f"{head}<style>{STYLE}</style>{mark}</svg>" for mark in MARKS.values()]
    page = browser.new_page()
    drawn = page.evaluate(DRAWN, texts)
    page.close()
    return {name: np.array(pixels) for name, pixels in zip(MARKS, drawn, strict=True)}


def test_no_symbol_is_taken_for_another(ink: dict[str, Any]) -> None:
    """Pixels that differ, as a share of the ink of the darker one."""
    for one, other in itertools.combinations(ink, 2):
        differ = np.abs(ink[one] - ink[other]).sum() / max(ink[one].sum(), ink[other].sum())
        least = 0.15 if "generators" in one and "generators" in other else 0.35
        assert differ > least, (one, other, differ)


def test_a_battery_is_no_vessel(ink: dict[str, Any]) -> None:
    """Plates with gaps between them: no outline joins them, so that it is not read as a bin."""
    dark = ink["battery"].reshape(16, 16) > 100
    columns = [int(column.sum()) for column in dark.T]
    tall = [number for number, height in enumerate(columns) if height >= 4]
    assert len(tall) >= 4
    assert any(height <= 2 for height in columns[min(tall) : max(tall)])
    assert int(dark.sum(axis=1).max()) <= 10  # no floor and no lid across
