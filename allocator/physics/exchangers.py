"""Heat exchangers: effectiveness by number of transfer units, and log mean difference.

Relations of W. M. Kays, A. L. London, *Compact Heat Exchangers*; ratio c = Cmin/Cmax.
"""

from __future__ import annotations

import numpy as np

from allocator.physics.arrays import FloatLike, Floats, floats
from allocator.physics.faults import PhysicsError

ARRANGEMENTS = ("counter", "parallel", "shell", "condenser")
"""``shell``: one shell pass, an even number of tube passes; ``condenser``: one side boils."""


def effectiveness(units: FloatLike, ratio: FloatLike, arrangement: str = "counter") -> Floats:
    """Share of the greatest possible duty, from NTU = UA/Cmin and c = Cmin/Cmax."""
    ntu, c = np.broadcast_arrays(floats(units), floats(ratio))
    if np.any(ntu < 0) or np.any(c < 0) or np.any(c > 1):
        raise PhysicsError("needs NTU from 0 on and a ratio from 0 to 1", "check the rates")
    if arrangement == "condenser":
        return floats(1.0 - np.exp(-ntu))
    if arrangement == "parallel":
        return floats((1.0 - np.exp(-ntu * (1.0 + c))) / (1.0 + c))
    if arrangement == "shell":
        root = np.sqrt(1.0 + c**2)
        decay = np.exp(-ntu * root)
        with np.errstate(divide="ignore", invalid="ignore"):
            found = 2.0 / (1.0 + c + root * (1.0 + decay) / (1.0 - decay))
        return floats(np.where(ntu > 0, found, 0.0))
    if arrangement != "counter":
        raise PhysicsError(
            f"has the unknown arrangement '{arrangement}'", f"use {', '.join(ARRANGEMENTS)}"
        )
    decay = np.exp(-ntu * (1.0 - c))
    alike = np.abs(1.0 - c) < 1e-9
    divisor = np.where(alike, 1.0, 1.0 - c * decay)
    return floats(np.where(alike, ntu / (1.0 + ntu), (1.0 - decay) / divisor))


def transfer_units(share: FloatLike, ratio: FloatLike, arrangement: str = "counter") -> Floats:
    """NTU that gives an effectiveness; raises where none does."""
    e, c = np.broadcast_arrays(floats(share), floats(ratio))
    most = _greatest(c, arrangement)
    if np.any(e < 0) or np.any(e >= most):
        raise PhysicsError(
            f"asks for an effectiveness of {float(np.max(e)):.4g}; below {float(np.min(most)):.4g} "
            "is possible",
            "ask for less cooling, colder coolant or more of it",
        )
    if arrangement == "condenser":
        return floats(-np.log(1.0 - e))
    if arrangement == "parallel":
        return floats(-np.log(1.0 - e * (1.0 + c)) / (1.0 + c))
    if arrangement == "shell":
        root = np.sqrt(1.0 + c**2)
        with np.errstate(divide="ignore"):
            e1 = (2.0 / e - 1.0 - c) / root
        return floats(np.where(e > 0, -np.log((e1 - 1.0) / (e1 + 1.0)) / root, 0.0))
    alike = np.abs(1.0 - c) < 1e-9
    divisor = np.where(alike, 1.0, c - 1.0)
    unlike = np.log((e - 1.0) / np.where(alike, -1.0, e * c - 1.0)) / divisor
    return floats(np.where(alike, e / (1.0 - e), unlike))


def _greatest(ratio: Floats, arrangement: str) -> Floats:
    if arrangement == "parallel":
        return 1.0 / (1.0 + ratio)
    if arrangement == "shell":
        return floats(2.0 / (1.0 + ratio + np.sqrt(1.0 + ratio**2)))
    return np.ones(ratio.shape)


def duty(
    hot_capacity: float,
    hot_inlet: float,
    cold_capacity: float,
    cold_inlet: float,
    conductance: float,
    arrangement: str = "counter",
) -> float:
    """W exchanged between streams of m cp (W/K) through a conductance UA (W/K).

    An infinite capacity boils or condenses.
    """
    least, most = sorted((hot_capacity, cold_capacity))
    ratio = 0.0 if np.isinf(most) else least / most
    share = float(effectiveness(conductance / least, ratio, arrangement))
    return share * least * (hot_inlet - cold_inlet)


def log_mean(first: FloatLike, second: FloatLike) -> Floats:
    """Log mean of two differences, K, both of one sign; their mean where they are alike."""
    a, b = np.broadcast_arrays(floats(first), floats(second))
    if np.any(a * b <= 0):
        raise PhysicsError(
            "has streams whose temperatures cross", "check inlet and outlet temperatures"
        )
    alike = np.abs(a - b) <= 1e-9 * np.abs(a)
    ratio = np.where(alike, np.e, a / b)
    return floats(np.where(alike, (a + b) / 2, (a - b) / np.log(ratio)))


def area(
    heat: float,
    hot_inlet: float,
    hot_outlet: float,
    cold_inlet: float,
    cold_outlet: float,
    coefficient: float,
) -> float:
    """m2 of a counter-flow exchanger that moves ``heat`` W at U W/(m2 K): ``Q/(U LMTD)``.

    Raises:
        PhysicsError: the hot side would leave colder than its coolant comes.
    """
    if hot_outlet < cold_inlet:
        raise PhysicsError(
            f"would cool to {hot_outlet - 273.15:.4g} degC, below its coolant at "
            f"{cold_inlet - 273.15:.4g} degC",
            "raise the set-point or use colder coolant",
        )
    return heat / coefficient / float(log_mean(hot_inlet - cold_outlet, hot_outlet - cold_inlet))
