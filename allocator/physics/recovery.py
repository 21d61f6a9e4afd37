"""Power from heat, below Carnot's limit."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from allocator.physics.arrays import Floats, floats
from allocator.physics.faults import PhysicsError


def carnot(hot: float, cold: float) -> float:
    """Greatest share of heat at ``hot`` K that can become work against ``cold`` K."""
    return max(0.0, 1.0 - cold / hot)


def most_of_stream(
    hot: float, outlet: float, cold: float, capacity: Callable[[Floats], Floats] | None = None
) -> float:
    """Greatest share of the heat of a stream cooled from ``hot`` to ``outlet`` K that can be work.

    What is cooled gives its heat at falling temperatures: work is at most ``dh - T_cold ds``, so
    the share is ``1 - T_cold ds/dh``; with a constant heat capacity ``1 - T_cold / T_lm``, with
    the log mean of both temperatures (the second law for a finite source: M. J. Moran, H. N.
    Shapiro, *Fundamentals of Engineering Thermodynamics*, chapter on exergy, from memory).

    ``capacity``: specific heat by temperature, J/(kg K); constant where it is not given.
    """
    if hot <= outlet:
        return carnot(outlet, cold)
    kelvin = floats(np.linspace(outlet, hot, 129))
    heat = np.ones(kelvin.shape) if capacity is None else capacity(kelvin)
    whole = float(np.trapezoid(heat, kelvin))
    entropy = float(np.trapezoid(heat / kelvin, kelvin))
    return max(0.0, 1.0 - cold * entropy / whole)


def recovered_power(
    heat: float, hot: float, cold: float, efficiency: float, threshold: float = 0.0
) -> float:
    """W of power from ``heat`` W at ``hot`` K; none below the threshold (K).

    Raises:
        PhysicsError: the efficiency is not below Carnot's between the two temperatures.
    """
    if hot <= max(threshold, cold):
        return 0.0
    most = carnot(hot, cold)
    if efficiency >= most:
        raise PhysicsError(
            f"has an efficiency of {100 * efficiency:.4g} % between {hot - 273.15:.4g} and "
            f"{cold - 273.15:.4g} degC, where no engine passes {100 * most:.4g} %",
            "give a lower efficiency",
        )
    return efficiency * heat
