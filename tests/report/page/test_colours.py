"""Colours of the page: told apart by every kind of sight, and against their grounds."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from importlib import resources

import numpy as np
import pytest
from numpy.typing import NDArray

from allocator.report.page.colours import (
    CLEAN,
    COLOURS,
    DARK,
    DASHES,
    EMITTING,
    LIGHT,
    hatchings,
)

# Machado, Oliveira and Fernandes 2009, severity 1.0, on linear RGB
SIGHT = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritanopia": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
# IEC 61966-2-1: linear sRGB to CIE XYZ, white point D65
XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
WHITE = np.array([0.95047, 1.0, 1.08883])
SCHEMES = {"light": (LIGHT, CLEAN[0], EMITTING[0]), "dark": (DARK, CLEAN[1], EMITTING[1])}


def linear(colour: str) -> NDArray[np.float64]:
    values = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    return np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def lab(colour: str, sight: str) -> NDArray[np.float64]:
    """CIE 1976 L*a*b* of a colour as somebody sees it."""
    relative = XYZ @ np.clip(SIGHT[sight] @ linear(colour), 0.0, 1.0) / WHITE
    f = np.where(relative > 216 / 24389, np.cbrt(relative), (24389 / 27 * relative + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one: str, other: str) -> float:
    """WCAG 2.2: the ratio of relative luminances."""
    a, b = sorted(float(XYZ[1] @ linear(colour)) for colour in (one, other))
    return (b + 0.05) / (a + 0.05)


def variables(scheme: str) -> dict[str, str]:
    """Colours of the style sheet by name, ``#fff`` written out."""
    style = resources.files("allocator.report.page").joinpath("templates", "page.css").read_text()
    root = re.findall(r":root\{(--paper[^}]*)\}", style)[0 if scheme == "light" else 1]
    found = dict(re.findall(r"--(\w+):(#[0-9a-f]{3,6})\b", root))
    return {k: v if len(v) == 7 else "#" + "".join(2 * c for c in v[1:]) for k, v in found.items()}


def pairs(scheme: str) -> Iterator[tuple[str, str]]:
    fluids, clean, emitting = SCHEMES[scheme]
    yield from itertools.combinations((*fluids, clean, emitting), 2)


def test_the_simulation_of_sight_knows_red_and_green() -> None:
    """A green and a brown that people with deuteranopia confuse; its own colours are not these."""
    far = np.linalg.norm(lab("#3a7d2c", "normal") - lab("#a0522d", "normal"))
    near = np.linalg.norm(lab("#3a7d2c", "deuteranopia") - lab("#a0522d", "deuteranopia"))
    assert far > 60
    assert near < 25


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_no_two_colours_look_alike(scheme: str, sight: str) -> None:
    """Fluids among each other, and every fluid against clean and emitting power."""
    for one, other in pairs(scheme):
        assert np.linalg.norm(lab(one, sight) - lab(other, sight)) > 10, (one, other)


def test_patterns_tell_fluids_apart_without_colour() -> None:
    assert len(LIGHT) == len(DARK) == len(DASHES) == len(set(DASHES)) == COLOURS
    drawn = re.findall(r'<pattern id="(hatch-\w+)".*?</pattern>', str(hatchings()))
    bodies = re.findall(r"<pattern[^>]*>(.*?)</pattern>", str(hatchings()))
    assert drawn == [*(f"hatch-{k}" for k in range(COLOURS)), "hatch-emitting"]
    assert len(set(bodies)) == len(bodies)


@pytest.mark.parametrize("scheme", SCHEMES)
def test_text_and_lines_stand_out(scheme: str) -> None:
    """4.5 to 1 for text, 3 to 1 for lines (WCAG 2.2, criteria 1.4.3 and 1.4.11)."""
    named = variables(scheme)
    fluids, clean, emitting = SCHEMES[scheme]
    for ground in (named["paper"], named["wash"]):
        for text in (named["ink"], named["soft"], named["mark"], named["bad"], clean, emitting):
            assert contrast(text, ground) >= 4.5, (text, ground)
        for line in (*fluids, named["faint"], named["grey"]):
            assert contrast(line, ground) >= 3.0, (line, ground)
